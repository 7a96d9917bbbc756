"""``simlink judge``: whether a scenario meets all that it requires, also for a build server."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from simlink.base.errors import InputError
from simlink.commands import options as opt
from simlink.commands.results import about_engine, interrupted, say, tell
from simlink.commands.run import NOT_MET

if TYPE_CHECKING:
    from simlink.studies.judge import Judgement


def judge(
    path: opt.ScenarioPath,
    budget: Annotated[
        str,
        opt.value(
            "How long to go on, with twice the boards each time, while a requirement is undecided "
            "and nothing fails.",
            "DURATION",
        ),
    ] = "1 min",
    every_row: Annotated[
        bool, opt.flag("--every-row", "Go on until every row is decided, though one already fails.")
    ] = False,
    junit: Annotated[str | None, opt.value("Write JUnit XML for a build server.", "FILE")] = None,
    seed: opt.Seed = None,
    trials: opt.Trials = None,
    conversions: opt.Conversions = None,
    engine: opt.Engine = "auto",
    workers: opt.Workers = None,
    json: opt.Json = False,
) -> None:
    """Judge a scenario: every limit, and all that its [require] section asks for.

    The exit status is 0 if all is met, 1 if something is not, or is undecided as the budget ends.
    It ends as soon as something fails; what is undecided by then is named.
    """
    from simlink.base.instants import FS_PER_SECOND
    from simlink.base.safe_write import check_place, write_whole
    from simlink.base.wording import many
    from simlink.pictures.junit import junit as xml
    from simlink.pictures.table import table
    from simlink.pictures.text import wrapped
    from simlink.scenario.quantities import parse_duration
    from simlink.studies.judge import judge as judged

    seconds = parse_duration(budget, "--budget") / FS_PER_SECOND
    if seconds < 0:
        raise InputError("--budget", None, f'"{budget}"', "a duration that is not negative")
    if junit == "":
        raise InputError("--junit", None, '""', "the name of a file")
    if junit is not None:
        check_place(Path(junit))
    processes = opt.processes(workers)
    scenario = opt.changed(path, seed, trials, conversions)
    about_engine(engine, scenario)
    found = judged(scenario, budget=seconds, every_row=every_row, engine=engine, workers=processes,
                   progress=_say)  # fmt: skip
    if found.run.interrupted:
        done = found.run.scenario.trials
        boards = many(scenario.trials, "board")
        raise interrupted(f"{done} of {boards} finished; nothing is judged")
    text = f"{table(found.run)}\n{wrapped(found.sentence)}\n"
    if junit is not None:
        write_whole(Path(junit), xml(found))
        text += f"JUnit: {junit}\n"
    tell(text, None, found.to_json() if json else None)
    if not found.met:
        raise typer.Exit(NOT_MET)


def _say(found: Judgement) -> None:
    """Tell of a look that leaves something undecided."""
    from simlink.base.wording import many

    units = many(found.run.scenario.trials, "board")
    names = ", ".join(one.key for one in found.verdict.required if one.met.value == "undecided")
    say(f"after {units} {names} undecided; going on")
