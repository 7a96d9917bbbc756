"""``simlink host-latency``: record how late this machine wakes up."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from simlink.recording.host_latency import Summary


def host_latency(
    out: Annotated[
        Path, typer.Option("--out", help="Folder for host.csv and its histogram.", metavar="DIR")
    ] = Path("host-latency"),
    period: Annotated[
        str, typer.Option("--period", help='From one wake-up to the next, such as "1 ms".')
    ] = "1 ms",
    count: Annotated[int, typer.Option("--count", help="Wake-ups to record.")] = 10_000,
    load: Annotated[
        int, typer.Option("--load", help="Processes to keep busy alongside.", metavar="N")
    ] = 0,
) -> None:
    """Record how late this machine wakes up, as a stand-in for the host's service latency."""
    import shlex
    import sys

    from simlink.base.errors import InputError
    from simlink.base.safe_write import make_folder
    from simlink.recording import host_latency as recorder

    period_ns = _period_ns(period)
    for option, value, low, high in (
        ("--count", count, 1, recorder.MOST_ROWS),
        ("--load", load, 0, recorder.MOST_LOAD),
    ):
        if not low <= value <= high:
            raise InputError(option, None, str(value), f"allowed is {low} to {high}")
    make_folder(out)
    words = ["--period", period, "--count", str(count), "--load", str(load), "--out", str(out)]
    command = shlex.join(["simlink", "host-latency", *words])

    tell = sys.stderr
    print(
        f"recording {count} wake-ups, one every {recorder.format_ns(period_ns)}: "
        f"about {recorder.format_ns(period_ns * count)}",
        file=tell,
    )
    interrupted = False
    try:
        if tell.isatty():
            latencies = _record_with_bar(period_ns, count, load)
        else:
            latencies = recorder.record(period_ns, count, load)
    except recorder.InterruptedRecordingError as stop:
        interrupted = True
        latencies = stop.latencies
        if not len(latencies):
            print("simlink: interrupted before the first wake-up: nothing written", file=tell)
            raise typer.Exit(130) from None

    table = out / "host.csv"
    if interrupted and table.exists():
        # A whole recording is not given up for a part of one.
        table = out / "host-interrupted.csv"
    recorder.write_csv(
        table, latencies, period_ns=period_ns, load=load, command=command, asked=count
    )
    figure = recorder.plot_histogram(latencies).get_figure(root=True)
    assert figure is not None
    pictures = recorder.save_figure(figure, table.with_name(f"{table.stem}-histogram"))

    _print_summary(recorder.summarise(latencies, period_ns), period_ns)
    print("written:", ", ".join(str(path) for path in (table, *pictures)))
    print(recorder.STAND_IN)
    if interrupted:
        print(
            f"simlink: interrupted: {len(latencies)} of {count} wake-ups were recorded and kept",
            file=tell,
        )
        raise typer.Exit(130)


def _period_ns(period: str) -> int:
    from simlink.base.errors import InputError
    from simlink.recording import host_latency as recorder
    from simlink.scenario.quantities import parse_duration

    low, high = recorder.SHORTEST_PERIOD_NS, recorder.LONGEST_PERIOD_NS
    period_ns, rest = divmod(parse_duration(period, "--period"), 10**6)
    if rest or not low <= period_ns <= high:
        raise InputError(
            "--period", None, f'"{period}"', "allowed is 10 us to 10 s, in whole nanoseconds"
        )
    return period_ns


def _record_with_bar(period_ns: int, count: int, load: int) -> NDArray[np.int64]:
    from rich.console import Console
    from rich.progress import Progress

    from simlink.recording.host_latency import record

    # Drawn only when the recorder allows it: a thread that draws would delay the wake-ups.
    with Progress(console=Console(stderr=True), auto_refresh=False, transient=True) as bar:
        task = bar.add_task("recording", total=count)
        return record(
            period_ns,
            count,
            load,
            lambda done: bar.update(task, completed=done, refresh=True),
        )


def _print_summary(summary: Summary, period_ns: int) -> None:
    from simlink.recording.host_latency import format_ns

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
