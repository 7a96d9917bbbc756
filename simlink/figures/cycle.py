"""One trigger period, and how each side of the chain fills it.

Three things must fit the period of the triggers: the converter's cycle (conversion, then the
longer of readout and acquisition), the packets of a frame on the return line, and the host's
read cycle (its share of the service latency, then the read).
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING

from simlink.base.instants import FS_PER_SECOND
from simlink.link.transport import packets_of

if TYPE_CHECKING:
    from simlink.scenario.distributions import Distribution
    from simlink.scenario.schema import Scenario


@dataclass(frozen=True)
class Piece:
    """A stretch of a cycle: mean and largest value in seconds, the largest None if unbounded."""

    name: str
    mean: float
    largest: float | None


@dataclass(frozen=True)
class Cycle:
    """What one side does for each frame.

    Attributes
    ----------
    side : str
        ``"converter"``, ``"return line"`` or ``"host"``; ``"converter and host"`` where the
        host's own clock reads the converter.
    pieces : list of Piece
        One after another.
    period : float or None
        The time that it has for one frame, in seconds; None when triggers wait for the host.
    """

    side: str
    pieces: list[Piece] = field(default_factory=list)
    period: float | None = None

    @property
    def mean(self) -> float:
        """The mean length of the cycle in seconds."""
        return sum(piece.mean for piece in self.pieces)

    @property
    def largest(self) -> float | None:
        """The longest cycle in seconds, None if nothing bounds it."""
        total = 0.0
        for piece in self.pieces:
            if piece.largest is None:
                return None
            total += piece.largest
        return total

    @property
    def slack(self) -> float | None:
        """What is left of the period, on average, in seconds; negative if it does not fit."""
        return None if self.period is None else self.period - self.mean


def _piece(name: str, law: Distribution, share: float = 1.0) -> Piece:
    high = law.support[1]
    bounded = high < float("inf")
    return Piece(
        name,
        law.mean * share / FS_PER_SECOND,
        high * share / FS_PER_SECOND if bounded else None,
    )


def cycles(scenario: Scenario) -> list[Cycle]:
    """Return the cycle of each side, converter first.

    Parameters
    ----------
    scenario : Scenario
        Any scenario.

    Returns
    -------
    list of Cycle
        The return line only in packets style.
    """
    trigger = scenario.trigger
    spacing = average = None
    if trigger.rate is not None:
        spacing = average = float(1 / trigger.rate.value)
        if trigger.pattern == "burst":
            assert trigger.gap is not None
            assert trigger.burst_length is not None
            gap = trigger.gap.mean / FS_PER_SECOND
            average = (spacing * (trigger.burst_length - 1) + gap) / trigger.burst_length
    if scenario.link.scheme != "remote_master":
        return [_serial_cycle(scenario, spacing)]
    bits = scenario.bits_per_lane
    readout = float(bits / scenario.remote_clock.frequency.value)
    conversion = _piece("conversion", scenario.converter.conversion_time)
    start = _piece("start delay", scenario.remote_clock.start_delay)
    read_out = Piece("readout", readout, readout)
    remote = [conversion, start, read_out]
    acquisition = scenario.converter.acquisition_time
    spare = acquisition.mean / FS_PER_SECOND - start.mean - readout
    if spare > 0:
        remote.append(Piece("rest of acquisition", spare, spare))
    found = [Cycle("converter", [p for p in remote if p.mean or p.largest != 0], spacing)]
    packets = packets_of(scenario)
    if packets is not None:
        line = sum(packet.line_time for packet in packets) / FS_PER_SECOND
        found.append(Cycle("return line", [Piece("packets", line, line)], average))
    host = scenario.host
    read = float(bits / host.clock.value)
    # One latency serves a group: the watermark, or all that can wait when it reads on.
    group = scenario.fifo.depth if host.read_all else host.watermark
    name = "service latency" if group == 1 else f"service latency / {group}"
    service = _piece(name, host.service_latency, 1 / group)
    found.append(Cycle("host", [service, Piece("read", read, read)], average))
    return found


def _serial_cycle(scenario: Scenario, spacing: float | None) -> Cycle:
    """Return the cycle of a converter that the host's own clock reads.

    It holds one frame: from the trigger to the last clock edge everything is in line.
    """
    forward = scenario.barrier.direction("forward")
    back = scenario.barrier.direction("return")
    read = float(scenario.bits_per_lane / scenario.host.clock.value)
    pieces = [
        _piece("conversion", scenario.converter.conversion_time),
        _piece("busy crossing", back.delay),
        _piece("synchroniser", scenario.fifo.sync_delay),
        _piece("service latency", scenario.host.service_latency),
        _piece("clock crossing", forward.delay),
        Piece("read", read, read),
    ]
    acquisition = scenario.converter.acquisition_time.mean / FS_PER_SECOND
    spare = acquisition - sum(piece.mean for piece in pieces[1:])
    if spare > 0:
        pieces.append(Piece("rest of acquisition", spare, spare))
    kept = [piece for piece in pieces if piece.mean or piece.largest != 0]
    return Cycle("converter and host", kept, spacing)


def tightest(found: list[Cycle]) -> Cycle:
    """Return the cycle that leaves the smallest share of its time, or the longest one."""

    def room(cycle: Cycle) -> float:
        if cycle.period is None:
            return -cycle.mean
        return 1 - cycle.mean / cycle.period

    return min(found, key=room)
