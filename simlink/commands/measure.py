"""``simlink measure``: read a waveform dump, measure it, compare it with the simulation."""

from __future__ import annotations

import re
import shlex
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Annotated

import typer

from simlink.base.errors import InputError
from simlink.commands import options as opt
from simlink.commands.results import say

#: A data line: alone, with its lane, or as a dump writes it.
_LANE = re.compile(r"((?:host|remote)\.data)(?:_(\d+))?")
#: Seconds between two lines that say how far a dump has been read.
_EVERY = 5.0


def measure(
    path: opt.ScenarioPath,
    dump: Annotated[
        Path,
        typer.Argument(
            help="A waveform dump (IEEE Std 1364 VCD), simulated or captured on hardware.",
            metavar="DUMP",
        ),
    ],
    names: Annotated[
        list[str] | None,
        opt.value(
            "What a line is called in the dump, such as remote.clock=D2, or =!D2 if it is active "
            "low; may be given again. It wins over the scenario's [dump] table.",
            "SIGNAL=NAME",
            "--line",
        ),
    ] = None,
    pins: Annotated[
        str | None,
        opt.value(
            "Pin names: a TOML file with a table [names], as the other commands take it. --line "
            "wins over it.",
            "FILE",
            "--names",
        ),
    ] = None,
    conversions: Annotated[str, opt.value("Measure no more than the first N.")] = "2000",
    csv: Annotated[str | None, opt.value("Write the table as CSV too.", "FILE")] = None,
    latencies: Annotated[
        str | None,
        opt.value(
            "Write the service latencies that were seen, for a scenario to replay: shape = "
            '"recorded", column = "latency_ns", unit = "ns".',
            "FILE",
        ),
    ] = None,
) -> None:
    """Measure the named intervals on a dump and compare them with the simulation.

    Exit status 1: the dump is not clean, and each complaint says when, on which signal, and what;
    or an interval is beyond the limits that the scenario's laws leave it; or there is none.
    """
    from simlink.base.safe_write import check_place, write_whole
    from simlink.tracing.pin_names import load
    from simlink.waveform.comparing import compare
    from simlink.waveform.mapping import lines_of
    from simlink.waveform.reporting import as_csv, table, write_latencies

    most = opt.whole("--conversions", conversions, 1, 10**7)
    scenario = opt.changed(path)
    for place in (csv, latencies):
        if place is not None:
            check_place(Path(place))
    lines = {} if pins is None else lines_of(load(pins), scenario)
    found = compare(scenario, dump, lines | line_names(names or []), most, _progress(dump))
    print(table(found), end="")
    if not found.whole:
        first = "the first conversion" if most == 1 else f"the first {most} conversions"
        print(f"Measured: {first} of the dump; --conversions takes more.")
    if csv is not None:
        write_whole(Path(csv), as_csv(found).encode())
        print(f"Table: {csv}")
    if latencies is not None:
        words = ["simlink", "measure", str(path), str(dump), "--latencies", latencies]
        count = write_latencies(latencies, found, shlex.join(words))
        print(f"Latencies: {latencies} ({count} services)")
    for complaint in found.complaints:
        say(f"{found.dump}: {complaint.line()}")
    beyond = [row.symbol for row in found.rows if row.verdict == "fail"]
    if beyond:
        say(f"{found.dump}: beyond their limits: {', '.join(beyond)}")
    if not found.rows:
        say(f"{found.dump}: nothing was measured: it shows both ends of no interval that is known")
    if found.complaints or beyond or not found.rows:
        sys.stdout.flush()
        raise typer.Exit(1)


def _progress(dump: Path) -> Callable[[int, int], None]:
    """Return what says at a terminal, every few seconds, how far a long dump has been read."""
    told = time.monotonic()

    def tell(done: int, of: int) -> None:
        nonlocal told
        if time.monotonic() - told >= _EVERY:
            told = time.monotonic()
            if sys.stderr.isatty() and of:
                print(f"{dump.name}: {done / of:.0%} of {of / 1e6:.0f} MB read", file=sys.stderr)

    return tell


def line_names(given: list[str]) -> dict[str, str]:
    """Return what lines are called in a dump, by the names of signals, as ``--line`` gives it."""
    names = {}
    for text in given:
        signal, equals, name = text.partition("=")
        if not (signal and equals and name):
            raise InputError("--line", None, f'"{text}"', "SIGNAL=NAME, such as remote.clock=D2")
        lane = _LANE.fullmatch(signal)
        names[f"{lane[1]}[{lane[2] or 0}]" if lane else signal] = name
    return names
