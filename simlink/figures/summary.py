"""The figures of a run, by name, each estimate with its interval over independent trials."""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from simlink.base.instants import FS_PER_SECOND
from simlink.figures.events import events
from simlink.figures.figure import (
    Figure,
    at_share,
    if_enough,
    in_order,
    per_event,
    per_hour,
    rate,
    root,
    share,
    units,
)
from simlink.figures.intervals import CONFIDENCE
from simlink.figures.latencies import Latencies
from simlink.figures.span import spans
from simlink.figures.tally import Tally
from simlink.link.repeat import repeats
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
    Fate.DROPPED,
)
REPEATED = "asked for once more, since the check of their frame failed"
MENDED = "asked for once more, and delivered after all"
QUANTILES = {"median": 0.5, "p99": 0.99, "p999": 0.999}


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
    return dict(zip(found, in_order(list(found.values())), strict=True))


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
    came later. It is busy from the start of a service to the end of its last read, also for frames
    that nobody asked for, and where it finds no frame to read. The sampling jitter is pooled over
    trials, each with its own mean delay.
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
    rest = at_share(offered, share(delivered, sent - in_flight, confidence=confidence))
    rest, offered = in_order([rest, offered])
    over = np.maximum(span, np.maximum(tally.end, tally.until) - first)
    busy = rate(tally.busy, over, "1", confidence)
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
        "throughput_delivered": rest,
        "fifo_occupancy_max": Figure(
            float(tally.fullest) if tally.filling.any() else None, unit="frames"
        ),
        "host_busy_share": if_enough(busy, total, scenario.host.service_latency),
        "sampling_jitter_rms": if_enough(jitter, total, *jitters),
    }
