"""``simlink run``: run a scenario, say what came out, keep the results."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

import typer

if TYPE_CHECKING:
    from simlink.running.run import Run
    from simlink.scenario.schema import Scenario


def _whole(option: str, what: str) -> typer.models.OptionInfo:
    # Read as text, so that a bad value is told in one line like any other bad input.
    info: typer.models.OptionInfo = typer.Option(option, help=what, metavar="N", show_default=False)
    return info


def run(
    path: Annotated[Path, typer.Argument(help="The scenario to run.", metavar="SCENARIO")],
    seed: Annotated[str | None, _whole("--seed", "What every draw derives from.")] = None,
    trials: Annotated[str | None, _whole("--trials", "Units built.")] = None,
    conversions: Annotated[
        str | None, _whole("--conversions", "Triggers sent in each trial.")
    ] = None,
    engine: Annotated[
        str, typer.Option("--engine", help="event, batch, or auto.", metavar="ENGINE")
    ] = "auto",
    workers: Annotated[
        str | None, _whole("--workers", "Processes to spread the trials over.")
    ] = None,
    out: Annotated[
        str | None, typer.Option("--out", help="Folder for the results.", metavar="DIR")
    ] = None,
    ledger: Annotated[
        str | None,
        typer.Option(
            "--ledger",
            help="Whether DIR gets a ledger, one row a word: on or off; up to a million words "
            "unless said.",
            metavar="on|off",
            show_default=False,
        ),
    ] = None,
    resume: Annotated[
        bool,
        typer.Option(
            "--resume", help="Go on from the units that an interrupted run kept in --out DIR."
        ),
    ] = False,
    json: Annotated[
        bool, typer.Option("--json", help="Print the figures as JSON, and nothing else.")
    ] = False,
) -> None:
    """Run a scenario: whether the link keeps its rate, what limits it, and every figure."""
    import sys

    from simlink.base.errors import InputError
    from simlink.base.interrupts import Interrupted, status
    from simlink.scenario.loading import load
    from simlink.scenario.sections import MOST_SEED

    changed = {
        "seed": _number("--seed", seed, 0, MOST_SEED),
        "trials": _number("--trials", trials, 1, 10**7),
        "conversions": _number("--conversions", conversions, 1, 10**10),
    }
    processes = _number("--workers", workers, 1, 1000)
    if ledger not in (None, "on", "off"):
        raise InputError("--ledger", None, f'"{ledger}"', "on or off")
    if out == "":
        raise InputError("--out", None, '""', "the name of a folder")
    if resume and out is None:
        raise InputError("--resume", None, None, "needs the folder of the interrupted run: --out")
    if ledger == "on" and out is None:
        print("simlink: --ledger on: a ledger is kept only with --out DIR", file=sys.stderr)
    scenario = load(path).with_(**changed)
    try:
        keep = None if ledger is None else ledger == "on"
        found = _run(scenario, out, keep, resume, engine=engine, workers=processes)
    except KeyboardInterrupt as stop:
        kept = f"{stop.kept}" if isinstance(stop, Interrupted) else "0"
        how = f" in {out}; go on with --resume" if isinstance(stop, Interrupted) else ""
        print(f"simlink: interrupted: {kept} of {scenario.trials} units kept{how}", file=sys.stderr)
        raise typer.Exit(status()) from None
    for line in found.set_aside:
        print(f"simlink: {line}", file=sys.stderr)
    if resume:
        taken = found.resumed or "none"
        print(f"simlink: {taken} of {scenario.trials} units taken up from {out}", file=sys.stderr)
    _tell(found, json, out)
    if found.interrupted:
        done = found.scenario.trials
        kept = "" if out is None else f" in {out}; go on with --resume"
        print(
            f"simlink: interrupted: {done} of {scenario.trials} units finished and kept{kept}",
            file=sys.stderr,
        )
        raise typer.Exit(status())


def _number(option: str, text: str | None, low: int, high: int) -> int | None:
    import re

    from simlink.base.errors import InputError

    if text is None:
        return None
    if not re.fullmatch(r"[0-9]{1,20}", text) or not low <= int(text) <= high:
        raise InputError(option, None, f'"{text}"', f"a whole number from {low} to {high}")
    return int(text)


def _run(
    scenario: Scenario, out: str | None, ledger: bool | None, resume: bool, **options: Any
) -> Run:
    import sys

    from simlink.base.errors import OutputError
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

    if not sys.stderr.isatty():
        return go()
    from rich.console import Console
    from rich.progress import (
        BarColumn,
        MofNCompleteColumn,
        Progress,
        TextColumn,
        TimeRemainingColumn,
    )

    columns = (TextColumn("units"), BarColumn(), MofNCompleteColumn(), TimeRemainingColumn())
    with Progress(*columns, console=Console(stderr=True), transient=True) as bar:
        task = bar.add_task("units", total=scenario.trials)
        return go(progress=lambda done: bar.update(task, completed=done))


def _tell(found: Run, json: bool, out: str | None) -> None:
    import sys

    from simlink.pictures.table import table

    tell = sys.stderr if json else sys.stdout
    print(table(found), end="", file=tell)
    if out is not None:
        print(f"\nResults: {out}", file=tell)
    if json:
        print(found.to_json(), end="")
