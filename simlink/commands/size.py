"""``simlink size``: the smallest FIFO, the earliest release or the highest rate that will do."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from simlink.base.errors import InputError
from simlink.commands.numbers import share, whole
from simlink.commands.options import (
    Conversions,
    Engine,
    Json,
    Out,
    ScenarioPath,
    Seed,
    Workers,
    changed,
    folder,
    option,
    processes,
)
from simlink.commands.progress_lines import ProgressLines
from simlink.commands.results import interrupted, keep, tell

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario
    from simlink.studies.sizing_result import Sizing


def size(
    path: ScenarioPath,
    overrun: Annotated[
        str | None,
        option(
            "--overrun-at-most",
            "Share that may overrun, such as 1e-6; for trigger-rate, that may be lost in any way.",
            "SHARE",
        ),
    ] = None,
    underrun: Annotated[
        str | None,
        option("--underrun-at-most", "Share that may underrun, for release-bits.", "SHARE"),
    ] = None,
    confidence: Annotated[
        str, option("--confidence", "How sure the answer shall be.", "SHARE")
    ] = "0.95",
    sought: Annotated[
        str,
        option("--for", "depth, release-bits or trigger-rate.", "WHAT"),
    ] = "depth",
    seed: Seed = None,
    trials: Annotated[
        str | None, option("--trials", "The most units for one value, in place of --budget.")
    ] = None,
    conversions: Conversions = None,
    budget: Annotated[
        str | None,
        option(
            "--budget",
            "The most conversions for one value; 1000 / target, up to 1e9, unless said.",
        ),
    ] = None,
    beyond_proof: Annotated[
        bool,
        typer.Option(
            "--beyond-proof",
            help="Where a value is proven to do, go on by simulation for a smaller one, or a "
            "higher rate, that meets the target.",
        ),
    ] = False,
    engine: Engine = "auto",
    workers: Workers = None,
    out: Out = None,
    json: Json = False,
) -> None:
    """Find the smallest FIFO (or release threshold, or highest rate) that meets a target."""
    from simlink.base.safe_write import make_folder
    from simlink.pictures.sizing_table import table

    wanted = "--underrun-at-most" if sought == "release-bits" else "--overrun-at-most"
    given = {"--overrun-at-most": overrun, "--underrun-at-most": underrun}
    other = next(name for name in given if name != wanted)
    if given[other] is not None:
        raise InputError(other, None, given[other], f"--for {sought} is sized by {wanted}")
    if given[wanted] is None:
        raise InputError(wanted, None, None, "missing; a share such as 1e-6")
    place = folder(out)
    options: dict[str, Any] = {
        "at_most": share(wanted, given[wanted]),
        "confidence": share("--confidence", confidence),
        "trials": whole("--trials", trials, 1, 10**7),
        "budget": whole("--budget", budget, 1, 10**13),
        "workers": processes(workers),
        "beyond_proof": beyond_proof,
    }
    scenario = changed(path, seed, conversions=conversions)
    if place is not None:
        make_folder(place)
    found = _search(scenario, sought, engine, options)
    figures = found.to_json()
    if place is not None:
        rows = found.table.to_csv(index=False).encode()
        keep(place, "sizing", found.plot(), json=figures.encode(), csv=rows)
    tell(table(found), place, figures if json else None)
    if found.interrupted:
        raise interrupted("what was found so far is kept")
    if not found.meets:
        raise typer.Exit(1)


def _search(scenario: Scenario, sought: str, engine: str, options: dict[str, Any]) -> Sizing:
    from simlink.base.wording import count
    from simlink.studies.size import size as search

    with ProgressLines() as lines:
        return search(
            scenario,
            sought,
            engine=engine,
            progress=lambda value, used: lines.stand(
                f"at {value}: {count(used)} conversions so far"
            ),
            report=lines.say,
            **options,
        )
