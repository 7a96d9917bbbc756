"""Record how late this machine wakes up: a stand-in for a host's service latency.

A task that sleeps until absolute deadlines, one a period, is as late as an interrupt handler
or a polling loop of the same machine would be, in kind if not in size. The recording goes into
a CSV file that a scenario replays::

    service_latency = { shape = "recorded", file = "host.csv", column = "latency_ns", unit = "ns" }
"""

from __future__ import annotations

import contextlib
import gc
import platform
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from simlink.base.cautions import CAUTIONS
from simlink.base.errors import InputError, printable
from simlink.base.safe_write import write_whole
from simlink.base.wording import time_text

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

SHORTEST_PERIOD_NS = 10_000
LONGEST_PERIOD_NS = 10_000_000_000
MOST_ROWS = 10_000_000
MOST_LOAD = 256

STAND_IN = (
    "A desktop's wake-up stands in for the target's only until a capture from the target exists."
)
"""str: What a recording made on the designer's own machine is worth."""

_REDRAW_NS = 500_000_000

# A busy process says that it runs, then computes until its parent is gone (even killed).
_BUSY = """
import os
parent = os.getppid()
os.write(1, b"x")
while os.getppid() == parent:
    for _ in range(100_000):
        pass
"""


class InterruptedRecordingError(KeyboardInterrupt):
    """A recording was stopped with Ctrl-C.

    Parameters
    ----------
    latencies : ndarray of int64, shape (n,)
        What had been recorded until then, in ns; n may be 0.
    """

    def __init__(self, latencies: NDArray[np.int64]) -> None:
        self.latencies = latencies
        super().__init__(f"interrupted after {len(latencies)} wake-ups")


