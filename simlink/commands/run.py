"""``simlink run``: run a scenario, say what came out, keep the results."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from simlink.base.errors import InputError, OutputError
from simlink.base.interrupts import Interrupted
from simlink.commands.options import (
    Conversions,
    Engine,
    Json,
    Out,
    ScenarioPath,
    Seed,
    Trials,
    Workers,
    changed,
    folder,
    option,
    processes,
)
from simlink.commands.results import about_engine, bar, interrupted, tell

if TYPE_CHECKING:
    from simlink.running.run import Run
    from simlink.scenario.schema import Scenario

#: The exit status where a limit does not hold, or a requirement is not met.
NOT_MET = 1


def run(
    path: ScenarioPath,
    seed: Seed = None,
    trials: Trials = None,
    conversions: Conversions = None,
    engine: Engine = "auto",
    workers: Workers = None,
    out: Out = None,
    ledger: Annotated[
        str | None,
        option(
            "--ledger",
            "Whether DIR gets a ledger, one row a word: on or off; up to a million words unless "
            "said.",
            "on|off",
        ),
    ] = None,
    resume: Annotated[
        bool,
        option("--resume", "Go on from the units that an interrupted run kept in --out DIR.", None),
    ] = False,
    assumptions: Annotated[
        bool,
        option(
            "--assumptions",
            "Show everything: each limit in full, every figure, all that was assumed, and the "
            "cautions.",
            None,
        ),
    ] = False,
    json: Json = False,
) -> None:
    """Run a scenario: whether every limit holds, which is the nearest, and what was seen.

    The exit status is 0 if every limit holds and all that the scenario requires is met, else 1.
    """
    from simlink.pictures.report import report
    from simlink.pictures.table import table

    many = processes(workers)
    if ledger not in (None, "on", "off"):
        raise InputError("--ledger", None, f'"{ledger}"', "on or off")
    place = folder(out)
    if resume and out is None:
        raise InputError("--resume", None, None, "needs the folder of the interrupted run: --out")
    if ledger == "on" and out is None:
        print("simlink: --ledger on: a ledger is kept only with --out DIR", file=sys.stderr)
    scenario = changed(path, seed, trials, conversions)
    about_engine(engine, scenario)
    try:
        keep = None if ledger is None else ledger == "on"
        found = _run(scenario, out, keep, resume, engine=engine, workers=many)
    except KeyboardInterrupt as stop:
        known = stop.kept if isinstance(stop, Interrupted) else 0
        how = f" in {out}; go on with --resume" if isinstance(stop, Interrupted) else ""
        raise interrupted(f"{known} of {scenario.trials} units kept{how}") from None
    for line in found.set_aside:
        print(f"simlink: {line}", file=sys.stderr)
    if resume:
        taken = found.resumed or "none"
        print(f"simlink: {taken} of {scenario.trials} units taken up from {out}", file=sys.stderr)
    text = report(found) if assumptions else table(found)
    tell(text, place, found.to_json() if json else None)
    if found.interrupted:
        done = found.scenario.trials
        kept = "" if out is None else f" in {out}; go on with --resume"
        raise interrupted(f"{done} of {scenario.trials} units finished and kept{kept}")
    if not found.verdict.passes:
        raise typer.Exit(NOT_MET)


def _run(
    scenario: Scenario, out: str | None, ledger: bool | None, resume: bool, **options: Any
) -> Run:
    from simlink.running.checkpoint import kept_in
    from simlink.running.results import run_into
    from simlink.running.run import run

    def go(**more: Any) -> Run:
        if out is None:
            return run(scenario, ledger=False, **options, **more)
        try:
            return run_into(out, scenario, ledger=ledger, resume=resume, **options, **more)
        except OutputError as error:
            if resume or not kept_in(Path(out)):
                raise
            raise OutputError(f"{error}; what was finished is kept: go on with --resume") from None

    with bar("units", scenario.trials) as update:
        return go(progress=update)
