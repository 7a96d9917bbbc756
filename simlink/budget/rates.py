"""What a serial clock makes of the sample rate and of the latency."""

from __future__ import annotations

import math
from collections.abc import Iterable
from fractions import Fraction
from typing import Literal

from simlink.base.instants import FS_PER_SECOND
from simlink.budget import dual_dirac
from simlink.budget.terms import exact
from simlink.figures.cycle import (
    Cycle,
    Piece,
    arrivals,
    clocked,
    crossing,
    periods,
    piece_of,
    total,
)
from simlink.link.transport import packets_of
from simlink.scenario.distributions import Distribution
from simlink.scenario.quantities import PARTS
from simlink.scenario.schema import Scenario

#: Pieces of the way that others look for by name.
SERVICE = "service latency"
CLOCKING = "clock up to the release bit"
LINE_TAKEN = "line taken by the frame ahead"


def shortfall_of_jitter(scenario: Scenario, scheme: str, ber: float) -> Fraction | float:
    """Return what jitter may take from the time between two triggers at the converter, in fs.

    A late trigger before an early one, each with its own jitter and that of its crossing; where the
    host's own clock reads, busy and the last edge of the clock may come late, too. Gaussian jitter
    counts at the bit-error ratio.
    """
    forward, back = (scenario.barrier.direction(way).jitter for way in ("forward", "return"))
    pairs = [scenario.trigger.jitter]
    if scenario.trigger.source == "host":
        pairs.append(forward)
    found: Fraction | float = Fraction(0)
    for law in pairs:
        earliest, latest = dual_dirac.ends(law, ber)
        found = found + exact(latest) - exact(earliest)
    for law in (forward, back) if scheme != "remote_master" else ():
        found = found + exact(dual_dirac.ends(law, ber)[1]) - Fraction(law.mean)
    return found


def sample_rate(found: Iterable[Cycle], jitter: Fraction | float = 0) -> Fraction:
    """Return the highest sample rate in Hz that some cycles leave.

    Jitter, in fs, is taken from the time of those that nothing is buffered for; it is left aside
    where nothing bounds it.
    """
    taken = Fraction(0 if math.isinf(jitter) else jitter)
    periods = (one.least_period + (0 if one.buffered else taken) for one in found)
    return FS_PER_SECOND / max(periods)


def latency(
    scenario: Scenario, scheme: str, clock: Fraction, ber: float = dual_dirac.USUAL_BER
) -> tuple[Piece, ...]:
    """Return the way from the trigger at the host to the last bit read, piece by piece.

    At a serial clock in Hz, with Gaussian jitter at a bit-error ratio, of a frame that waits for no
    other one to be read, nor for a credit (`waiting` tells where frames may).
    """
    way: list[Piece] = []
    if scenario.trigger.source == "host":
        way.append(_crossing(scenario, "trigger to the converter", "forward", ber))
    way.append(piece_of("conversion", scenario.converter.conversion_time))
    if scheme == "remote_master":
        return (*way, *_through_the_fifo(scenario, clock, ber))
    way.append(_crossing(scenario, "busy to the host", "return", ber, skew="channel", falling=True))
    way.append(piece_of("busy synchroniser", scenario.fifo.sync_delay))
    way.append(piece_of(SERVICE, scenario.host.service_latency))
    bits, capture = Fraction(scenario.bits_per_lane), scenario.host.capture
    whole = bits * FS_PER_SECOND / clock
    if scheme == "forwarded_clock":
        last = (bits - 1) + Fraction(capture.half_periods or 0, 2)
        sent = max(last * FS_PER_SECOND / clock + (capture.delay or 0), whole)
        return (*way, Piece("readout and capture", sent, sent))
    falling = capture.half_periods == 2
    out = _crossing(
        scenario, "clock to the converter", "forward", ber, skew="channel", falling=falling
    )
    home = _crossing(
        scenario, "clock and data back", "return", ber, skew="channel", falling=falling
    )
    if falling:
        return (*way, Piece("readout", whole, whole), out, home)
    # The last bit is captured half a period before the host's clock ends, but a round trip later.
    half = FS_PER_SECOND / clock / 2
    mean, there = out.mean + home.mean, total([out.largest, home.largest])
    said = "clock out and back, or its last half period"
    back = Piece(said, max(mean, half), max(there, half))
    return (*way, Piece("readout to the last rising edge", whole - half, whole - half), back)


