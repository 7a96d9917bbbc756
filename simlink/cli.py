"""The command line: one thin file a command under ``simlink.commands``, registered here.

Nothing heavy is imported before a command runs, so that ``simlink --help`` is quick.
"""

from __future__ import annotations

import os
import signal
import sys
from collections.abc import Callable
from contextlib import suppress
from functools import wraps
from typing import Any

import typer

from simlink.base import interrupts
from simlink.base.errors import InputError, OutputError
from simlink.base.terminal import showing
from simlink.commands import (
    budget,
    counterexample,
    diagram,
    dump,
    explain,
    exposure,
    host_latency,
    judge,
    loss,
    measure,
    pass_map,
    run,
    schema,
    size,
    spectrum,
    start,
    vary,
)
from simlink.commands.results import interrupted, interrupted_early

app = typer.Typer(
    name="simlink",
    help="Simulate a SAR converter that is read across an isolation barrier.",
    no_args_is_help=True,
    add_completion=False,
    rich_markup_mode=None,
    pretty_exceptions_enable=False,
)


def _register(name: str, command: Callable[..., None]) -> None:
    """Make a function a command, which says so where it is interrupted and has not said more."""

    @wraps(command)
    def heeding(*words: Any, **options: Any) -> None:
        try:
            command(*words, **options)
        except KeyboardInterrupt:
            raise interrupted() from None

    app.command(name)(heeding)


_register("run", run.run)
_register("judge", judge.judge)
_register("diagram", diagram.diagram)
_register("size", size.size)
_register("loss", loss.loss)
_register("spectrum", spectrum.spectrum)
_register("vary", vary.vary)
_register("budget", budget.budget)
_register("pass-map", pass_map.pass_map)
_register("counterexample", counterexample.counterexample)
_register("explain", explain.explain)
_register("dump", dump.dump)
_register("exposure", exposure.exposure)
_register("measure", measure.measure)
_register("host-latency", host_latency.host_latency)
_register("start", start.start)
_register("schema", schema.schema)


def main() -> None:
    """Run the command line; turn every expected failure into one line and a status."""
    interrupts.heed()
    # Pictures go to files; what is set for windows or a notebook may not even be known here.
    os.environ.pop("MPLBACKEND", None)
    try:
        with showing():
            status = _status()
    except KeyboardInterrupt:
        # Once more, while the first was told of.
        status = interrupts.status()
    except BrokenPipeError:
        # Whoever read has seen enough.
        status = 128 + signal.SIGPIPE
    except OutputError as error:
        with suppress(OutputError, OSError), showing():
            print(f"simlink: {error}", file=sys.stderr)
        status = 2
    interrupts.ends_with(status)
    if status:
        raise SystemExit(status)


def _status() -> int:
    """Run the command line and return the exit status."""
    try:
        status = app(sys.argv[1:] or ["--help"], standalone_mode=False)
        sys.stdout.flush()
    except (InputError, OutputError) as error:
        for line in str(error).splitlines():
            print(f"simlink: {line}", file=sys.stderr)
        return 2
    except typer.exceptions.TyperException as error:
        # A missing argument, an unknown option or command: the parser's words, in one line.
        said = error.format_message() if hasattr(error, "format_message") else str(error)
        print(f"simlink: {' '.join(said.split())}", file=sys.stderr)
        return 2
    except (typer.Abort, KeyboardInterrupt):
        return interrupted().exit_code
    if status == interrupts.INTERRUPTED:
        # The parser, which does not tell Ctrl-C and SIGTERM apart, may have been interrupted.
        return interrupted_early()
    return status if isinstance(status, int) else 0
