"""Uncertainty: where else an edge could have been, given the edge that caused it.

For each edge the range of the laws between its cause and itself: their support, or three
standard deviations about the mean where that has no bound. Ranges add up.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from simlink.base.instants import FS_PER_SECOND, NEVER
from simlink.link.channel import fixed_part
from simlink.pictures.diagram.tracks import crossings
from simlink.scenario.quantities import PARTS

if TYPE_CHECKING:
    from simlink.pictures.diagram.tracks import Track
    from simlink.pictures.diagram.window import View
    from simlink.scenario.distributions import Distribution
    from simlink.scenario.schema import Scenario
    from simlink.scenario.sections import Direction

#: Whose edges have bands, in the order of a frame's way.
_WAY = {
    "host.trigger": 0,
    "remote.trigger": 0,
    "remote.busy": 1,
    "remote.clock": 1,
    "fifo.push": 2,
    "fifo.release": 3,
    "host.read": 4,
}


@dataclass(frozen=True)
class Band:
    """Where one edge of a track may lie, in fs."""

    track: str
    edge: int
    low: int
    high: int


def reach(law: Distribution) -> tuple[float, float]:
    """Return the least and largest value of a law, by three standard deviations if unbounded."""
    low, high = law.support
    sigma = math.sqrt(law.variance)
    if not math.isfinite(low):
        low = law.mean - 3 * sigma
    if not math.isfinite(high):
        high = law.mean + 3 * sigma
    return low, high


def bands(view: View, drawn: list[Track]) -> list[Band]:
    """Return the band of every edge that is drawn and not fixed by its cause."""
    names = {track.name for track in drawn}
    found = [
        Band(track, edge, round(cause + low), round(cause + high))
        for track, edge, cause, (low, high) in (*_caused(view), *_ways(view, drawn))
        if track in names and high > low and view.start <= edge <= view.end
    ]
    return [band for band in found if band.low <= band.edge <= band.high]


_Caused = Iterator[tuple[str, int, float, tuple[float, float]]]


def _crossing(
    way: Direction, skew: Distribution | None, distortion: tuple[float, float] = (0.0, 0.0)
) -> tuple[float, float]:
    """Return the range of a symbol's crossing, jitter included, for an edge's distortion."""
    skews = (0.0, 0.0) if skew is None else reach(skew)
    low, high = zip(reach(way.delay), reach(way.part_to_part_skew), skews, distortion, strict=True)
    least, most = reach(way.jitter)
    return fixed_part(way, *low) + least, fixed_part(way, *high) + most


def _caused(view: View) -> _Caused:
    """Give the edges whose cause is on their own side, and what crosses with a remote master."""
    scenario, due = view.trace.scenario, view.trace.record.due[0]
    forward, back = scenario.barrier.direction("forward"), scenario.barrier.direction("return")
    skews = back.lane_skews(scenario.frame.lanes)
    bits = scenario.barrier.return_.style == "bits"
    falls = {one.time for one in view.trace.changes if one[1:3] == ("host.busy", 0)}
    laws = {
        "remote.trigger": _crossing(forward, None),
        "rise of remote.busy": reach(scenario.converter.busy_delay),
        "fall of remote.busy": reach(scenario.converter.conversion_time),
        "host.service": reach(scenario.host.service_latency),
        "fifo.release": reach(scenario.fifo.sync_delay),
    }
    changes = [one for one in view.trace.changes if one.family in _WAY]
    changes.sort(key=lambda one: (_WAY[one.family], one.lane or 0, one.conversion or 0))
    for time, signal, value, conversion, lane, bit, since, why in changes:
        if signal == "host.trigger" and due[conversion] != NEVER:
            yield signal, time, int(due[conversion]), reach(scenario.trigger.jitter)
        if since is None:
            continue
        if signal == "remote.trigger" and scenario.trigger.source == "host":
            yield signal, time, since, laws[signal]
        elif signal == "remote.busy":
            yield signal, time, since, laws[f"{'rise' if value else 'fall'} of remote.busy"]
        elif signal == "remote.clock" and why == "remote.busy" and bit is not None:
            yield signal, time, since, _clocked(scenario, 2 * bit + 2 - value)
        elif lane is not None and why == "remote.capture" and bits:
            yield signal, time, since, _crossing(back, skews[lane])
        elif signal == "fifo.release" and time in falls:
            yield "host.busy", time, since, laws[signal]
        elif signal == "host.read" and why == "host.service":
            yield signal, time, since, laws[why]


def _clocked(scenario: Scenario, number: int) -> tuple[float, float]:
    """Return the range of an edge of the remote clock, counted from 1, from the fall of busy."""
    remote = scenario.remote_clock
    late, soon = reach(remote.tolerance)[0] / PARTS, reach(remote.tolerance)[1] / PARTS
    span = number * float(Fraction(FS_PER_SECOND) / remote.frequency.value / 2)
    low, high = reach(remote.start_delay)
    return low + span / (1 + soon), high + span / (1 + late)


def _ways(view: View, drawn: list[Track]) -> _Caused:
    """Give what crosses the barrier where the host's own clock reads the converter."""
    scenario = view.trace.scenario
    if scenario.link.scheme == "remote_master":
        return
    for one in crossings(view.trace, drawn):
        name, _, lane = one.target.rstrip("]").partition("[")
        if name == "remote.trigger":
            continue
        way = scenario.barrier.direction("forward" if name == "remote.clock" else "return")
        if lane:
            skew: Distribution | None = way.lane_skews(scenario.frame.lanes)[int(lane)]
        else:
            # A list of skews names the lanes alone.
            skew = None if isinstance(way.channel_skew, tuple) else way.channel_skew
        short, long = reach(way.pulse_width_distortion)
        if lane:
            # Of data the slower of its two edges counts.
            short, long = max(short, 0.0), max(long, 0.0)
        elif not one.falling:
            short, long = 0.0, 0.0
        yield one.target, one.end, one.start, _crossing(way, skew, (short, long))
