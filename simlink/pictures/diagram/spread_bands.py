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
from simlink.pictures.diagram.tracks import crossings
from simlink.tracing.edges import (
    by_conversion,
    captures,
    first_after,
    lanes_of,
    pushes,
    services_of,
)

if TYPE_CHECKING:
    from simlink.pictures.diagram.tracks import Track
    from simlink.pictures.diagram.window import View
    from simlink.scenario.distributions import Distribution

_PARTS = 10**12


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
        for track, edge, cause, (low, high) in (
            *_triggers(view),
            *_converter(view),
            *_pushes(view),
            *_host(view),
            *_ways(view, drawn),
        )
        if track in names and high > low and view.start <= edge <= view.end
    ]
    return [band for band in found if band.low <= band.edge <= band.high]


_Caused = Iterator[tuple[str, int, float, tuple[float, float]]]


def _sum(*laws: Distribution) -> tuple[float, float]:
    reaches = [reach(law) for law in laws]
    return sum(low for low, _ in reaches), sum(high for _, high in reaches)


def _triggers(view: View) -> _Caused:
    scenario, record = view.trace.scenario, view.trace.record
    forward = scenario.barrier.direction("forward")
    left = by_conversion(view.edges, "host.trigger")
    arrived = by_conversion(view.edges, "remote.trigger")
    for index, time in left.items():
        due = int(record.due[0, index])
        if due != NEVER:
            yield "host.trigger", time, due, reach(scenario.trigger.jitter)
        if index in arrived and scenario.trigger.source == "host":
            law = _sum(forward.delay, forward.spread, forward.jitter)
            yield "remote.trigger", arrived[index], time, law


def _converter(view: View) -> _Caused:
    law, remote = view.trace.scenario.converter, view.trace.scenario.remote_clock
    busy = view.edges.get("remote.busy", [])
    rises = [time for time, level in busy if level]
    falls = [time for time, level in busy if not level]
    clock = view.edges.get("remote.clock", [])
    times = [time for time, _ in clock]
    late, soon = reach(remote.tolerance)[0] / _PARTS, reach(remote.tolerance)[1] / _PARTS
    half = float(Fraction(FS_PER_SECOND) / remote.frequency.value / 2)
    starts = [time for time, _ in view.edges.get("remote.trigger", [])]
    for place, time in enumerate(starts):
        rise, fall = first_after(rises, time), first_after(falls, time)
        if rise is not None:
            yield "remote.busy", rise, time, reach(law.busy_delay)
        if fall is None:
            continue
        yield "remote.busy", fall, time, reach(law.conversion_time)
        if view.trace.scenario.link.scheme != "remote_master":
            continue
        low, high = reach(remote.start_delay)
        end = starts[place + 1] if place + 1 < len(starts) else None
        number = 0
        for edge in times:
            if edge < fall or (end is not None and edge > end):
                continue
            number += 1
            span = number * half
            yield "remote.clock", edge, fall, (low + span / (1 + soon), high + span / (1 + late))


def _pushes(view: View) -> _Caused:
    scenario = view.trace.scenario
    if scenario.barrier.return_.style != "bits":
        return
    back = scenario.barrier.direction("return")
    skews = back.lane_skews(scenario.frame.lanes)
    captured = {(index, bit): time for index, bit, time in captures(view.edges)}
    for lane, line in lanes_of(view.edges, "fifo.push"):
        law = _sum(back.delay, back.spread, back.jitter, skews[lane])
        for index, bit, time in pushes(view.edges, line):
            if (index, bit) in captured:
                yield f"fifo.push[{lane}]", time, captured[index, bit], law


def _host(view: View) -> _Caused:
    scenario = view.trace.scenario
    released = by_conversion(view.edges, "fifo.release")
    enough: dict[int, int] = {}
    for _, line in lanes_of(view.edges, "fifo.push"):
        for index, bit, time in pushes(view.edges, line):
            if bit == scenario.fifo.release_bits - 1:
                enough[index] = max(enough.get(index, time), time)
    falls = {time for time, level in view.edges.get("host.busy", []) if not level}
    for index, time in released.items():
        if index in enough and time in falls:
            yield "host.busy", time, enough[index], reach(scenario.fifo.sync_delay)
    for _, begun, start in services_of(view.edges):
        yield "host.read", start, begun, reach(scenario.host.service_latency)


def _ways(view: View, drawn: list[Track]) -> _Caused:
    """Give what crosses the barrier where the host's own clock reads the converter."""
    scenario = view.trace.scenario
    if scenario.link.scheme == "remote_master":
        return
    for one in crossings(view.trace, view.edges, drawn):
        name, _, lane = one.target.rstrip("]").partition("[")
        if name == "remote.trigger":
            continue
        way = scenario.barrier.direction("forward" if name == "remote.clock" else "return")
        low, high = _sum(way.delay, way.spread, way.jitter)
        if lane:
            skew = reach(way.lane_skews(scenario.frame.lanes)[int(lane)])
        else:
            # A list of skews names the lanes alone.
            skew = (0.0, 0.0) if isinstance(way.skew, tuple) else reach(way.skew)
        short, long = reach(way.pulse_width_distortion)
        if lane:
            # Of data the slower of its two edges counts.
            short, long = max(short, 0.0), max(long, 0.0)
        elif not one.falling:
            short, long = 0.0, 0.0
        yield one.target, one.end, one.start, (low + skew[0] + short, high + skew[1] + long)
