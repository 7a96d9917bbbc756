"""What a serial clock makes of the sample rate and of the latency."""

from __future__ import annotations

from collections.abc import Iterable
from fractions import Fraction
from typing import TYPE_CHECKING

from simlink.base.instants import FS_PER_SECOND
from simlink.figures.cycle import (
    Cycle,
    Piece,
    arrivals,
    busy_crossing,
    clocked,
    crossing,
    piece_of,
)
from simlink.link.trigger import PARTS

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario


def sample_rate(found: Iterable[Cycle]) -> Fraction:
    """Return the highest sample rate in Hz that some cycles leave."""
    return FS_PER_SECOND / max(cycle.least_period for cycle in found)


def latency(scenario: Scenario, scheme: str, clock: Fraction) -> tuple[Piece, ...]:
    """Return the way from the trigger at the host to the last bit read, piece by piece.

    Parameters
    ----------
    scenario : Scenario
        Converter, barrier and host; no frame waits for the host in front of this one.
    scheme : str
        One of `schemes.SCHEMES`.
    clock : Fraction
        The serial clock in Hz.
    """
    way: list[Piece] = []
    if scenario.trigger.source == "host":
        way.append(crossing(scenario, "trigger to the converter", "forward"))
    way.append(piece_of("conversion", scenario.converter.conversion_time))
    if scheme == "remote_master":
        return (*way, *_through_the_fifo(scenario, clock))
    way.append(busy_crossing(scenario, "busy to the host"))
    way.append(piece_of("busy synchroniser", scenario.fifo.sync_delay))
    way.append(piece_of("service latency", scenario.host.service_latency))
    bits, capture = Fraction(scenario.bits_per_lane), scenario.host.capture
    if scheme == "forwarded_clock":
        last = (bits - 1) + Fraction(capture.half_periods or 0, 2)
        sent = last * FS_PER_SECOND / clock + (capture.delay or 0)
        sent = max(sent, bits * FS_PER_SECOND / clock)
        return (*way, Piece("readout and capture", sent, sent))
    whole = capture.half_periods == 2
    read = clocked("readout", bits if whole else bits - Fraction(1, 2), clock)
    out = crossing(scenario, "clock to the converter", "forward", skew="channel", falling=whole)
    home = crossing(scenario, "clock and data back", "return", skew="channel", falling=whole)
    return (*way, read, out, home)


def _through_the_fifo(scenario: Scenario, clock: Fraction) -> list[Piece]:
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
        Piece("clock up to the release bit", clocking, slow_clocking),
    ]
    if waiting:
        # A slower clock may leave the packets ahead more time to be gone.
        found.append(Piece("packet filling and line", waiting, slow_waiting))
    return [
        *found,
        crossing(scenario, "bits to the host", "return", skew="lanes"),
        piece_of("busy synchroniser", scenario.fifo.sync_delay),
        piece_of("service latency", host.service_latency),
        clocked("read", bits, host.clock.value),
    ]
