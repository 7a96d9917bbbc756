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

import numpy as np
from numpy.typing import NDArray

from simlink.base.errors import InputError
from simlink.base.latency_table import write_latencies

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
    with contextlib.ExitStack() as processes:
        pipes = []
        for _ in range(load):
            process = subprocess.Popen(
                [sys.executable, "-c", _BUSY],
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
            )
            # Killed first, then waited for and its pipe closed.
            processes.enter_context(process)
            processes.callback(process.kill)
            pipes.append(process.stdout)
        for pipe in pipes:
            assert pipe is not None
            pipe.read(1)
        yield


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

    def quantile(part: int, of: int) -> int | None:
        # The smallest recorded value that part/of of the rows do not exceed, in whole numbers.
        return int(ordered[-(-ordered.size * part // of) - 1]) if ordered.size >= of else None

    return Summary(
        count=ordered.size,
        median=int(ordered[(ordered.size - 1) // 2]),
        p99=quantile(99, 100),
        p999=quantile(999, 1000),
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
    """Write a recording in ns as CSV, with where it comes from; see `write_latencies`.

    Load is the processes that were kept busy alongside, the command what made it, and `asked` how
    many wake-ups were asked for, if the recording was cut short.
    """
    head = [
        "wake-up latency: instant of waking up less the deadline",
        f"date: {datetime.now().astimezone().isoformat(timespec='seconds')}",
        f"machine: {platform.system()} {platform.machine()}",
        f"period: {period_ns} ns",
        f"load: {load} busy processes alongside",
        f"command: {command or 'simlink.host_latency'}",
    ]
    if asked is not None and asked != len(latencies):
        head.append(f"interrupted: {len(latencies)} of {asked} wake-ups recorded")
    write_latencies(path, [*head, f"caution: {STAND_IN}"], latencies.tolist())
