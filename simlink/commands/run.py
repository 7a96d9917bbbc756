"""``simlink run``: run a scenario, say what came out, keep the results."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

from simlink.base.errors import InputError, OutputError
from simlink.base.interrupts import Interrupted
from simlink.commands import options as opt
from simlink.commands.results import about_engine, bar, interrupted, prepare, say, tell

if TYPE_CHECKING:
    from simlink.running.run import Run
    from simlink.scenario.schema import Scenario

#: The exit status where a limit does not hold, or a requirement is not met.
NOT_MET = 1


def run(
    path: opt.ScenarioPath,
    seed: opt.Seed = None,
    trials: opt.Trials = None,
    conversions: opt.Conversions = None,
    engine: opt.Engine = "auto",
    workers: opt.Workers = None,
    on: opt.On = None,
    out: opt.Out = None,
    ledger: Annotated[
        str | None,
        opt.value(
            "Whether DIR gets a ledger, one row a word: on or off; up to a million words unless "
            "said.",
            "on|off",
        ),
    ] = None,
    resume: Annotated[
        bool,
        opt.flag("--resume", "Go on from the boards that an interrupted run kept in --out DIR."),
    ] = False,
    assumptions: Annotated[
        bool,
        opt.flag(
            "--assumptions",
            "Show everything: each limit in full, every figure, all that was assumed, and the "
            "cautions.",
        ),
    ] = False,
    figure: Annotated[
        str | None,
        opt.value(
            "One figure alone, however rare, by proof, computation, splitting or a plain run, "
            "whichever does it soonest: overrun.",
            "overrun",
        ),
    ] = None,
    error: Annotated[
        str | None,
        opt.value("With --figure: half the interval, as a share.", "SHARE", "--relative-error"),
    ] = None,
    json: opt.Json = False,
) -> None:
    """Run a scenario: whether every limit holds, which is the nearest, and what was seen.

    The exit status is 0 if every limit holds and all that the scenario requires is met, else 1.
    """
    if error is not None and figure is None:
        raise InputError("--relative-error", None, error, "only with --figure overrun")
    if figure is not None:
        if ledger is not None or resume or assumptions:
            raise InputError("--figure", None, None, "not with --ledger, --resume, --assumptions")
        scenario = opt.changed(path, seed, trials, conversions)
        each = opt.whole("--conversions", conversions, 1, 10**10)
        with opt.where(on, workers) as there:
            _figure(scenario, figure, error, each, opt.folder(out), json, engine=engine, **there)
        return
    from simlink.base.wording import many
    from simlink.pictures.report import report
    from simlink.pictures.table import table

    if ledger not in (None, "on", "off"):
        raise InputError("--ledger", None, f'"{ledger}"', "on or off")
    place = opt.folder(out)
    if resume and out is None:
        raise InputError("--resume", None, None, "needs the folder of the interrupted run: --out")
    if ledger == "on" and out is None:
        say("--ledger on: a ledger is kept only with --out DIR")
    scenario = opt.changed(path, seed, trials, conversions)
    about_engine(engine, scenario)
    boards = many(scenario.trials, "board")
    try:
        keep = None if ledger is None else ledger == "on"
        with opt.where(on, workers) as there:
            found = _run(scenario, out, keep, resume, engine=engine, **there)
    except KeyboardInterrupt as stop:
        known = stop.kept if isinstance(stop, Interrupted) else 0
        how = f" in {out}; go on with --resume" if isinstance(stop, Interrupted) else ""
        raise interrupted(f"{known} of {boards} kept{how}") from None
    for line in found.set_aside:
        say(line)
    if resume:
        say(f"{found.resumed or 'none'} of {boards} taken up from {out}")
    text = report(found) if assumptions else table(found)
    tell(text, place, found.to_json() if json else None)
    if found.interrupted:
        done = found.scenario.trials
        kept = "" if out is None else f" in {out}; go on with --resume"
        raise interrupted(f"{done} of {boards} finished and kept{kept}")
    if not found.verdict.passes:
        raise typer.Exit(NOT_MET)


def _figure(
    scenario: Scenario,
    figure: str,
    error: str | None,
    conversions: int | None,
    place: Path | None,
    json: bool,
    **options: Any,
) -> None:
    """Find one figure as closely as asked for."""
    from simlink.commands.loss import tell_loss
    from simlink.studies.loss import overrun

    if figure != "overrun":
        raise InputError("--figure", None, f'"{figure}"', "overrun")
    enough = opt.share("--relative-error", "0.1" if error is None else error)
    prepare(place, ["loss.json"])
    study = overrun(scenario, error=enough, conversions=conversions, report=say, **options)
    tell_loss(study, 2 * enough, enough, place, json)


def _run(
    scenario: Scenario, out: str | None, ledger: bool | None, resume: bool, **options: Any
) -> Run:
    from simlink.running.checkpoint import kept_in
    from simlink.running.results import run_into
    from simlink.running.run import run

    with bar("boards", scenario.trials) as update:
        options["progress"] = update
        if out is None:
            return run(scenario, ledger=False, **options)
        try:
            return run_into(out, scenario, ledger=ledger, resume=resume, **options)
        except OutputError as error:
            if resume or not kept_in(Path(out)):
                raise
            raise OutputError(f"{error}; what was finished is kept: go on with --resume") from None
