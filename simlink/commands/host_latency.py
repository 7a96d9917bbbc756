"""``simlink host-latency``: record how late this machine wakes up."""

from __future__ import annotations

import shlex
import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from simlink.base.errors import InputError
from simlink.commands import options as opt
from simlink.commands.results import bar, interrupted, keep, names_of

if TYPE_CHECKING:
    from simlink.recording.host_latency import Summary


def host_latency(
    out: Annotated[Path, opt.value("Folder for host.csv and its histogram.", "DIR")] = Path(
        "host-latency"
    ),
    period: Annotated[
        str, opt.value('From one wake-up to the next, such as "1 ms".', None)
    ] = "1 ms",
    count: Annotated[str, opt.value("Wake-ups to record.")] = "10000",
    load: Annotated[str, opt.value("Processes to keep busy alongside.")] = "0",
) -> None:
    """Record how late this machine wakes up, as a stand-in for the host's service latency."""
    from simlink.base.safe_write import make_folder
    from simlink.recording import host_latency as recorder
    from simlink.recording.histogram import format_ns, plot_histogram

    period_ns = _period_ns(period)
    rows = opt.whole("--count", count, 1, recorder.MOST_ROWS)
    busy = opt.whole("--load", load, 0, recorder.MOST_LOAD)
    make_folder(out, ["host.csv", *names_of("host-histogram")])
    words = ["--period", period, "--count", count, "--load", load, "--out", str(out)]
    command = shlex.join(["simlink", "host-latency", *words])

    print(
        f"recording {rows} wake-ups, one every {format_ns(period_ns)}: "
        f"about {format_ns(period_ns * rows)}",
        file=sys.stderr,
    )
    try:
        with bar("wake-ups", rows) as update:
            latencies = recorder.record(period_ns, rows, busy, update)
    except recorder.InterruptedRecordingError as stop:
        latencies = stop.latencies
        if not len(latencies):
            raise interrupted("before the first wake-up: nothing written") from None

    table = out / "host.csv"
    if len(latencies) < rows and table.exists():
        # A whole recording is not given up for a part of one.
        table = out / "host-interrupted.csv"
    recorder.write_csv(
        table, latencies, period_ns=period_ns, load=busy, command=command, asked=rows
    )
    histogram = f"{table.stem}-histogram"
    keep(out, histogram, plot_histogram(latencies))
    _print_summary(recorder.summarise(latencies, period_ns), period_ns)
    print(
        "written:",
        ", ".join(map(str, (table, *(out / f"{histogram}.{k}" for k in ("svg", "png"))))),
    )
    print(recorder.STAND_IN)
    if len(latencies) < rows:
        raise interrupted(f"{len(latencies)} of {rows} wake-ups were recorded and kept")


def _period_ns(period: str) -> int:
    from simlink.recording import host_latency as recorder
    from simlink.scenario.quantities import parse_duration

    low, high = recorder.SHORTEST_PERIOD_NS, recorder.LONGEST_PERIOD_NS
    period_ns, rest = divmod(parse_duration(period, "--period"), 10**6)
    if rest or not low <= period_ns <= high:
        raise InputError(
            "--period", None, f'"{period}"', "allowed is 10 us to 10 s, in whole nanoseconds"
        )
    return period_ns


def _print_summary(summary: Summary, period_ns: int) -> None:
    from simlink.recording.histogram import format_ns

    def shown(value: int | None, rows: int) -> str:
        return f"needs {rows} wake-ups" if value is None else format_ns(value)

    rows = [
        ("wake-ups", str(summary.count)),
        ("median", format_ns(summary.median)),
        ("99 %", shown(summary.p99, 100)),
        ("99.9 %", shown(summary.p999, 1000)),
        ("largest seen", format_ns(summary.largest_seen)),
        (
            "periods missed",
            f"{summary.missed_periods} (wake-ups later than {format_ns(period_ns)})",
        ),
    ]
    for name, value in rows:
        print(f"{name:<15} {value}")
