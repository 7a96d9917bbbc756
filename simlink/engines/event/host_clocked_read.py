"""One frame's read by the host's clock, worked out when the host starts to clock it."""

from __future__ import annotations

from dataclasses import dataclass, field
from itertools import cycle, islice

from simlink.base.instants import FAR, NEVER
from simlink.engines.event.channel import Channel
from simlink.engines.event.frame import EdgeJitter, Frame, Trial
from simlink.engines.event.upsets import hits_of
from simlink.engines.event.wrong import note
from simlink.link import host_clocked, line
from simlink.link.content import BitOutcome, read
from simlink.link.damage import judged
from simlink.records import Cause

_RIGHT = int(BitOutcome.RIGHT)


@dataclass(eq=False)
class Reading:
    """One frame's read; instants in fs."""

    frame: Frame
    #: When the host's clock starts.
    start: int
    #: Rising edge 0, falling edge 0, ... of the clock as it arrives at the converter, and as it
    #: comes back to the host; without swallowed pulses.
    arriving: list[int] = field(default_factory=list)
    returning: list[int] = field(default_factory=list)
    #: The edges that launch bits, and from when and until when each bit is valid at the converter.
    launches: list[int] = field(default_factory=list)
    begins: list[int] = field(default_factory=list)
    ends: list[int] = field(default_factory=list)
    #: From when and until when each bit of each lane can be captured at the host.
    valid: list[list[int]] = field(default_factory=list)
    until: list[list[int]] = field(default_factory=list)
    #: When each bit is captured; `FAR` if its edge never comes.
    captured: list[int] = field(default_factory=list)
    #: The `BitOutcome` of each bit of each lane.
    outcomes: list[list[int]] = field(default_factory=list)
    #: Whether the converter took the clock, or ignored it, once its first edge has arrived.
    clock_accepted: bool = False
    ignored: bool = False
    #: Whether the host has captured all.
    over: bool = False
    #: Lane and place of the bits that arrive inverted.
    inverted: set[tuple[int, int]] = field(default_factory=set)
    #: Whether a transient took pulses out of the clock, or put some in, on its way or on its way
    #: back.
    pulses_hit: bool = False

    @property
    def index(self) -> int:
        """The conversion."""
        return self.frame.index


def lane_sources(trial: Trial) -> list[str]:
    """Return the sources of the jitter of the data lanes."""
    return [f"barrier.return.jitter lane {lane}" for lane in range(trial.lanes)]


