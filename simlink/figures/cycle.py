"""How long each side of the chain needs for a frame, and the time that it has.

The converter holds one frame: its conversion, then the longer of acquisition and of all that
keeps it until its last clock edge, have to fit between two triggers. With a remote master the
FIFO stands behind it, so that the return line and the host have to keep up on average only.
Where the host's own clock reads the converter, the way of busy, the service latency and the
clock all lie within the converter's cycle.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Literal

import numpy as np

from simlink.base import wording
from simlink.base.instants import FAR, FS_PER_SECOND, Times, clock_edges
from simlink.figures.reader import SAMPLED, drawn, reader_of
from simlink.link import remote_clock
from simlink.link.channel import fixed_part
from simlink.link.transport import packets_of, sent_at
from simlink.scenario.distributions import GENERATOR_REACH, reach
from simlink.scenario.quantities import PARTS

if TYPE_CHECKING:
    from simlink.scenario.distributions import Distribution
    from simlink.scenario.schema import Scenario

Time = Fraction | float


@dataclass(frozen=True)
class Piece:
    """A stretch of a cycle or of a way, in fs."""

    #: What takes the time.
    name: str
    #: At the means.
    mean: Fraction
    #: At the most, infinite if nothing bounds it.
    largest: Time
    #: What is drawn for each conversion, None where it is alike in all of them.
    law: Distribution | None = None


@dataclass(frozen=True)
class Cycle:
    """What one side does for each frame."""

    #: ``"converter"``, ``"return line"`` or ``"host"``; ``"converter and host"`` where the host's
    #: own clock reads the converter.
    side: str
    #: One after another.
    pieces: Sequence[Piece]
    #: The time that it has for one frame, in fs; None when triggers wait for the host.
    period: Fraction | None = None
    #: The same for the fastest timer that the tolerance allows.
    shortest: Fraction | None = None
    #: Whether it has to fit on average only, since a FIFO takes up the rest.
    buffered: bool = False
    #: What else the end of the cycle waits for, from the end of the conversion.
    acquisition: Distribution | None = None
    #: The shortest period that it could keep, where that is not the length of the cycle.
    least: Fraction | None = None

    @property
    def mean(self) -> Fraction:
        """The mean length of the cycle in fs."""
        return sum((piece.mean for piece in self.pieces), Fraction(0))

    @property
    def largest(self) -> Time:
        """The longest cycle in fs, infinite if nothing bounds it."""
        return total(piece.largest for piece in self.pieces)

    @property
    def slack(self) -> Fraction | None:
        """What is left of the period, on average, in fs; negative if it does not fit."""
        return None if self.period is None else self.period - self.mean

    @property
    def decisive(self) -> Time:
        """The length that has to fit: the greatest, or the mean where that is all that counts."""
        return self.mean if self.buffered or math.isinf(self.largest) else self.largest

    @property
    def least_period(self) -> Fraction:
        """The shortest period that it could keep, in fs."""
        return Fraction(self.decisive) if self.least is None else self.least

    @property
    def unbounded(self) -> list[str]:
        """The pieces that nothing bounds."""
        return [piece.name for piece in self.pieces if math.isinf(piece.largest)]

    def in_time(self, period: Fraction, seed: int) -> float:
        """Return the share of conversions whose cycle fits a period in fs, of 65536 drawn."""
        conversion, *later = self.pieces
        length = np.zeros(SAMPLED)
        for piece in later:
            if piece.name != REST:
                length += _draws(piece, seed)
        if self.acquisition is not None:
            length = np.maximum(length, drawn(self.acquisition, seed, "acquisition"))
        return float((_draws(conversion, seed) + length <= float(period)).mean())


#: What is left of the acquisition when all else is over.
REST = "rest of acquisition"


def _draws(piece: Piece, seed: int) -> np.ndarray[tuple[int, ...], np.dtype[np.float64]]:
    if piece.law is None:
        return np.array([float(piece.mean)])
    return drawn(piece.law, seed, piece.name)


def total(values: Iterable[Time]) -> Time:
    """Return the sum of times in fs, exact as long as all of them are finite."""
    found: Time = Fraction(0)
    for value in values:
        found = found + value
    return found


def piece_of(name: str, law: Distribution) -> Piece:
    """Return what is drawn from a law as a piece."""
    high = law.support[1]
    return Piece(name, Fraction(law.mean), high if math.isinf(high) else Fraction(high), law)


def clocked(name: str, cycles: Fraction, clock: Fraction, slow: float = 0.0) -> Piece:
    """Return some cycles of a clock in Hz that may be slow by a (negative) ratio in 1e-12."""
    time = cycles * FS_PER_SECOND / clock
    return Piece(name, time, time / (1 + Fraction(slow) / PARTS))


Way = Literal["forward", "return"]
WAYS: tuple[Way, ...] = ("forward", "return")


def crossing(
    scenario: Scenario,
    name: str,
    way: Way,
    *,
    skew: Literal["none", "channel", "lanes"] = "none",
    falling: bool = False,
) -> Piece:
    """Return a symbol's crossing of the barrier.

    Parameters
    ----------
    scenario : Scenario
        Whose barrier.
    name : str
        What to call it.
    way : {"forward", "return"}
        The direction.
    skew : {"none", "channel", "lanes"}
        Whether the channel has a skew: none for the one that skew is counted from; a channel
        beside the lanes has none of a list that gives the lanes' own; of lanes the worst counts.
    falling : bool
        Whether the edge falls, so that the pulse-width distortion delays it.
    """
    channel = scenario.barrier.direction(way)
    skews = list(channel.lane_skews(scenario.frame.lanes)) if skew == "lanes" else []
    if skew == "channel" and not isinstance(channel.channel_skew, tuple):
        skews = [channel.channel_skew]
    laws = {"part_to_part_skew": [channel.part_to_part_skew], "channel_skew": skews}
    laws["pulse_width_distortion"] = [channel.pulse_width_distortion] if falling else []
    mean, largest = Fraction(channel.delay.mean), channel.delay.support[1]
    means, highs, unbounded = [mean], [Fraction(largest) if largest < math.inf else FAR], False
    for key, several in laws.items():
        high = max((law.support[1] for law in several), default=0.0)
        means.append(max((Fraction(law.mean) for law in several), default=Fraction(0)))
        # What the delay covers is held, however far it reaches.
        unbounded = unbounded or (math.isinf(high) and key not in channel.delay_covers)
        highs.append(FAR if math.isinf(high) else Fraction(high))
    # Of jitter, of which the next edge has as much, the mean alone counts.
    jitter = Fraction(channel.jitter.mean)
    longest = math.inf if unbounded or math.isinf(largest) else fixed_part(channel, *highs) + jitter
    return Piece(name, fixed_part(channel, *means) + jitter, longest)


def busy_crossing(scenario: Scenario, name: str) -> Piece:
    """Return how the fall of busy crosses to the host that clocks the converter."""
    return crossing(scenario, name, "return", skew="channel", falling=True)


def periods(
    scenario: Scenario, *, fastest: bool = False
) -> tuple[Fraction, Fraction] | tuple[None, None]:
    """Return the time between triggers, the shorter of those of bursts, and on average, in fs.

    Parameters
    ----------
    scenario : Scenario
        Whose triggers; None twice when they wait for the host.
    fastest : bool
        For the fastest timer that the tolerance allows, else for the mean one.
    """
    trigger = scenario.trigger
    if trigger.rate is None:
        return None, None
    off = trigger.tolerance.support[1] if fastest else trigger.tolerance.mean
    spacing = average = FS_PER_SECOND / (trigger.rate.value * (1 + Fraction(off) / PARTS))
    if trigger.pattern == "burst" and trigger.burst_length and trigger.gap is not None:
        whole = spacing * (trigger.burst_length - 1) + Fraction(trigger.gap.mean)
        average = whole / trigger.burst_length
        # The next burst may begin sooner than a trigger within one.
        gap = Fraction(trigger.gap.support[0] if fastest else trigger.gap.mean)
        spacing = gap if trigger.burst_length == 1 else min(spacing, gap)
    return spacing, average


def shortest_spacing(scenario: Scenario, sigmas: float = GENERATOR_REACH) -> Time | None:
    """Return the least time between two triggers at the converter, in fs.

    Parameters
    ----------
    scenario : Scenario
        Whose triggers.
    sigmas : float
        How many standard deviations of Gaussian jitter count: unless given all that occur.

    Returns
    -------
    Fraction, float or None
        0 for Poisson triggers; minus infinity where a jitter has no bound of its own; None where
        triggers wait for the host.
    """
    trigger = scenario.trigger
    spacing, _ = periods(scenario, fastest=True)
    if spacing is None:
        return None
    if trigger.pattern == "poisson":
        return Fraction(0)
    if trigger.pattern == "burst" and trigger.gap is not None:
        least = Fraction(trigger.gap.support[0])
        spacing = min(spacing, least) if (trigger.burst_length or 1) > 1 else least
    apart = trigger_jitter(scenario, sigmas)
    return max(spacing - Fraction(apart), Fraction(0)) if math.isfinite(apart) else -math.inf


def trigger_jitter(scenario: Scenario, sigmas: float = GENERATOR_REACH) -> float:
    """Return by how much jitter may bring two triggers together at the converter, in fs.

    So many standard deviations of Gaussian jitter count; infinite where nothing bounds it.
    """
    moving = [scenario.trigger.jitter]
    if scenario.trigger.source == "host":
        moving.append(scenario.barrier.direction("forward").jitter)
    return sum(high - low for low, high in (reach(law, sigmas) for law in moving))


def late_jitter(scenario: Scenario, scheme: str, sigmas: float = GENERATOR_REACH) -> Time:
    """Return how much later than on average busy and the clock may cross to each other, in fs.

    So many standard deviations of Gaussian jitter count.
    """
    if scheme == "remote_master":
        return Fraction(0)
    found: Time = Fraction(0)
    for channel in map(scenario.barrier.direction, WAYS):
        high = reach(channel.jitter, sigmas)[1]
        if math.isinf(high):
            return math.inf
        # An edge may wait for the one ahead of it, which a shorter pulse brings nearer.
        width = channel.pulse_width_distortion.support[1]
        found += Fraction(high) - Fraction(channel.jitter.mean) + Fraction(max(-width, 0.0))
    return found


def cycles(
    scenario: Scenario, scheme: str | None = None, clock: Fraction | None = None
) -> list[Cycle]:
    """Return the cycle of each side, converter first.

    Parameters
    ----------
    scenario : Scenario
        Any scenario.
    scheme : str, optional
        Another scheme than the scenario's own.
    clock : Fraction, optional
        Another clock in Hz than the scenario's for the read of the converter.

    Returns
    -------
    list of Cycle
        The return line only in packets style, the host by itself only with a remote master.
    """
    scheme = scheme or scenario.link.scheme
    spacing, average = periods(scenario)
    fast_spacing, fast_average = periods(scenario, fastest=True)
    if scheme != "remote_master":
        keeps = _host_clocked(scenario, clock or scenario.host.clock.value)
        return [_converter("converter and host", scenario, keeps, spacing, fast_spacing)]
    keeps = [
        piece_of("start delay", scenario.remote_clock.start_delay),
        clocked(
            "readout",
            Fraction(scenario.bits_per_lane),
            clock or scenario.remote_clock.frequency.value,
            scenario.remote_clock.tolerance.support[0],
        ),
    ]
    found = [_converter("converter", scenario, keeps, spacing, fast_spacing)]
    packets = packets_of(scenario)
    if packets is not None:
        line = Fraction(sum(packet.line_time for packet in packets))
        pieces = [Piece("packets", line, line)]
        found.append(Cycle("return line", pieces, average, fast_average, buffered=True))
    reader = reader_of(scenario)
    shared = reader.shared_by(spacing)
    latency = piece_of("service latency", scenario.host.service_latency)
    if shared != 1:
        by = f"{latency.name} / {wording.number(shared, 3)}" if shared < math.inf else latency.name
        mean = reader.mean(spacing) - reader.read
        latency = Piece(by, mean, reader.most_for_one(spacing))
    pieces = [latency, Piece("read", reader.read, reader.read)]
    least = reader.least_period()
    return [*found, Cycle("host", pieces, average, fast_average, buffered=True, least=least)]


def _host_clocked(scenario: Scenario, clock: Fraction) -> list[Piece]:
    """Return what keeps a converter that the host's own clock reads, once it has converted.

    The next trigger crosses the same direction as the clock: its channel is the one that skew is
    counted from, so a late clock edge is one delay behind and a trigger one delay ahead.
    """
    return [
        busy_crossing(scenario, "busy crossing"),
        piece_of("synchroniser", scenario.fifo.sync_delay),
        piece_of("service latency", scenario.host.service_latency),
        crossing(scenario, "clock crossing", "forward", skew="channel", falling=True),
        clocked("read", Fraction(scenario.bits_per_lane), clock),
    ]


def _converter(
    side: str,
    scenario: Scenario,
    keeps: list[Piece],
    period: Fraction | None,
    shortest: Fraction | None,
) -> Cycle:
    """Return the cycle of the converter, which conversion and acquisition are part of."""
    conversion = piece_of("conversion", scenario.converter.conversion_time)
    acquisition = scenario.converter.acquisition_time
    kept = total(piece.largest for piece in keeps)
    mean = Fraction(acquisition.mean) - sum((piece.mean for piece in keeps), Fraction(0))
    longest = piece_of("acquisition", acquisition).largest
    largest = Fraction(0) if math.isinf(kept) else longest - kept
    rest = Piece(REST, max(mean, Fraction(0)), max(largest, Fraction(0)))
    pieces = [conversion, *(piece for piece in [*keeps, rest] if piece.mean or piece.largest)]
    return Cycle(side, pieces, period, shortest, acquisition=acquisition)


def arrivals(scenario: Scenario, clock: Fraction) -> tuple[Times, Times]:
    """Return when the bits of a lane are captured, and when they are past the line.

    Parameters
    ----------
    scenario : Scenario
        Says how many bits, which edge captures, and in which packets they go.
    clock : Fraction
        The remote clock in Hz.

    Returns
    -------
    captured, arrived : ndarray of int64, shape (N,), fs
        From the start of the clock; without the crossing of the barrier. In packets style a bit
        waits until its packet is full and the line is free of the packets before, and has
        arrived with the whole of it. Of frames that come evenly, no faster than the clock reads
        them and the line carries them, none finds the line taken by the one before.
    """
    edges = clock_edges(clock, scenario.bits_per_lane)
    captured = remote_clock.capture_offsets(*edges, scenario.remote_clock.capture)
    return captured, past_line(scenario, captured)


def past_line(scenario: Scenario, captured: Times) -> Times:
    """Return when bits captured at some instants are past a line that is free at first.

    Parameters
    ----------
    scenario : Scenario
        Says in which packets they go.
    captured : ndarray of int64, shape (N,), fs

    Returns
    -------
    ndarray of int64, shape (N,), fs
        The very instants where bits go one by one.
    """
    packets = packets_of(scenario)
    if packets is None:
        return captured
    free, whole = 0, []
    for packet in packets:
        free = sent_at(captured.item(packet.last), free, packet.line_time)
        whole += [free] * (packet.last - packet.first + 1)
    return np.array(whole, dtype=np.int64)
