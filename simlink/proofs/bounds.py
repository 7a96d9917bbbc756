"""Proven bounds: what can never be exceeded when every input is bounded.

Network calculus after Le Boudec and Thiran, Network Calculus, LNCS 2050, theorems 1.4.1 and
1.4.2 (from memory): if no window of length t sees more than alpha(t) arrivals, and a busy server
has given at least beta(t) by t after the start of its busy period, then the backlog never
exceeds the vertical, and the delay never the horizontal distance between the two. For a token
bucket (burst b, rate r) into a rate-latency server (rate R, latency T) these are b + r T and
T + b / R, if r <= R.

A normal law without bounds counts up to where its generator ends (14 sigma).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from itertools import permutations
from typing import TYPE_CHECKING

from simlink.base.instants import FS_PER_SECOND, clock_edges, period_of
from simlink.figures.cycle import REST, arrivals, cycles
from simlink.figures.reader import Reader, reader_of
from simlink.link.transport import packets_of
from simlink.link.trigger import PARTS
from simlink.scenario.distributions import reach

if TYPE_CHECKING:
    from simlink.scenario.distributions import Distribution
    from simlink.scenario.schema import Scenario

#: Bursts longer than this are not looked at trigger by trigger.
_LONGEST_BURST = 10**5
_MOST_STEPS = 10**6


class UnboundedError(Exception):
    """Raised where something that a bound needs has no bound of its own; says what."""


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


def depth_bound(scenario: Scenario) -> DepthBound:
    """Return the depth that no sequence of draws can overrun.

    Parameters
    ----------
    scenario : Scenario
        Its ``fifo.depth`` is not looked at.

    Returns
    -------
    DepthBound
        Each of the host's services is taken to have the longest latency. A frame counts from the
        first bit of its first lane to the end of its read.

    Raises
    ------
    UnboundedError
        If something has no bound, or the host lags when every latency is the longest.
    """
    if scenario.host.notice == "edge":
        raise UnboundedError("frames may wait for an edge")
    wander, hold = _wander(scenario), _hold(scenario)
    latency = _high(scenario.host.service_latency, "the service latency")
    reader, gaps = reader_of(scenario), _gaps(scenario)
    cycle = sum(gaps)
    each = reader.read if reader.reads_on else reader.read + Fraction(latency, reader.watermark)
    if each * len(gaps) > cycle:
        if reader.reads_on:
            raise UnboundedError("the host's reads alone take longer than the triggers leave")
        raise UnboundedError("the host lags if every service latency is the longest")
    depth = _most_waiting(gaps, wander, hold, latency, reader)
    behind = float(hold + latency + reader.read) / FS_PER_SECOND
    server = RateLatency(float(FS_PER_SECOND / each), behind)
    rate = len(gaps) * FS_PER_SECOND / cycle
    arrivals = TokenBucket(_burst(gaps, wander) + reader.watermark - 1, rate)
    return DepthBound(arrivals, server, backlog(arrivals, server), depth)


def keeps_rate(scenario: Scenario) -> bool:
    """Tell whether no sequence of draws loses a frame at the scenario's trigger rate.

    Parameters
    ----------
    scenario : Scenario
        With a remote master and a FIFO that does not stall it.

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
    if scenario.fifo.when_full == "stall":
        raise UnboundedError("the remote master may wait for a credit")
    taken = 0
    for piece in cycles(scenario)[0].pieces:
        if math.isinf(piece.largest):
            raise UnboundedError(f"the {piece.name} has no upper bound")
        # A trigger that comes within the acquisition is not missed; each piece rounds to a fs.
        taken += 0 if piece.name == REST else math.ceil(piece.largest)
    moving = sum(_spread(law, name) for law, name in _trigger_jitter(scenario))
    return taken + moving <= min(_gaps(scenario)) and (
        depth_bound(scenario).depth <= scenario.fifo.depth
    )


def _gaps(scenario: Scenario) -> list[int]:
    """Return the shortest spacings of triggers, over one whole pattern, in fs."""
    trigger = scenario.trigger
    if trigger.pattern == "after_read":
        # The next trigger waits for the host, so one frame at a time is under way, or given up.
        raise UnboundedError("triggers wait for the host")
    if trigger.pattern == "poisson":
        raise UnboundedError("Poisson triggers may come arbitrarily close together")
    assert trigger.rate is not None
    fastest = trigger.rate.value * (PARTS + _high(trigger.tolerance, "the tolerance")) / PARTS
    period = math.floor(period_of(Fraction(fastest)))
    if trigger.pattern == "periodic":
        return [period]
    assert trigger.gap is not None
    assert trigger.burst_length is not None
    if trigger.burst_length > _LONGEST_BURST:
        raise UnboundedError("the bursts are too long to be followed trigger by trigger")
    return [period] * (trigger.burst_length - 1) + [_low(trigger.gap, "the gap")]


