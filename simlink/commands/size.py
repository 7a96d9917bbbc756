"""``simlink size``: the smallest FIFO, the earliest release or the highest rate that will do."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario
    from simlink.studies.sizing_result import Sizing


def _option(name: str, what: str, metavar: str = "N") -> typer.models.OptionInfo:
    # Read as text, so that a bad value is told in one line like any other bad input.
    info: typer.models.OptionInfo = typer.Option(
        name, help=what, metavar=metavar, show_default=False
    )
    return info


def size(
    path: Annotated[Path, typer.Argument(help="The scenario to size.", metavar="SCENARIO")],
    overrun: Annotated[
        str | None,
        _option("--overrun-at-most", "Share that may overrun, such as 1e-6.", "SHARE"),
    ] = None,
    underrun: Annotated[
        str | None,
        _option("--underrun-at-most", "Share that may underrun, for release-bits.", "SHARE"),
    ] = None,
    confidence: Annotated[
        str, typer.Option("--confidence", help="How sure the answer shall be.", metavar="SHARE")
    ] = "0.95",
    sought: Annotated[
        str,
        typer.Option("--for", help="depth, release-bits or trigger-rate.", metavar="WHAT"),
    ] = "depth",
    seed: Annotated[str | None, _option("--seed", "What every draw derives from.")] = None,
    trials: Annotated[
        str | None, _option("--trials", "The most units for one value, in place of --budget.")
    ] = None,
    conversions: Annotated[
        str | None, _option("--conversions", "Triggers sent in each unit.")
    ] = None,
    budget: Annotated[
        str | None,
        _option(
            "--budget",
            "The most conversions for one value; 1000 / target, up to 1e9, unless said.",
        ),
    ] = None,
    engine: Annotated[
        str, typer.Option("--engine", help="event, batch, or auto.", metavar="ENGINE")
    ] = "auto",
    workers: Annotated[
        str | None, _option("--workers", "Processes to spread the units over.")
    ] = None,
    out: Annotated[
        str | None, typer.Option("--out", help="Folder for the results.", metavar="DIR")
    ] = None,
    json: Annotated[
        bool, typer.Option("--json", help="Print what was found as JSON, and nothing else.")
    ] = False,
) -> None:
    """Find the smallest FIFO (or release threshold, or highest rate) that meets a target."""
    import sys

    from simlink.base.errors import InputError
    from simlink.base.interrupts import status
    from simlink.commands.numbers import share, whole
    from simlink.scenario.loading import load
    from simlink.scenario.sections import MOST_SEED

    wanted = "--underrun-at-most" if sought == "release-bits" else "--overrun-at-most"
    given = {"--overrun-at-most": overrun, "--underrun-at-most": underrun}
    other = next(name for name in given if name != wanted)
    if given[other] is not None:
        raise InputError(other, None, given[other], f"--for {sought} is sized by {wanted}")
    if given[wanted] is None:
        raise InputError(wanted, None, None, "missing; a share such as 1e-6")
    if out == "":
        raise InputError("--out", None, '""', "the name of a folder")
    options: dict[str, Any] = {
        "at_most": share(wanted, given[wanted]),
        "confidence": share("--confidence", confidence),
        "trials": whole("--trials", trials, 1, 10**7),
        "budget": whole("--budget", budget, 1, 10**13),
        "workers": whole("--workers", workers, 1, 1024),
    }
    scenario = load(path).with_(
        seed=whole("--seed", seed, 0, MOST_SEED),
        conversions=whole("--conversions", conversions, 1, 10**10),
    )
    if out is not None:
        from simlink.base.safe_write import make_folder

        make_folder(Path(out))
    found = _search(scenario, sought, engine, options)
    if out is not None:
        _write(found, Path(out))
    _tell(found, json, out)
    if found.interrupted:
        print("simlink: interrupted: what was found so far is kept", file=sys.stderr)
        raise typer.Exit(status())
    if not found.meets:
        raise typer.Exit(1)


def _search(scenario: Scenario, sought: str, engine: str, options: dict[str, Any]) -> Sizing:
    import sys
    from functools import partial

    from simlink.studies.size import size as search

    go = partial(search, scenario, sought, engine=engine, **options)
    if not sys.stderr.isatty():
        return go()
    from rich.console import Console

    # How long a search takes is not known beforehand: it ends when its answer is settled.
    with Console(stderr=True).status("rough search") as status:
        return go(
            progress=lambda value, used: status.update(f"at {value}: {used:.3g} conversions so far")
        )


def _write(found: Sizing, folder: Path) -> None:
    from simlink.base.safe_write import write_set
    from simlink.pictures import style

    figure = found.plot().get_figure(root=True)
    assert figure is not None
    files = {
        "sizing.json": found.to_json().encode(),
        "sizing.csv": found.table.to_csv(index=False).encode(),
    }
    write_set(
        folder, files | {f"sizing.{kind}": style.encode(figure, kind) for kind in style.KINDS}
    )


def _tell(found: Sizing, json: bool, out: str | None) -> None:
    import sys

    from simlink.pictures.sizing_table import table

    tell = sys.stderr if json else sys.stdout
    print(table(found), end="", file=tell)
    if out is not None:
        print(f"\nResults: {out}", file=tell)
    if json:
        print(found.to_json(), end="")
