"""The figures of a run, by name, each estimate with its interval over independent trials."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.base import wording
from simlink.base.instants import FS_PER_SECOND, Times
from simlink.figures import intervals
from simlink.figures.intervals import CONFIDENCE
from simlink.figures.latencies import Latencies
from simlink.figures.tally import Tally
from simlink.records import Fate

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario

#: The fates of a conversion that is lost; one that only waits at the end is not.
LOST = (
    Fate.MISSED_TRIGGER,
    Fate.OVERRUN,
    Fate.UNDERRUN,
    Fate.CORRUPTED,
    Fate.NOT_RECEIVED,
)
QUANTILES = {"median": 0.5, "p99": 0.99, "p999": 0.999}


@dataclass(frozen=True)
class Figure:
    """One figure.

    Attributes
    ----------
    value : float or None
        The estimate; None if the run gives none. A share of which no event was seen has no
        value, only an upper bound.
    low, high : float or None
        Its confidence interval; None where the run supports none.
    confidence : float or None
        The confidence of that interval.
    count, of : int or None
        Events, and among how many.
    unit : str
        ``"1"`` for a share, ``"s"``, ``"words/s"``, ``"frames"``, ``"triggers"``.
    """

    value: float | None
    low: float | None = None
    high: float | None = None
    confidence: float | None = None
    count: int | None = None
    of: int | None = None
    unit: str = "1"

    def text(self) -> str:
        """Return the figure for a table, with no more digits than its interval supports."""
        if self.unit == "1" and self.count == 0:
            return "none seen" if self.high is None else f"< {wording.share(self.high)}"
        if self.value is None:
            return "-"
        if self.unit == "triggers":
            return f"{self.count}"
        width = None
        if self.low is not None and self.high is not None:
            width = self.high - self.low
        return wording.estimate(self.value, width, self.unit)

    def interval(self) -> str:
        """Return the interval with the digits that its own width leaves meaning to."""
        low, high = self.low, self.high
        if low is None or high is None:
            return ""
        if self.count == 0 and self.unit == "1":
            return "upper bound"
        return wording.interval(low, high, self.unit)


def share(counts: Times, of: Times, words: int = 1) -> Figure:
    """Return a share of conversions whose events are clustered in trials.

    Parameters
    ----------
    counts, of : ndarray of int64, shape (T,)
        Events and conversions in each trial.
    words : int
        Words in a conversion; ``count`` and ``of`` are in words.
    """
    total, tries = int(counts.sum()), int(of.sum())
    low, high = intervals.share(counts, of)
    return Figure(
        value=total / tries if total else None,
        low=low,
        high=high,
        confidence=None if low is None and high is None else CONFIDENCE,
        count=total * words,
        of=tries * words,
    )


def units(failing: Any) -> Figure:
    """Return the share of units in which a thing happened at all."""
    count, of = int(failing.sum()), len(failing)
    if count:
        low, high = intervals.clopper_pearson(count, of)
    else:
        low, high = 0.0, intervals.nothing_seen(of)
    return Figure(count / of if count else None, low, high, CONFIDENCE, count, of)


def average(values: Any, unit: str) -> Figure:
    """Return the mean over trials of a quantity that each trial has one value of."""
    if len(values) == 0:
        return Figure(None, unit=unit)
    low, high = intervals.mean(values)
    return Figure(float(np.mean(values)), low, high, None if low is None else CONFIDENCE, unit=unit)


def latency(latencies: Latencies, name: str) -> dict[str, Figure]:
    """Return the quantiles of a latency, and the largest value seen, in seconds."""
    found = {}
    for label, q in QUANTILES.items():
        value, (low, high) = latencies.quantile(q)
        found[f"{name}_{label}"] = Figure(
            _seconds(value),
            _seconds(low),
            _seconds(high),
            None if low is None and high is None else CONFIDENCE,
            count=latencies.count,
            unit="s",
        )
    largest = None if latencies.largest is None else float(latencies.largest)
    found[f"{name}_largest_seen"] = Figure(_seconds(largest), count=latencies.count, unit="s")
    return found


def _seconds(femtoseconds: float | None) -> float | None:
    return None if femtoseconds is None else femtoseconds / FS_PER_SECOND


def figures(scenario: Scenario, tally: Tally) -> dict[str, Figure]:
    """Return every figure of a run.

    Parameters
    ----------
    scenario : Scenario
        What was run.
    tally : Tally
        What its records add up to, over all trials.

    Returns
    -------
    dict of str to Figure
        In the order of the printed table.
    """
    words = scenario.words
    sent = tally.sent
    corrupted = tally.of_fate(Fate.CORRUPTED)
    none = np.zeros_like(corrupted)
    missed, overrun = tally.of_fate(Fate.MISSED_TRIGGER), tally.of_fate(Fate.OVERRUN)
    underrun, delivered = tally.of_fate(Fate.UNDERRUN), tally.of_fate(Fate.DELIVERED)
    ran = tally.last_trigger > 0
    offered = sent[ran] * words / (tally.last_trigger[ran] / FS_PER_SECOND)
    received = delivered[ran] * words / (tally.end[ran] / FS_PER_SECOND)
    total = int(sent.sum())
    return {
        "triggers": Figure(
            float(total), count=total, of=scenario.trials * scenario.conversions, unit="triggers"
        ),
        "delivered": share(delivered, sent, words),
        "missed_trigger": share(missed, sent, words),
        "overrun": share(overrun, sent, words),
        "underrun": share(underrun, sent, words),
        # Nothing in this version raises a flag, so every wrong bit is silent.
        "corrupted_flagged": share(none, sent, words),
        "corrupted_silent": share(corrupted, sent, words),
        "not_received": share(tally.of_fate(Fate.NOT_RECEIVED), sent, words),
        "in_flight": share(tally.of_fate(Fate.IN_FLIGHT), sent, words),
        "timed_out": share(tally.timed_out, sent, words),
        "short_acquisition": share(tally.short, sent, words),
        "units_missed_trigger": units(missed > 0),
        "units_overrun": units(overrun > 0),
        "units_underrun": units(underrun > 0),
        "units_corrupted": units(corrupted > 0),
        "units_failing": units(sum(tally.of_fate(fate) for fate in LOST) > 0),
        **latency(tally.to_release, "latency_release"),
        **latency(tally.to_read, "latency_read"),
        "throughput_offered": average(offered, "words/s"),
        "throughput_delivered": average(received, "words/s"),
        "fifo_occupancy_max": Figure(
            float(tally.fullest) if tally.filling.any() else None, unit="frames"
        ),
        "host_busy_share": average(tally.busy[ran] / tally.end[ran], "1"),
        "sampling_jitter_rms": average(
            tally.sampling_jitter()[tally.sampled > 1] / FS_PER_SECOND, "s"
        ),
    }


def plain(found: dict[str, Figure]) -> dict[str, dict[str, Any]]:
    """Return figures as plain JSON-ready dictionaries."""
    return {name: asdict(figure) for name, figure in found.items()}
