"""``simlink vary``: one or two keys of a scenario over ranges."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario
    from simlink.studies.vary import Variation


def _option(name: str, what: str) -> typer.models.OptionInfo:
    # Read as text, so that a bad value is told in one line like any other bad input.
    info: typer.models.OptionInfo = typer.Option(name, help=what, metavar="N", show_default=False)
    return info


def vary(
    path: Annotated[Path, typer.Argument(help="The scenario to vary.", metavar="SCENARIO")],
    pairs: Annotated[
        list[str],
        typer.Argument(
            help="One or two dotted keys, each with its range: 1..8, '10 MHz..50 MHz in 9', "
            "'1 us..1 ms in 7 log', '0 ns..20 ns by 5 ns', '1, 2, 4, 8'.",
            metavar="KEY RANGE [KEY RANGE]",
        ),
    ],
    figure: Annotated[
        str, typer.Option("--figure", help="The figure to draw.", metavar="NAME")
    ] = "overrun",
    seed: Annotated[str | None, _option("--seed", "What every draw derives from.")] = None,
    trials: Annotated[str | None, _option("--trials", "Units built, at each point.")] = None,
    conversions: Annotated[
        str | None, _option("--conversions", "Triggers sent in each trial.")
    ] = None,
    engine: Annotated[
        str, typer.Option("--engine", help="event, batch, or auto.", metavar="ENGINE")
    ] = "auto",
    workers: Annotated[
        str | None, _option("--workers", "Processes to spread the trials over.")
    ] = None,
    out: Annotated[
        str | None, typer.Option("--out", help="Folder for the results.", metavar="DIR")
    ] = None,
    json: Annotated[
        bool, typer.Option("--json", help="Print the points as JSON, and nothing else.")
    ] = False,
) -> None:
    """Run a scenario over the values of one or two keys, on the same draws at every point."""
    import sys

    from simlink.base.errors import InputError
    from simlink.base.interrupts import status
    from simlink.commands.numbers import whole
    from simlink.scenario.loading import load
    from simlink.scenario.sections import MOST_SEED
    from simlink.studies.ranges import values

    if len(pairs) not in (2, 4):
        raise InputError("vary", None, " ".join(pairs), "one or two pairs of a key and its range")
    keys = {key: values(said, key) for key, said in zip(pairs[::2], pairs[1::2], strict=True)}
    if 2 * len(keys) != len(pairs):
        raise InputError("vary", None, pairs[0], "two different keys")
    if out == "":
        raise InputError("--out", None, '""', "the name of a folder")
    scenario = load(path).with_(
        seed=whole("--seed", seed, 0, MOST_SEED),
        trials=whole("--trials", trials, 1, 10**7),
        conversions=whole("--conversions", conversions, 1, 10**10),
    )
    many = whole("--workers", workers, 1, 1024)
    if out is not None:
        from simlink.base.safe_write import make_folder

        make_folder(Path(out))
    found = _run(scenario, keys, figure, engine, many)
    if out is not None and found.points:
        _write(found, Path(out))
    _tell(found, json, out)
    if found.interrupted:
        done, kept = len(found.points), "" if out is None else f" in {out}"
        print(
            f"simlink: interrupted: {done} of {found.total} points finished and kept{kept}",
            file=sys.stderr,
        )
        raise typer.Exit(status())


def _run(
    scenario: Scenario,
    keys: dict[str, list[int | float | str | bool]],
    figure: str,
    engine: str,
    workers: int | None,
) -> Variation:
    import sys

    from simlink.studies.vary import vary as study

    if not sys.stderr.isatty():
        return study(scenario, keys, figure, engine=engine, workers=workers)
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        Progress,
        TaskProgressColumn,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = (
        TextColumn("{task.description}"),
        BarColumn(),
        TaskProgressColumn(),
        TextColumn("left:"),
        TimeRemainingColumn(),
    )
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("points", total=1.0)

        def progress(done: int, of: int, share: float) -> None:
            bar.update(task, completed=(done + share) / of, description=f"points {done}/{of}")

        return study(scenario, keys, figure, engine=engine, workers=workers, progress=progress)


def _write(found: Variation, folder: Path) -> None:
    import io

    from simlink.base.safe_write import write_set
    from simlink.pictures import style

    table = found.table
    columns = io.BytesIO()
    table.to_parquet(columns, index=False)
    figure = found.plot().get_figure(root=True)
    assert figure is not None
    files = {
        "vary.csv": table.to_csv(index=False).encode(),
        "vary.parquet": columns.getvalue(),
        "vary.json": found.to_json().encode(),
    }
    write_set(folder, files | {f"vary.{kind}": style.encode(figure, kind) for kind in style.KINDS})


def _tell(found: Variation, json: bool, out: str | None) -> None:
    import sys

    tell = sys.stderr if json else sys.stdout
    rows = [(*found.keys, found.figure, "interval", "count of")]
    for point in found.points:
        figure = point.figures[found.figure]
        ends = [figure.low, figure.high]
        interval = " to ".join("?" if end is None else f"{end:.3g}" for end in ends)
        count = "" if figure.of is None else f"{figure.count} of {figure.of}"
        rows.append((*map(str, point.values), figure.text(), interval, count))
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    for row in rows:
        cells = (cell.rjust(width) for cell, width in zip(row, widths, strict=True))
        print("  " + "  ".join(cells).rstrip(), file=tell)
    if out is not None and found.points:
        print(f"\nResults: {out}", file=tell)
    if json:
        print(found.to_json(), end="")