def _crossing(
    scenario: Scenario,
    name: str,
    way: Literal["forward", "return"],
    ber: float,
    *,
    skew: Literal["none", "channel", "lanes"] = "none",
    falling: bool = False,
) -> Piece:
    """Return a crossing (`figures.cycle.crossing`) whose own jitter is at its latest."""
    piece = crossing(scenario, name, way, skew=skew, falling=falling)
    jitter = scenario.barrier.direction(way).jitter
    latest = piece.largest + exact(dual_dirac.ends(jitter, ber)[1]) - Fraction(jitter.mean)
    # No symbol arrives before it was sent.
    return Piece(name, max(piece.mean, Fraction(0)), max(latest, Fraction(0)))


def _through_the_fifo(scenario: Scenario, clock: Fraction, ber: float) -> list[Piece]:
    """Return the way from busy's fall at the converter to the last bit read from the FIFO."""
    host, bits = scenario.host, Fraction(scenario.bits_per_lane)
    slow = scenario.remote_clock.tolerance.support[0]
    ways = []
    for actual in (clock, clock * (1 + Fraction(slow) / PARTS)):
        captured, arrived = arrivals(scenario, actual)
        last = scenario.fifo.release_bits - 1
        ways.append((Fraction(int(captured[last])), Fraction(int(arrived[last] - captured[last]))))
    (clocking, waiting), (slow_clocking, slow_waiting) = ways
    found = [
        piece_of("start delay", scenario.remote_clock.start_delay),
        Piece(CLOCKING, clocking, slow_clocking),
    ]
    if waiting:
        # A slower clock may leave the packets ahead more time to be gone.
        found.append(Piece("packet filling and line", waiting, slow_waiting))
    if scenario.barrier.return_.style == "packets":
        found.append(_line_taken(scenario, clock, ber))
    return [
        *found,
        _crossing(scenario, "bits to the host", "return", ber, skew="lanes"),
        piece_of("busy synchroniser", scenario.fifo.sync_delay),
        piece_of(SERVICE, host.service_latency),
        clocked("read", bits, host.clock.value),
    ]


def _line_taken(scenario: Scenario, clock: Fraction, ber: float) -> Piece:
    """Return how long the frame ahead keeps the line once the first packet is full.

    Frames start at least D apart. The packets of the one ahead have left X after its own start,
    and the first is full c after each start, so that the line is X - c - D late. As long as the
    packets of a frame take no longer than D, a frame that waited leaves the line no later for
    that; else nothing bounds it.
    """
    packets = packets_of(scenario)
    assert packets is not None
    line = Fraction(sum(packet.line_time for packet in packets))
    wait: Fraction | float = Fraction(0)
    # Convex in the period of the clock, so that the ends of its tolerance are the worst.
    for off in scenario.remote_clock.tolerance.support:
        actual = clock * (1 + Fraction(off) / PARTS)
        captured, arrived = arrivals(scenario, actual)
        kept = Fraction(arrived.item(-1) - captured.item(packets[0].last))
        apart = _starts_apart(scenario, actual, ber)
        if kept > apart:
            wait = max(wait, kept - apart if line <= apart else math.inf)
    return Piece(LINE_TAKEN, Fraction(0), wait)


def frames_apart(scenario: Scenario, clock: Fraction, ber: float) -> Fraction | float:
    """Return how far apart a remote master's frames start at the least, in fs.

    At a remote clock in Hz that may be off by its tolerance, Gaussian jitter at a bit-error ratio.
    """
    fast = clock * (1 + Fraction(scenario.remote_clock.tolerance.support[1]) / PARTS)
    return _starts_apart(scenario, fast, ber)


def _starts_apart(scenario: Scenario, actual: Fraction, ber: float) -> Fraction | float:
    """Return the same of a clock that runs at exactly so many Hz.

    The converter takes no trigger until it has been read, however close triggers come.
    """
    laws = [scenario.converter.conversion_time, scenario.remote_clock.start_delay]
    read = scenario.bits_per_lane * FS_PER_SECOND / actual
    taken = total([read, *(exact(law.support[0]) for law in laws)])
    return max(taken, _periods_apart(scenario, laws, ber))


def _periods_apart(scenario: Scenario, laws: list[Distribution], ber: float) -> Fraction | float:
    """Return how far apart frames start by their triggers alone, in fs; below 0 if it may be."""
    spacing = periods(scenario, fastest=True)[0]
    if spacing is None or scenario.trigger.pattern == "poisson":
        return Fraction(0)
    found = spacing - shortfall_of_jitter(scenario, "remote_master", ber)
    for law in laws:
        low, high = law.support
        found = found + exact(low) - exact(high)
    return found
