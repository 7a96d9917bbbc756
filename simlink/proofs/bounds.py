"""Proven bounds: what can never be exceeded when every input is bounded.

Network calculus after Le Boudec and Thiran, Network Calculus, LNCS 2050, theorems 1.4.1 and
1.4.2 (from memory): if no window of length t sees more than alpha(t) arrivals, and a busy server
has given at least beta(t) by t after the start of its busy period, then the backlog never
exceeds the vertical, and the delay never the horizontal distance between the two. For a token
bucket (burst b, rate r) into a rate-latency server (rate R, latency T) these are b + r T and
T + b / R, if r <= R.

A service begins a busy period of the host, which ends when fewer frames wait than it asks for. In
it the host has read at least as many frames as if each latency had been the longest, whatever its
frames before: with ``drain``, where one latency serves all that wait, a longer one may bring a
later frame earlier, but never later than one longest latency and reads back to back.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction
from typing import TYPE_CHECKING

from simlink.base.instants import FS_PER_SECOND
from simlink.figures.cycle import REST, cycles
from simlink.figures.reader import Reader, reader_of
from simlink.proofs import coming, release
from simlink.proofs.coming import Coming
from simlink.proofs.ends import HARD, Ends, UnboundedError

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario

#: Frames of busy periods that are followed at the most.
_MOST_STEPS = 10**7


@dataclass(frozen=True)
class TokenBucket:
    """Arrivals: at most burst + rate x t in any window of length t."""

    burst: float
    rate: float


@dataclass(frozen=True)
class RateLatency:
    """A server that, once busy, has given at least rate x (t - latency) by t."""

    rate: float
    latency: float


def backlog(arrivals: TokenBucket, server: RateLatency) -> float:
    """Return the most that ever waits, in the unit of the burst; infinite if the server lags."""
    if arrivals.rate > server.rate:
        return math.inf
    return arrivals.burst + arrivals.rate * server.latency


def delay(arrivals: TokenBucket, server: RateLatency) -> float:
    """Return the longest that anything waits, in the unit of the latency."""
    if arrivals.rate > server.rate:
        return math.inf
    return server.latency + arrivals.burst / server.rate


@dataclass(frozen=True)
class DepthBound:
    """The FIFO depth at which no frame is ever refused.

    Attributes
    ----------
    arrivals : TokenBucket
        Frames at the FIFO: burst in frames, rate in frames per second.
    server : RateLatency
        The host: frames per second, seconds.
    linear : float
        burst + rate x latency, in frames.
    depth : int
        The same from the whole frames of both curves, which is never more than `linear`.
    """

    arrivals: TokenBucket
    server: RateLatency
    linear: float
    depth: int


def depth_bound(scenario: Scenario, ends: Ends = HARD) -> DepthBound:
    """Return the depth that no sequence of draws can overrun.

    Parameters
    ----------
    scenario : Scenario
        Its ``fifo.depth`` is not looked at.
    ends : Ends
        Where laws end.

    Returns
    -------
    DepthBound
        Each of the host's services is taken to have the longest latency. A frame counts from the
        first bit of its first lane to the end of its read; where the remote master waits for
        credits from the start of its clock until its credit is back. With such a depth no frame
        is refused, none is discarded, and no clock is held back. With ``stall`` fewer slots may
        lose nothing, for a clock that starts late may still end before the next trigger: how late
        it may start depends on all that the host has read before, which this does not follow.

    Raises
    ------
    UnboundedError
        If something has no bound, or the host lags when every latency is the longest.
    """
    coming.check_quiet(scenario)
    if scenario.host.interrupt == "edge":
        try:
            release.check_interrupts(scenario, ends)
        except UnboundedError as why:
            raise UnboundedError(f"frames may wait for an edge: {why}") from None
    if scenario.trigger.pattern == "after_read":
        return _of_loop(scenario, ends)
    hold, moved = _hold(scenario, ends)
    latency = ends.high(scenario.host.service_latency, "the service latency")
    found, reason = coming.ways(scenario, ends)
    bounds = []
    for one in found:
        try:
            bounds.append(_bound(scenario, Coming(one.gaps, one.wander + moved), hold, latency))
        except UnboundedError as why:
            reason = reason or str(why)
    if not bounds:
        raise UnboundedError(reason)
    return min(bounds, key=lambda bound: bound.depth)


def _bound(scenario: Scenario, frames: Coming, hold: int, latency: int) -> DepthBound:
    # The end of a read is a rounded edge.
    reader = replace(reader_of(scenario), read=Fraction(coming.read_time(scenario)))
    gaps = frames.gaps
    each = reader.read if reader.reads_on else reader.read + Fraction(latency, reader.watermark)
    if each * len(gaps) > frames.cycle:
        if reader.reads_on:
            raise UnboundedError("the host's reads alone take longer than the triggers leave")
        raise UnboundedError("the host lags if every service latency is the longest")
    depth = _most_waiting(frames, hold, latency, reader)
    behind = float(hold + latency + reader.read) / FS_PER_SECOND
    server = RateLatency(float(FS_PER_SECOND / each), behind)
    rate = len(gaps) * FS_PER_SECOND / frames.cycle
    arrivals = TokenBucket(_burst(frames) + reader.watermark - 1, rate)
    return DepthBound(arrivals, server, backlog(arrivals, server), depth)


def _of_loop(scenario: Scenario, ends: Ends) -> DepthBound:
    """Return the bound of triggers that wait for the host, one frame at a time."""
    release.check_loop(scenario, ends)
    latency = ends.high(scenario.host.service_latency, "the service latency")
    reader, depth = reader_of(scenario), scenario.host.watermark
    busy = float(latency + reader.read) / FS_PER_SECOND
    server = RateLatency(float(FS_PER_SECOND / reader.read), busy)
    return DepthBound(TokenBucket(depth, 0.0), server, float(depth), depth)


def _hold(scenario: Scenario, ends: Ends) -> tuple[int, int]:
    """Return how long a frame counts beside its wait for the host, and what moves its first bit.

    Both in fs, at the most.
    """
    if scenario.fifo.when_full != "stall":
        coming.check_line(scenario, ends)
        jitter = scenario.barrier.direction("return").jitter
        return release.longest_hold(scenario, ends), ends.spread(jitter, "the return jitter")
    credit = coming.latest_crossing(scenario, ends, "forward", jitters=False)
    return release.start_to_release(scenario, ends) + credit, 0


def keeps_rate(scenario: Scenario, ends: Ends = HARD) -> bool:
    """Tell whether no sequence of draws loses a frame at the scenario's trigger rate.

    Parameters
    ----------
    scenario : Scenario
        With a remote master.
    ends : Ends
        Where laws end.

    Returns
    -------
    bool
        Whether each frame is read out of the converter before the next trigger arrives, and the
        FIFO is deep enough for `depth_bound`.

    Raises
    ------
    UnboundedError
        As `depth_bound`, or if the read of the converter has no bound.
    """
    if scenario.link.scheme != "remote_master":
        raise UnboundedError("each frame waits for the host's clock")
    # That a loop has one frame at a time under way is part of the bound of its depth.
    if scenario.trigger.pattern != "after_read" and not frees_converter(scenario, ends):
        return False
    return depth_bound(scenario, ends).depth <= scenario.fifo.depth


def frees_converter(scenario: Scenario, ends: Ends = HARD) -> bool:
    """Tell whether no trigger of a timer ever comes while the converter converts or is read.

    Parameters
    ----------
    scenario : Scenario
        With a remote master, of which the wait for a credit does not count.
    ends : Ends
        Where laws end.
    """
    coming.check_quiet(scenario)
    taken = 0
    for piece in cycles(scenario)[0].pieces:
        if math.isinf(piece.largest):
            raise UnboundedError(f"the {piece.name} has no upper bound")
        # A trigger that comes within the acquisition is not missed; each piece rounds to a fs.
        taken += 0 if piece.name == REST else math.ceil(piece.largest)
    moving = sum(ends.spread(law, name) for law, name in coming.trigger_jitter(scenario))
    return taken + moving <= min(coming.trigger_gaps(scenario, ends))


def _most_waiting(frames: Coming, hold: int, latency: int, reader: Reader) -> int:
    """Return the largest backlog: frames that may have come less those that must have gone.

    The window opens with the frame that completes a watermark w and begins a busy period. With
    w + n frames in a window of length u, `Reader.read_by` tells how many have certainly been
    read u - hold after it.
    """
    worst = reader.watermark
    gaps, cycle, wander = frames.gaps, frames.cycle, frames.wander
    # Past this, w patterns bring no more frames than the host reads.
    lag = wander + hold + (latency if reader.reads_on else 0)
    last = (math.ceil(lag / cycle) + 1 + reader.watermark) * len(gaps)
    starts = frames.starts()
    if last * len(starts) > _MOST_STEPS:
        raise UnboundedError("the busy periods are too long to be followed")
    for start in starts:
        reached = 0
        for n in range(1, last + 1):
            reached += gaps[(start + n - 1) % len(gaps)]
            window = max(reached - wander, 0)
            read = reader.read_by(window - hold, latency)
            worst = max(worst, reader.watermark + n - read)
    return worst


def _burst(frames: Coming) -> float:
    """Return the burst of the token bucket that holds the pattern at its own mean rate."""
    gaps = frames.gaps
    mean = frames.cycle / len(gaps)
    most = 0.0
    for start in frames.starts():
        reached = 0
        for n in range(1, len(gaps)):
            reached += gaps[(start + n - 1) % len(gaps)]
            most = max(most, n - reached / mean)
    return 1 + most + frames.wander / mean
