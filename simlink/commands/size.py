"""``simlink size``: the smallest FIFO, the earliest release or the highest rate that will do."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

import typer

from simlink.base.errors import InputError
from simlink.commands import options as opt
from simlink.commands.progress_lines import ProgressLines
from simlink.commands.results import answer, interrupted, keep, names_of, prepare, say, tell

if TYPE_CHECKING:
    from pathlib import Path

    from simlink.scenario.schema import Scenario
    from simlink.studies.sizing_result import Sizing

#: Below this share a plain run is no way to see what is lost.
_RARE = 1e-6


def size(
    path: opt.ScenarioPath,
    overrun: Annotated[
        str | None,
        opt.value(
            "Share that may overrun, such as 1e-6; for trigger-rate, that may be lost in any way.",
            "SHARE",
            "--overrun-at-most",
        ),
    ] = None,
    underrun: Annotated[
        str | None,
        opt.value("Share that may underrun, for release-bits.", "SHARE", "--underrun-at-most"),
    ] = None,
    confidence: Annotated[str, opt.value("How sure the answer shall be.", "SHARE")] = "0.95",
    sought: Annotated[
        str, opt.value("depth, release-bits or trigger-rate.", "WHAT", "--for")
    ] = "depth",
    seed: opt.Seed = None,
    trials: Annotated[
        str | None, opt.value("The most boards for one value, in place of --budget.")
    ] = None,
    conversions: opt.Conversions = None,
    budget: Annotated[
        str | None,
        opt.value("The most conversions for one value; 1000 / target, up to 1e9, unless said."),
    ] = None,
    beyond_proof: Annotated[
        bool,
        typer.Option(
            "--beyond-proof",
            help="Where a value is proven to do, go on by simulation for a smaller one, or a "
            "higher rate, that meets the target.",
        ),
    ] = False,
    engine: opt.Engine = "auto",
    workers: opt.Workers = None,
    on: opt.On = None,
    out: opt.Out = None,
    json: opt.Json = False,
) -> None:
    """Find the smallest FIFO (or release threshold, or highest rate) that meets a target."""
    from simlink.pictures.sizing_table import table

    wanted = "--underrun-at-most" if sought == "release-bits" else "--overrun-at-most"
    given = {"--overrun-at-most": overrun, "--underrun-at-most": underrun}
    other = next(name for name in given if name != wanted)
    if given[other] is not None:
        raise InputError(other, None, given[other], f"--for {sought} is sized by {wanted}")
    if given[wanted] is None:
        raise InputError(wanted, None, None, "missing; a share such as 1e-6")
    place = opt.folder(out)
    options: dict[str, Any] = {
        "at_most": opt.share(wanted, given[wanted]),
        "confidence": opt.confidence("--confidence", confidence),
        "trials": opt.whole("--trials", trials, 1, 10**7),
        "budget": opt.whole("--budget", budget, 1, 10**13),
        "beyond_proof": beyond_proof,
    }
    scenario = opt.changed(path, seed, conversions=conversions)
    prepare(place, names_of("sizing", "json", "csv"))
    with opt.where(on, workers) as there:
        if _is_rare(scenario, sought, options):
            _by_loss(scenario, options["at_most"], options["confidence"], there, place, json)
            return
        found = _search(scenario, sought, engine, options | there)
    figures = found.to_json()
    if place is not None:
        rows = found.table.to_csv(index=False).encode()
        keep(place, "sizing", found.plot(), json=figures.encode(), csv=rows)
    tell(table(found), place, figures if json else None)
    if found.interrupted:
        raise interrupted("what was found so far is kept")
    if not found.meets:
        raise typer.Exit(1)


def _is_rare(scenario: Scenario, sought: str, options: dict[str, Any]) -> bool:
    """Tell whether a FIFO is sized for a loss that no plain run of a usual length would show."""
    from simlink.proofs.bounds import depth_bound
    from simlink.proofs.ends import UnboundedError

    asked = ("trials", "budget")
    if sought != "depth" or options["at_most"] >= _RARE or any(options[one] for one in asked):
        return False
    if scenario.fifo.when_full == "stall" or options["beyond_proof"]:
        return False
    try:
        depth_bound(scenario)
    except UnboundedError:
        from simlink.engines.batch.branching import NoBranchesError, refuse

        try:
            refuse(scenario)
        except NoBranchesError:
            return False
        return True
    # What is proven needs neither.
    return False


def _by_loss(
    scenario: Scenario,
    at_most: float,
    confidence: float,
    there: dict[str, Any],
    place: Path | None,
    json: bool,
) -> None:
    """Size a FIFO by what each depth loses, computed or estimated by splitting."""
    import os

    from simlink.base import wording
    from simlink.base.safe_write import write_set
    from simlink.pictures.text import columns, wrapped
    from simlink.studies.size_rare import size_rare

    there["workers"] = there["workers"] or os.cpu_count() or 1
    found = size_rare(scenario, at_most, confidence=confidence, report=say, **there)
    figures = found.to_json()
    if place is not None:
        write_set(place, {"sizing.json": figures.encode()})
    rows = [("depth", "overruns", "", "from", "to", "by")]
    for depth, study in sorted(found.tried.items()):
        low = "-" if study.loss.low is None else wording.at_least(study.loss.low)
        high = "-" if study.loss.high is None else wording.at_most(study.loss.high)
        rows.append((f"{depth}", study.value_text, found.verdict(depth), low, high, study.method))
    why = next(iter(found.tried.values())).why
    said = wrapped(f"A share this small no plain run shows: {why}.")
    text = answer(scenario, found.sentence, columns(rows), said)
    tell(text, place, figures if json else None)
    if found.answer is None:
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
