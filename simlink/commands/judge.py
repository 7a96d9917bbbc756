"""``simlink judge``: whether a scenario meets all that it requires, also for a build server."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

from simlink.base.errors import InputError
from simlink.commands.options import (
    Conversions,
    Engine,
    Json,
    ScenarioPath,
    Seed,
    Trials,
    Workers,
    changed,
    option,
    processes,
)
from simlink.commands.results import about_engine, interrupted, tell
from simlink.commands.run import NOT_MET

if TYPE_CHECKING:
    from simlink.studies.judge import Judgement


def judge(
    path: ScenarioPath,
    budget: Annotated[
        str,
        option(
            "--budget",
            "How long to go on, with twice the boards each time, while a requirement is undecided "
            "and nothing fails.",
            "DURATION",
        ),
    ] = "1 min",
    every_row: Annotated[
        bool,
        option("--every-row", "Go on until every row is decided, though one already fails.", None),
    ] = False,
    junit: Annotated[
        str | None, option("--junit", "Write JUnit XML for a build server.", "FILE")
    ] = None,
    seed: Seed = None,
    trials: Trials = None,
    conversions: Conversions = None,
    engine: Engine = "auto",
    workers: Workers = None,
    json: Json = False,
) -> None:
    """Judge a scenario: every limit, and all that its [require] section asks for.

    The exit status is 0 if all is met, 1 if something is not, or is undecided as the budget ends.
    It ends as soon as something fails; what is undecided by then is named.
    """
    from simlink.base.instants import FS_PER_SECOND
    from simlink.base.safe_write import check_place, write_whole
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
    many = processes(workers)
    scenario = changed(path, seed, trials, conversions)
    about_engine(engine, scenario)
    found = judged(scenario, budget=seconds, every_row=every_row, engine=engine, workers=many,
                   progress=_say)  # fmt: skip
    if found.run.interrupted:
        done = found.run.scenario.trials
        raise interrupted(f"{done} of {scenario.trials} boards finished; nothing is judged")
    text = f"{table(found.run)}\n{wrapped(found.sentence)}\n"
    if junit is not None:
        write_whole(Path(junit), xml(found))
        text += f"JUnit: {junit}\n"
    tell(text, None, found.to_json() if json else None)
    if not found.met:
        raise typer.Exit(NOT_MET)


def _say(found: Judgement) -> None:
    """Tell of a look that leaves something undecided."""
    units = found.run.scenario.trials
    names = ", ".join(one.key for one in found.verdict.required if one.met.value == "undecided")
    print(f"simlink: after {units} boards {names} undecided; going on", file=sys.stderr)
