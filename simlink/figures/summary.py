"""The figures of a run, by name, each estimate with its interval over independent trials."""

from __future__ import annotations

from dataclasses import asdict, dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.base import wording
from simlink.base.instants import FS_PER_SECOND, Times
from simlink.figures import intervals
from simlink.figures.events import events
from simlink.figures.intervals import CONFIDENCE
from simlink.figures.latencies import Latencies
from simlink.figures.rare import FEWEST, rare_draws
from simlink.figures.span import spans
from simlink.figures.tally import Tally
from simlink.link.repeat import repeats
from simlink.records import Fate

if TYPE_CHECKING:
    from simlink.scenario.law import Distribution
    from simlink.scenario.schema import Scenario

#: The fates of a conversion that is lost; one that only waits at the end is not.
LOST = (
    Fate.MISSED_TRIGGER,
    Fate.OVERRUN,
    Fate.UNDERRUN,
    Fate.CORRUPTED,
    Fate.NOT_RECEIVED,
    Fate.DROPPED,
)
REPEATED = "asked for once more, since the check of their frame failed"
MENDED = "asked for once more, and delivered after all"
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
        Its confidence interval; None where the run supports none. Where one end alone is None,
        the other bounds it with half the chance to be wrong.
    confidence : float or None
        The confidence of that interval.
    count, of : int or None
        Events, and among how many.
    unit : str
        ``"1"`` for a share, ``"s"``, ``"words/s"``, ``"frames"``, ``"triggers"``.
    conversions : int or None
        Of a share of words: in how many conversions they were. Words of one conversion are never
        independent of each other; conversions may be.
    note : str or None
        What the figure covers, where its name does not tell.
    instead : str or None
        What a table says in the interval's place: why the run is too short for one, or that the
        interval is but the bound of what was not seen.
    """

    value: float | None
    low: float | None = None
    high: float | None = None
    confidence: float | None = None
    count: int | None = None
    of: int | None = None
    unit: str = "1"
    conversions: int | None = None
    note: str | None = None
    instead: str | None = None

    @property
    def none_or_all(self) -> bool:
        """Whether it is a share of which none was seen, or nothing else."""
        return self.unit == "1" and self.count is not None and self.count in (0, self.of)

    def text(self) -> str:
        """Return the figure for a table, with no more digits than its interval supports."""
        if self.none_or_all:
            return "0 seen" if self.count == 0 else "all"
        if self.value is None:
            return "-"
        if self.unit == "triggers":
            return f"{self.count}"
        said = wording.estimate(self.value, self._width(), self.unit)
        if self.count is not None and self.unit == "1" and float(said) == 1:
            # Nearly all is not all.
            return f"all but {wording.estimate(1 - self.value, self._width(), self.unit)}"
        return said

    def _width(self) -> float | None:
        return None if self.low is None or self.high is None else self.high - self.low

    def interval(self) -> str:
        """Return the interval with the digits that its own width leaves meaning to.

        One end alone is said as a bound, and so is what is known of a share of which none was
        seen, or nothing else; `instead` stands before all.
        """
        low, high = self.low, self.high
        if self.none_or_all:
            return self.bounds()
        if self.instead is not None:
            return self.instead
        if low is None and high is None:
            return ""
        if low is None or high is None:
            end = low if high is None else high
            assert end is not None
            said = wording.estimate(end, None, self.unit)
            return f"{said} or more" if high is None else f"{said} or less"
        if self.unit == "1" and self.count is not None and high < 1:
            width = high - low
            if float(wording.estimate(high, width, "1")) == 1:
                return f"all but {wording.interval(1 - high, 1 - low, '1')}"
        return wording.interval(low, high, self.unit)

    def bounds(self) -> str:
        """Return how far none (or nothing else) seen bounds a share, by boards and by words.

        Returns
        -------
        str
            Such as ``"below 12 % of boards; below 2.5e-4 if words are independent"``: a thing that
            more boards have would not have spared all those that were run; a thing that happens
            to more words, one word independent of the other, would not have spared all of them.
            Rounded to the side that keeps them. Empty for any other figure, and where nothing
            was tried.
        """
        if not self.none_or_all or not self.of:
            return ""
        none = self.count == 0
        units = self.high if none else None if self.low is None else 1 - self.low
        if units is None:
            return ""
        said = [f"{wording.bound_percent(units, none)} of boards"]
        if self.conversions:
            tries = "words" if self.conversions == self.of else "conversions"
            most = wording.bound(intervals.nothing_seen(self.conversions), none)
            said.append(f"{most} if {tries} are independent")
        return "; ".join(said)


def share(counts: Times, of: Times, words: int = 1, confidence: float = CONFIDENCE) -> Figure:
    """Return a share of conversions whose events are clustered in trials.

    Parameters
    ----------
    counts, of : ndarray of int64, shape (T,)
        Events and conversions in each trial.
    words : int
        Words in a conversion; ``count`` and ``of`` are in words.
    confidence : float
        Of its interval.
    """
    total, tries = int(counts.sum()), int(of.sum())
    low, high = intervals.share(counts, of, confidence)
    return Figure(
        value=total / tries if total else None,
        low=low,
        high=high,
        confidence=None if low is None and high is None else confidence,
        count=total * words,
        of=tries * words,
        conversions=tries,
    )


def units(failing: Any, confidence: float = CONFIDENCE) -> Figure:
    """Return the share of boards in which a thing happened at all."""
    count, of = int(failing.sum()), len(failing)
    low, high = intervals.middle(count, of, confidence)
    return Figure(count / of if count else None, low, high, confidence, count, of)


def rate(above: Any, below: Any, unit: str, confidence: float = CONFIDENCE) -> Figure:
    """Return a ratio of two sums over trials, such as words over the time in which they came.

    Parameters
    ----------
    above, below : array_like, shape (T,)
        What each trial adds to either sum; nothing is below zero.
    unit : str
        Of the ratio; a share of time (``"1"``) is at most 1.
    confidence : float
        Of its interval.
    """
    total = float(np.sum(below))
    if total == 0:
        return Figure(None, unit=unit)
    low, high = intervals.ratio(above, below, confidence)
    if low is None or high is None:
        return Figure(float(np.sum(above)) / total, unit=unit)
    low, high = max(low, 0.0), min(high, 1.0) if unit == "1" else high
    return Figure(float(np.sum(above)) / total, low, high, confidence, unit=unit)


def at_share(offered: Figure, delivered: Figure) -> Figure:
    """Return the rate of what is left of a rate when a share of it is delivered."""
    if offered.value is None or delivered.count is None or not delivered.of:
        return Figure(None, unit=offered.unit)
    values = offered.value, delivered.count / delivered.of
    known = (offered.low, offered.high), (delivered.low, delivered.high)
    low, high = intervals.product(*known, values)
    confidence = None if low is None else offered.confidence
    found = Figure(values[0] * values[1], low, high, confidence, unit=offered.unit)
    if delivered.count < delivered.of:
        return found
    # A lower end far below it would read as if words had been lost.
    note = "the lower end is the bound of what may be lost, by boards"
    return replace(found, note=note, instead="nothing lost: all that is offered")


def per_hour(offered: Figure, harmed: Figure) -> Figure:
    """Return how many words a share of what is offered makes in an hour."""
    count, of, unit = harmed.count, harmed.of, "words/h"
    if offered.value is None or count is None or not of:
        return Figure(None, count=count, of=of, unit=unit)
    hourly = [None if one is None else one * 3600 for one in (offered.low, offered.high)]
    values = offered.value * 3600, count / of
    low, high = intervals.product((hourly[0], hourly[1]), (harmed.low, harmed.high), values)
    value = values[0] * values[1] if count else None
    return Figure(
        value, low, high, None if low is None else harmed.confidence, count=count, of=of, unit=unit
    )


def per_event(harmed: Figure, events: float) -> Figure:
    """Return how many words a share of all makes for each of some common-mode events."""
    unit, note = "words/event", "whatever they are due to, for each event that comes"
    if not events or not harmed.of:
        return Figure(None, count=harmed.count, of=harmed.of, unit=unit, note=note)
    value, low, high = (
        None if one is None else one * harmed.of / events
        for one in (harmed.value, harmed.low, harmed.high)
    )
    return replace(harmed, value=value, low=low, high=high, unit=unit, conversions=None, note=note)


#: With fewer units in which anything was wrong, how much they differ is not known well enough.
_FEWEST_UNITS = 10


def recovery(tally: Tally, confidence: float) -> dict[str, Figure]:
    """Return after how many conversions the link is right again: the mean, and the most seen.

    Counted from the first conversion that is wrong, lost or misaligned to the next that is none
    of these; at the end of a trial as far as it goes.
    """
    runs = int(tally.spells.sum())
    note = "conversions in a row that are wrong, lost or misaligned"
    mean = replace(
        rate(tally.damaged, tally.spells, "conversions", confidence), count=runs, note=note
    )
    units_with = int((tally.spells > 0).sum())
    if mean.low is not None and units_with < _FEWEST_UNITS:
        said = f"too few boards with any: {units_with}"
        mean = replace(mean, low=None, high=None, confidence=None, instead=said)
    longest = float(tally.longest.max()) if runs else None
    most = Figure(longest, count=runs, unit="conversions", note=note)
    return {"recovery_frames": mean, "recovery_frames_largest_seen": most}


def unrequested(tally: Tally, confidence: float) -> Figure:
    """Return how many frames came that no trigger asked for, for each trigger."""
    note = "frames that no trigger asked for, to each trigger"
    sent, found = tally.sent, tally.unrequested
    if found.any():
        ratio = rate(found, sent, "1", confidence)
        return replace(ratio, count=int(found.sum()), of=int(sent.sum()), note=note)
    return replace(share(found, sent, confidence=confidence), note=note)


def root(figure: Figure, unit: str) -> Figure:
    """Return the square root of a figure that is not below zero."""
    ends = [None if one is None else one**0.5 for one in (figure.value, figure.low, figure.high)]
    return replace(figure, value=ends[0], low=ends[1], high=ends[2], unit=unit)


def if_enough(figure: Figure, draws: int, *laws: Distribution) -> Figure:
    """Return a figure, without its interval if the run is too short for the laws it rests on.

    Parameters
    ----------
    figure : Figure
        The figure.
    draws : int
        How often each law was drawn from.
    *laws : Distribution
        The laws that make it differ between trials.
    """
    fewest = min(rare_draws(law, draws) for law in laws)
    if figure.low is None or fewest >= FEWEST:
        return figure
    instead = f"too few rare draws: about {wording.share(fewest)} expected"
    return replace(figure, low=None, high=None, confidence=None, instead=instead)


def latency(
    latencies: Latencies, name: str, note: str, confidence: float = CONFIDENCE
) -> dict[str, Figure]:
    """Return the quantiles of a latency, and the largest value seen, in seconds.

    Parameters
    ----------
    latencies : Latencies
        The values.
    name : str
        What the names of the figures begin with.
    note : str
        What is among the values.
    confidence : float
        Of their intervals.
    """
    found = {}
    for label, q in QUANTILES.items():
        value, (low, high) = latencies.quantile(q, confidence)
        found[f"{name}_{label}"] = Figure(
            _seconds(value),
            _seconds(low),
            _seconds(high),
            None if low is None and high is None else confidence,
            count=latencies.count,
            unit="s",
            note=note,
        )
    largest = None if latencies.largest is None else float(latencies.largest)
    found[f"{name}_largest_seen"] = Figure(
        _seconds(largest), count=latencies.count, unit="s", note=note
    )
    return found


def _seconds(femtoseconds: float | None) -> float | None:
    return None if femtoseconds is None else femtoseconds / FS_PER_SECOND


def figures(scenario: Scenario, tally: Tally, confidence: float = CONFIDENCE) -> dict[str, Figure]:
    """Return every figure of a run.

    Parameters
    ----------
    scenario : Scenario
        What was run.
    tally : Tally
        What its records add up to, over all trials.
    confidence : float
        Of every interval.

    Returns
    -------
    dict of str to Figure
        In the order of the printed table.

    Notes
    -----
    Throughput is over the time from the first trigger to the end of the last one's period
    (`span.spans`). What is delivered is the part of what is offered that became of it: words of
    triggers in that time, delivered among all whose fate is known. Those still in flight at the
    end of a trial count neither way, so that a short run is not taken for a lossy one; those
    delivered after the last trigger's period count, so that a host that falls behind, and loses
    nothing yet, delivers what is offered.
    The host's busy share is over the same time, or up to the last thing that happened if that
    came later. The sampling jitter is pooled over trials, each with its own mean delay.
    Dropped: of a frame that the host does not use, since its check failed; where there is a check.
    Repeated: asked for once more, since its check failed; mended: of those, delivered.
    Lost: missing from the host's record, as what is dropped is; misaligned: taken for another
    conversion, or for none;
    flagged: by the fault line, where there is one, whatever became of them;
    silent: wrong, lost or misaligned, and nobody says so (`association`). A word that is wrong
    and misaligned counts as both, and once as silent.
    Latencies to the release are those of all frames that were released, latencies to the last
    bit those of all that were read but those read before their bits had come.
    """
    words = scenario.words
    sent = tally.sent
    corrupted = tally.of_fate(Fate.CORRUPTED)
    missed, overrun = tally.of_fate(Fate.MISSED_TRIGGER), tally.of_fate(Fate.OVERRUN)
    underrun, delivered = tally.of_fate(Fate.UNDERRUN), tally.of_fate(Fate.DELIVERED)
    in_flight = tally.of_fate(Fate.IN_FLIGHT)
    span = spans(scenario, tally)
    first = np.where(sent > 0, tally.first_due, 0)
    jitters = (
        scenario.trigger.jitter,
        scenario.barrier.direction("forward").jitter,
        scenario.converter.aperture_jitter,
    )
    offered = if_enough(
        rate(sent * words, span / FS_PER_SECOND, "words/s", confidence),
        tally.count,
        scenario.trigger.tolerance,
    )
    busy = rate(tally.busy, np.maximum(span, tally.end - first), "1", confidence)
    sampled = tally.sampled > 1
    variance = rate(
        tally.sampling_squares_within()[sampled] / FS_PER_SECOND**2,
        tally.sampled[sampled] - 1,
        "s^2",
        confidence,
    )
    jitter = root(variance, "s")
    total = int(sent.sum())
    silent = share(tally.silent, sent, words, confidence)
    dropped = {"dropped": share(tally.of_fate(Fate.DROPPED), sent, words, confidence)}
    asked = {}
    if repeats(scenario):
        asked["repeated"] = replace(share(tally.repeated, sent, words, confidence), note=REPEATED)
        asked["mended"] = replace(share(tally.mended, sent, words, confidence), note=MENDED)
    flagged = {"flagged": share(tally.flagged, sent, words, confidence)}
    each = {}
    if scenario.transient:
        came = events(scenario, tally, span)
        each["damaged_per_event"] = per_event(share(tally.damaged, sent, words, confidence), came)
        each["silent_per_event"] = per_event(silent, came)
    return {
        "triggers": Figure(
            float(total), count=total, of=scenario.trials * scenario.conversions, unit="triggers"
        ),
        "delivered": share(delivered, sent, words, confidence),
        "missed_trigger": share(missed, sent, words, confidence),
        "overrun": share(overrun, sent, words, confidence),
        "underrun": share(underrun, sent, words, confidence),
        "corrupted_flagged": share(tally.wrong_told, sent, words, confidence),
        "corrupted_silent": share(corrupted - tally.wrong_told, sent, words, confidence),
        "not_received": share(tally.of_fate(Fate.NOT_RECEIVED), sent, words, confidence),
        **(dropped if scenario.check.tells else {}),
        **asked,
        "in_flight": share(in_flight, sent, words, confidence),
        "timed_out": share(tally.timed_out, sent, words, confidence),
        "short_acquisition": share(tally.short, sent, words, confidence),
        "lost_told": share(tally.lost_told, sent, words, confidence),
        "lost_silent": share(tally.lost_silent, sent, words, confidence),
        "misaligned_told": share(tally.misaligned_told, sent, words, confidence),
        "misaligned_silent": share(tally.misaligned_silent, sent, words, confidence),
        **(flagged if scenario.fault.threshold is not None else {}),
        "silent": silent,
        "unrequested": unrequested(tally, confidence),
        "silent_per_hour": per_hour(offered, silent),
        **each,
        **recovery(tally, confidence),
        "boards_missed_trigger": units(missed > 0, confidence),
        "boards_overrun": units(overrun > 0, confidence),
        "boards_underrun": units(underrun > 0, confidence),
        "boards_corrupted": units(corrupted > 0, confidence),
        "boards_failing": units(sum(tally.of_fate(fate) for fate in LOST) > 0, confidence),
        **latency(tally.to_release, "latency_release", "of frames that were released", confidence),
        **latency(
            tally.to_read, "latency_read", "of frames read, but those read too early", confidence
        ),
        "throughput_offered": offered,
        "throughput_delivered": at_share(
            offered, share(delivered, sent - in_flight, confidence=confidence)
        ),
        "fifo_occupancy_max": Figure(
            float(tally.fullest) if tally.filling.any() else None, unit="frames"
        ),
        "host_busy_share": if_enough(busy, total, scenario.host.service_latency),
        "sampling_jitter_rms": if_enough(jitter, total, *jitters),
    }


def plain(found: dict[str, Figure]) -> dict[str, dict[str, Any]]:
    """Return figures as plain JSON-ready dictionaries."""
    return {name: asdict(figure) for name, figure in found.items()}