def _most_waiting(gaps: list[int], wander: int, hold: int, latency: int, reader: Reader) -> int:
    """Return the largest backlog: frames that may have come less those that must have gone.

    The window opens with the frame that completes a watermark w and begins a busy period. With
    w + n frames in a window of length u, `Reader.read_by` tells how many have certainly been
    read u - hold after it.
    """
    worst = reader.watermark
    cycle = sum(gaps)
    # Past this, w patterns bring no more frames than the host reads.
    lag = wander + hold + (latency if reader.reads_on else 0)
    last = (math.ceil(lag / cycle) + 1 + reader.watermark) * len(gaps)
    if last * len(set(_starts(gaps))) > _MOST_STEPS * 10:
        raise UnboundedError("the busy periods are too long to be followed")
    for start in _starts(gaps):
        reached = 0
        for n in range(1, last + 1):
            reached += gaps[(start + n - 1) % len(gaps)]
            window = max(reached - wander, 0)
            read = reader.read_by(window - hold, latency)
            worst = max(worst, reader.watermark + n - read)
    return worst


def _starts(gaps: list[int]) -> list[int]:
    """Return where in the pattern a window may open worst."""
    # A burst is densest from its start, unless its gap is shorter than its period.
    if gaps[-1] >= gaps[0]:
        return [0]
    return [0, len(gaps) - 1] if len(gaps) <= 2 else list(range(len(gaps)))


def _burst(gaps: list[int], wander: int) -> float:
    """Return the burst of the token bucket that holds the pattern at its own mean rate."""
    mean = sum(gaps) / len(gaps)
    most = 0.0
    for start in _starts(gaps):
        reached = 0
        for n in range(1, len(gaps)):
            reached += gaps[(start + n - 1) % len(gaps)]
            most = max(most, n - reached / mean)
    return 1 + most + wander / mean


def _wander(scenario: Scenario) -> int:
    """Return how far the first bits of frames may stray from an even spacing, in fs."""
    moving = [
        *_trigger_jitter(scenario),
        (scenario.converter.conversion_time, "the conversion time"),
        (scenario.remote_clock.start_delay, "the start delay"),
        (scenario.barrier.direction("return").jitter, "the return jitter"),
    ]
    return sum(_spread(law, name) for law, name in moving)


def _trigger_jitter(scenario: Scenario) -> list[tuple[Distribution, str]]:
    """Return what moves one trigger at the converter against the next."""
    found = [(scenario.trigger.jitter, "the trigger jitter")]
    if scenario.trigger.source == "host":
        found.append((scenario.barrier.direction("forward").jitter, "the forward jitter"))
    return found


def _hold(scenario: Scenario) -> int:
    """Return the longest that a frame holds its slot before the host may know of it, in fs."""
    back = scenario.barrier.direction("return")
    # How much later than the first lane another one may be.
    pairs = permutations(back.lane_skews(scenario.frame.lanes), 2)
    apart = max((_high(a, "the skew") - _low(b, "the skew") for a, b in pairs), default=0)
    sync = _high(scenario.fifo.sync_delay, "the synchroniser delay")
    jitter = _spread(back.jitter, "the return jitter")
    arrived = _arrivals(scenario)
    return arrived[scenario.fifo.release_bits - 1] - arrived[0] + max(apart, 0) + jitter + sync


def _arrivals(scenario: Scenario) -> list[int]:
    """Return when the bits of a lane arrive at the latest, from the start of the clock, in fs.

    Jitter and skew are left out.
    """
    slowest = scenario.remote_clock.frequency.value * (
        PARTS + _low(scenario.remote_clock.tolerance, "the tolerance")
    )
    captured, arrived = arrivals(scenario, Fraction(slowest) / PARTS)
    packets = packets_of(scenario)
    if packets is not None:
        gaps = _gaps(scenario)
        spare = sum(gaps) // len(gaps) - _wander(scenario)
        ends = period_of(Fraction(slowest) / PARTS) * scenario.bits_per_lane
        line = sum(packet.line_time for packet in packets)
        if math.ceil(ends) + line - int(captured[packets[0].last]) > spare:
            raise UnboundedError("packets of one frame may wait for those of the frame before")
    return [int(one) for one in arrived]


def release_bound(scenario: Scenario) -> int:
    """Return the smallest ``fifo.release_bits`` at which no bit is ever read too early.

    Parameters
    ----------
    scenario : Scenario
        Its ``fifo.release_bits`` is not looked at.

    Returns
    -------
    int
        Every bit has arrived when it is taken even if the remote clock is at its slowest, the
        latency at its shortest (none for a host that reads on), and jitter at its worst on both
        bits.

    Raises
    ------
    UnboundedError
        If the jitter has no bound.
    """
    jitter = _spread(scenario.barrier.direction("return").jitter, "the return jitter")
    ahead = _low(scenario.fifo.sync_delay, "the synchroniser delay")
    if not scenario.host.read_all:
        # A host that reads on may start on a frame at the instant of its release.
        ahead += _low(scenario.host.service_latency, "the service latency")
    bits, arrived = scenario.bits_per_lane, _arrivals(scenario)
    taken = clock_edges(scenario.host.clock.value, bits)[0]
    for release in range(1, bits):
        if all(
            arrived[bit] - arrived[release - 1] + jitter <= ahead + int(taken[bit])
            for bit in range(release, bits)
        ):
            return release
    return bits


def _high(law: Distribution, name: str) -> int:
    high = reach(law)[1]
    if math.isinf(high):
        raise UnboundedError(f"{name} has no upper bound")
    return math.ceil(high)


def _low(law: Distribution, name: str) -> int:
    low = reach(law)[0]
    if math.isinf(low):
        raise UnboundedError(f"{name} has no lower bound")
    return math.floor(low)


def _spread(law: Distribution, name: str) -> int:
    return 0 if law.is_constant else _high(law, name) - _low(law, name)