def record(
    period_ns: int,
    count: int,
    load: int = 0,
    progress: Callable[[int], object] | None = None,
) -> NDArray[np.int64]:
    """Sleep until `count` absolute deadlines and note how late each wake-up was.

    A deadline that has passed before its turn comes is not waited for: its latency is what is
    left of the lateness, as a periodic task that catches up sees it.

    Parameters
    ----------
    period_ns : int
        From one deadline to the next, in ns; 10 us to 10 s.
    count : int
        Wake-ups to record, 1 to 10 000 000.
    load : int, optional
        Processes kept busy alongside, 0 to 256; none are left when the recording ends.
    progress : callable, optional
        Called about twice a second with the number of wake-ups recorded. Whole periods are
        left out while it runs, so its own time is not taken for latency.

    Returns
    -------
    ndarray of int64, shape (count,)
        Instant of waking up less the deadline, in ns, never negative.

    Raises
    ------
    InputError
        If a parameter is outside its range.
    InterruptedRecordingError
        On Ctrl-C; it holds what was recorded.
    """
    _check("period_ns", period_ns, SHORTEST_PERIOD_NS, LONGEST_PERIOD_NS)
    _check("count", count, 1, MOST_ROWS)
    _check("load", load, 0, MOST_LOAD)
    latencies = np.empty(count, dtype=np.int64)
    done = 0
    clock, sleep = time.perf_counter_ns, time.sleep
    try:
        with _busy_processes(load), _collector_off():
            deadline = clock() + period_ns
            redraw = deadline + _REDRAW_NS
            while done < count:
                # Some systems wake early; the loop goes back to sleep until the deadline.
                while (now := clock()) < deadline:
                    sleep((deadline - now) * 1e-9)
                late = now - deadline
                latencies[done] = late
                done += 1
                deadline += period_ns
                # Never drawn while the task is behind: a stall is recorded to its end.
                if progress is not None and now >= redraw and late < period_ns:
                    progress(done)
                    behind = clock() - deadline
                    if behind >= 0:
                        deadline += (behind // period_ns + 1) * period_ns
                    redraw = clock() + _REDRAW_NS
    except KeyboardInterrupt:
        raise InterruptedRecordingError(latencies[:done].copy()) from None
    return latencies


def _check(name: str, value: int, low: int, high: int) -> None:
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise InputError(
            "host latency", name, repr(value), f"a whole number from {low} to {high} is due"
        )


@contextlib.contextmanager
def _busy_processes(load: int) -> Iterator[None]:
    """Keep `load` processes computing; all run before the block starts, none after it."""
    processes: list[subprocess.Popen[bytes]] = []
    try:
        for _ in range(load):
            processes.append(  # noqa: PERF401 (a list of the started ones, should one fail)
                subprocess.Popen(
                    [sys.executable, "-c", _BUSY],
                    stdin=subprocess.DEVNULL,
                    stdout=subprocess.PIPE,
                    stderr=subprocess.DEVNULL,
                )
            )
        for process in processes:
            assert process.stdout is not None
            process.stdout.read(1)
        yield
    finally:
        for process in processes:
            process.kill()
        for process in processes:
            process.wait()
            if process.stdout is not None:
                process.stdout.close()


@contextlib.contextmanager
def _collector_off() -> Iterator[None]:
    """Switch the garbage collector off: its pauses are this program's, not the machine's."""
    was_on = gc.isenabled()
    gc.disable()
    try:
        yield
    finally:
        if was_on:
            gc.enable()


@dataclass(frozen=True)
class Summary:
    """A recording in a few numbers, all in ns.

    Parameters
    ----------
    count : int
        Wake-ups recorded.
    median, p99, p999 : int or None
        Recorded latencies that half, 99 % and 99.9 % of the rows do not exceed; None when
        there are too few rows to tell it from the largest (fewer than 100, 1000).
    largest_seen : int
        The largest recorded; a longer recording may hold a larger one.
    missed_periods : int or None
        Wake-ups later than a whole period; None when the period is not known.
    """

    count: int
    median: int
    p99: int | None
    p999: int | None
    largest_seen: int
    missed_periods: int | None


def summarise(latencies: NDArray[np.int64], period_ns: int | None = None) -> Summary:
    """Sum a recording up.

    Parameters
    ----------
    latencies : ndarray of int64, shape (n,)
        A recording, in ns; n at least 1.
    period_ns : int, optional
        Its period in ns.

    Returns
    -------
    Summary
        Its quantiles, each a latency that was recorded.

    Raises
    ------
    InputError
        If there is no row, more than one axis, or a negative latency.
    """
    latencies = np.asarray(latencies)
    if latencies.ndim != 1 or latencies.size == 0 or latencies.min() < 0:
        raise InputError(
            "host latency",
            "latencies",
            f"an array of shape {latencies.shape}",
            "one axis with at least one latency, none negative, is due",
        )
    ordered = np.sort(latencies)

    def quantile(part: int, of: int) -> int:
        # The smallest recorded value that part/of of the rows do not exceed, in whole numbers.
        return int(ordered[-(-ordered.size * part // of) - 1])

    return Summary(
        count=int(ordered.size),
        median=quantile(1, 2),
        p99=quantile(99, 100) if ordered.size >= 100 else None,
        p999=quantile(999, 1000) if ordered.size >= 1000 else None,
        largest_seen=int(ordered[-1]),
        missed_periods=None if period_ns is None else int((ordered > period_ns).sum()),
    )


def write_csv(
    path: Path | str,
    latencies: NDArray[np.int64],
    *,
    period_ns: int,
    load: int = 0,
    command: str = "",
    asked: int | None = None,
) -> None:
    """Write a recording as CSV, whole or not at all.

    Comment lines that begin with # say where it comes from; then come the columns index and
    latency_ns.

    Parameters
    ----------
    path : Path or str
        The file; one that is there is replaced in one step.
    latencies : ndarray of int64, shape (n,)
        The recording, in ns.
    period_ns : int
        Its period in ns.
    load : int, optional
        Processes that were kept busy alongside.
    command : str, optional
        The command that made it.
    asked : int, optional
        Wake-ups that were asked for, if the recording was cut short.

    Raises
    ------
    OutputError
        If the file cannot be written; an older one is left as it was.
    """
    made_by = printable(command) or "simlink.host_latency"
    head = [
        "wake-up latency: instant of waking up less the deadline",
        f"date: {datetime.now().astimezone().isoformat(timespec='seconds')}",
        f"machine: {platform.system()} {platform.machine()}",
        f"period: {period_ns} ns",
        f"load: {load} busy processes alongside",
        f"command: {made_by}",
    ]
    if asked is not None and asked != len(latencies):
        head.append(f"interrupted: {len(latencies)} of {asked} wake-ups recorded")
    head += [f"caution: {STAND_IN}", f"caution: {CAUTIONS}"]
    lines = [f"# {line}\n" for line in head]
    lines.append("index,latency_ns\n")
    lines += [f"{index},{late}\n" for index, late in enumerate(latencies.tolist())]
    write_whole(Path(path), "".join(lines).encode())


def format_ns(nanoseconds: float) -> str:
    """Return a time in ns with three digits and the unit that suits it, such as "53.2 us"."""
    return time_text(nanoseconds * 10**6, 3)


# Marks in colours that stay apart for every kind of colour vision, and in dashes of their own.
_MARKS: tuple[tuple[str, str, str, tuple[int, tuple[int, ...]]], ...] = (
    ("median", "median", "#0072b2", (0, ())),
    ("p99", "99 %", "#009e73", (0, (6, 2))),
    ("p999", "99.9 %", "#cc79a7", (0, (2, 1))),
    ("largest_seen", "largest seen", "#d55e00", (0, (6, 2, 1, 2))),
)


def plot_histogram(latencies: NDArray[np.int64], ax: Axes | None = None) -> Axes:
    """Draw how often each latency was seen, with marks at the quantiles.

    Parameters
    ----------
    latencies : ndarray of int64, shape (n,)
        A recording, in ns; n at least 1.
    ax : matplotlib Axes, optional
        Where to draw; a figure of its own when left out (``ax.figure``).

    Returns
    -------
    matplotlib Axes
        Latency in us on a logarithmic axis, wake-ups per bin on another.

    Raises
    ------
    InputError
        If there is no row, more than one axis, or a negative latency.
    """
    summary = summarise(latencies)
    if ax is None:
        from matplotlib.figure import Figure

        ax = Figure(figsize=(7.5, 4.2), layout="constrained").add_subplot()
    # A latency of 0 ns has no place on a logarithmic axis; it is drawn as 1 ns.
    microseconds = np.maximum(latencies, 1) / 1e3
    low, high = float(microseconds.min()), float(microseconds.max())
    edges = np.geomspace(low * 0.98, high * 1.02, 61)
    counts, _ = np.histogram(microseconds, edges)
    seen = counts > 0
    ax.bar(
        edges[:-1][seen],
        counts[seen],
        width=np.diff(edges)[seen],
        align="edge",
        color="#8fa3b5",
        edgecolor="white",
        linewidth=0.4,
        label="_wake-ups",
    )
    for name, label, colour, dash in _MARKS:
        value = getattr(summary, name)
        if value is not None:
            ax.axvline(
                max(value, 1) / 1e3,
                color=colour,
                linestyle=dash,
                linewidth=1.6,
                label=f"{label} {format_ns(value).replace('us', 'µs')}",
            )
    ax.set_xscale("log")
    ax.set_yscale("log")
    # A bin with a single wake-up, the rare late one, must still be seen.
    ax.set_ylim(0.5, 2 * float(counts.max()))
    title = f"Wake-up latency of this machine, {summary.count} wake-ups"
    ax.set_title(title, loc="left", pad=28)
    ax.set_xlabel("latency (µs)")
    ax.set_ylabel("wake-ups per bin (count)")
    ax.xaxis.set_major_formatter(lambda value, _: f"{value:g}")
    ax.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    _place_ticks(ax, decades=high >= 10 * low)
    ax.grid(axis="y", color="#d9dee3", linewidth=0.6)
    ax.set_axisbelow(True)
    ax.spines[["top", "right"]].set_visible(False)
    # Above the axes, where no mark can run through it.
    ax.legend(
        frameon=False,
        loc="lower left",
        bbox_to_anchor=(0, 1),
        borderaxespad=0.2,
        ncols=len(_MARKS),
        columnspacing=1.4,
        fontsize="small",
    )
    return ax


def _place_ticks(ax: Axes, decades: bool) -> None:
    """Label 1, 2 and 5 of each decade, or round steps where there is less than a decade."""
    from matplotlib.ticker import LogLocator, MaxNLocator, NullLocator

    ax.xaxis.set_major_locator(LogLocator(subs=(1, 2, 5)) if decades else MaxNLocator(6))
    ax.xaxis.set_minor_locator(NullLocator())


def save_figure(figure: Figure, stem: Path | str) -> list[Path]:
    """Write a figure as SVG and as PNG, each whole or not at all.

    Parameters
    ----------
    figure : matplotlib Figure
        What to write.
    stem : Path or str
        The files' path without its ending.

    Returns
    -------
    list of Path
        The two files.

    Raises
    ------
    OutputError
        If one cannot be written.
    """
    import io

    import matplotlib as mpl

    paths = []
    # A fixed salt and no date: the same recording gives the same bytes.
    with mpl.rc_context({"svg.hashsalt": "simlink"}):
        for kind in ("svg", "png"):
            drawn = io.BytesIO()
            metadata = {"Date": None} if kind == "svg" else None
            figure.savefig(drawn, format=kind, dpi=150, metadata=metadata)
            path = Path(f"{stem}.{kind}")
            write_whole(path, drawn.getvalue())
            paths.append(path)
    return paths