class ReadPath:
    """The channels of a read, with their jitter: clock, returned clock and data lanes.

    Only the returned clock comes back to the host.
    """

    def __init__(
        self, trial: Trial, clock: Channel, returned: Channel | None, lanes: list[Channel]
    ) -> None:
        self.trial = trial
        self.clock, self.returned, self.lanes = clock, returned, lanes
        law = trial.scenario.barrier
        forward, back = law.direction("forward").jitter, law.direction("return").jitter
        cycles, sources = 2 * trial.bits, lane_sources(trial)
        self.clock_jitter = EdgeJitter(trial, forward, ["barrier.forward.jitter clock"], cycles)
        self.returned_jitter = EdgeJitter(trial, back, ["barrier.return.jitter clock"], cycles)
        self.data_jitter = EdgeJitter(trial, back, sources, trial.bits)
        self.last_jitter = EdgeJitter(trial, back, [f"{lane} end" for lane in sources], 1)
        self.by_rising = trial.scenario.host.capture.half_periods == 1
        self.hits = [
            hits_of(trial, "return", f"lane {lane}", trial.bits) for lane in range(trial.lanes)
        ]
        self.lane_ahead = [NEVER] * trial.lanes
        self.before: Reading | None = None

    def last_changes(self) -> list[int]:
        """Return when each lane last changed at the host: only a clock that was taken moves it."""
        if self.before is not None and self.before.clock_accepted:
            for lane, until in enumerate(self.before.until):
                if until[-1] < FAR:
                    self.lane_ahead[lane] = until[-1]
        return self.lane_ahead

    def send(self, frame: Frame, start: int, every_edge: bool) -> Reading:
        """Send the clock of a frame's read on its way, and work out what comes of it.

        The converter meets its first edge; others are events only where every edge is one.
        """
        trial, unit, index = self.trial, self.trial.unit, frame.index
        ahead = self.last_changes()
        self.before = reading = Reading(frame, start)
        edges = [0] * (2 * trial.bits)
        edges[::2] = [start + rising for rising in trial.host_rising]
        edges[1::2] = [start + falling for falling in trial.host_falling]
        reading.arriving = self.clock.send_clock(
            reading, edges, self.clock_jitter(index)[0], len(edges) if every_edge else 1
        )
        reading.captured = [start + captured for captured in trial.host_captured]
        reading.launches = self._filled(reading.arriving[1::2])
        reading.begins, reading.ends = line.launched(
            reading.launches, unit.data_valid, unit.data_hold, frame.ready + unit.msb_valid
        )
        jitter, last = self.data_jitter(index), self.last_jitter(index)
        for lane, channel in enumerate(self.lanes):
            valid, until = channel.carry(
                reading.begins, reading.ends, jitter[lane] + last[lane], ahead[lane]
            )
            reading.valid.append(valid)
            reading.until.append(until)
            hits = self.hits[lane]
            if hits is not None:
                reading.inverted |= {
                    (lane, bit)
                    for bit, begins in enumerate(reading.begins)
                    if begins < FAR and hits(index, bit, begins, valid[bit])
                }
        self._come_back(reading, every_edge)
        self._judge(reading)
        return reading

    def _come_back(self, reading: Reading, every_edge: bool) -> None:
        """Send the clock back, if it is; the edges that come back then capture the bits."""
        if self.returned is not None:
            arriving = reading.arriving
            drawn = self.returned_jitter(reading.frame.index)[0]
            jitter = list(islice(cycle(drawn), max(len(arriving), len(drawn))))
            most = len(arriving) if every_edge else 0
            reading.returning = self.returned.send_clock(reading, arriving, jitter, most)
            reading.captured = self._filled(reading.returning[0 if self.by_rising else 1 :: 2])

    def _judge(self, reading: Reading) -> None:
        """Tell which bit each capture gives."""
        unit, captured, last = self.trial.unit, reading.captured, self.trial.bits - 1
        for valid, until in zip(reading.valid, reading.until, strict=True):
            reading.outcomes.append(
                [
                    host_clocked.bit_outcome(
                        captured[bit],
                        unit.host_setup,
                        unit.host_hold,
                        valid[bit],
                        until[bit],
                        until[bit - 1] if bit else FAR,
                        valid[bit + 1] if bit < last else FAR,
                    )
                    for bit in range(last + 1)
                ]
            )

    def _filled(self, edges: list[int]) -> list[int]:
        """Return one edge a bit; those that never come are far in the future."""
        return (edges + [FAR] * (self.trial.bits - len(edges)))[: self.trial.bits]


def is_wrong(reading: Reading, data: int) -> bool:
    """Tell whether any of the first bits of a lane, its words', was captured wrong, or never."""
    return (
        reading.captured[data - 1] >= FAR
        or any(outcome != _RIGHT for lane in reading.outcomes for outcome in lane[:data])
        or any(bit < data for _, bit in reading.inverted)
    )


def bits_read(trial: Trial, reading: Reading, lane: int) -> list[int]:
    """Return the bits of a lane as the host has them.

    What follows the last bit of a register that was shifted is 0, as the line is at rest.
    """
    shifted = reading.frame.shifted
    register = (trial.sent(reading.index, lane) + [0] * shifted)[shifted:]
    outcomes = {bit: BitOutcome(how) for bit, how in enumerate(reading.outcomes[lane])}
    inverted = {bit for whose, bit in reading.inverted if whose == lane}
    came = sum(time < FAR for time in reading.captured)
    return read(register, outcomes, inverted, came)


def judge(trial: Trial, reading: Reading) -> None:
    """Record what is wrong with a frame that was read, whose fate is known but for its check."""
    bits, frame = trial.bits, reading.frame
    if not frame.shifted and not is_wrong(reading, bits):
        return
    damage = set()
    for lane in range(trial.lanes):
        sent, got = trial.sent(frame.index, lane), bits_read(trial, reading, lane)
        damage |= {(lane, bit) for bit in range(bits) if got[bit] != sent[bit]}
    pulses_hit = reading.pulses_hit or frame.shifted > 0
    hurt = damage if pulses_hit else reading.inverted
    hit = (1 << Cause.CLOCK) * pulses_hit | (1 << Cause.DATA) * bool(reading.inverted)
    wrong = sum(bit < trial.data for _, bit in hurt)
    note(trial, frame.index, wrong, judged(trial.layout, damage), hit, failed=False)
