"""Reads by the host's own clock, many at once: what each does once its start is known.

Arrays have the reads along their leading axes: conversions and trials of a block, or just a
list of (conversion, trial) pairs.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from simlink.base.instants import FAR, NEVER, Times, clock_edges
from simlink.engines.batch.columns import Draws, Flags
from simlink.link import host_clocked as serial_link
from simlink.link.host_clocked import Clock

if TYPE_CHECKING:
    from simlink.link.host_clocked_unit import SerialUnits
    from simlink.link.unit import Units
    from simlink.scenario.distributions import Distribution
    from simlink.scenario.schema import Scenario

#: Jitter of the edges of a block, by channel; see `EdgeDraws`.
Jitter = dict[str, Times]


class EdgeDraws:
    """The jitter of every edge of the channels that take part in a read.

    Attributes
    ----------
    constant : dict of ndarray
        Where a direction's jitter never varies: shape (1, 1, ...) as in `take`.
    shapes : dict of tuple
        Where it does: the channels' names, and the shape of their edges in one conversion.
    """

    def __init__(self, scenario: Scenario, trials: range) -> None:
        bits, lanes = scenario.bits_per_lane, scenario.frame.lanes
        forward = scenario.barrier.direction("forward").jitter
        back = scenario.barrier.direction("return").jitter
        shapes: dict[str, tuple[Distribution, list[tuple[str, int]], tuple[int, ...]]] = {
            "clock": (forward, [("barrier.forward.jitter clock", 2 * bits)], (2 * bits,)),
            "busy": (back, [("barrier.return.jitter busy", 2)], (2,)),
            "data": (
                back,
                [
                    one
                    for lane in range(lanes)
                    for one in (
                        (f"barrier.return.jitter lane {lane}", bits),
                        (f"barrier.return.jitter lane {lane} end", 1),
                    )
                ],
                (lanes, bits + 1),
            ),
        }
        if scenario.link.scheme == "returned_clock":
            channels = [("barrier.return.jitter clock", 2 * bits)]
            shapes["returned"] = (back, channels, (2 * bits,))
        self.constant: Jitter = {}
        self.shapes: dict[str, tuple[int, ...]] = {}
        self._draws: dict[str, list[Draws]] = {}
        for name, (law, channels, shape) in shapes.items():
            if law.is_constant:
                self.constant[name] = np.full((1, 1, *shape), law.constant_value, dtype=np.int64)
                continue
            self.shapes[name] = shape
            self._draws[name] = [
                Draws(law, scenario.seed, trials, source, edges, edge)
                for source, edges in channels
                for edge in range(edges)
            ]

    @property
    def of_reads(self) -> dict[str, tuple[int, ...]]:
        """What varies from read to read: the channels' names, and the shape of their edges."""
        return {name: shape for name, shape in self.shapes.items() if name != "busy"}

    @staticmethod
    def drawn(scenario: Scenario) -> int:
        """Return how many draws a conversion of a scenario takes."""
        bits, lanes, count = scenario.bits_per_lane, scenario.frame.lanes, 0
        if not scenario.barrier.direction("forward").jitter.is_constant:
            count += 2 * bits
        if not scenario.barrier.direction("return").jitter.is_constant:
            count += lanes * (bits + 1) + 2
            count += 2 * bits * (scenario.link.scheme == "returned_clock")
        return count

    def take(self, rows: int) -> Jitter:
        """Return the jitter of the next rows, int64 fs.

        ``clock`` and ``returned``: shape (rows, T, 2 N); ``data``: (rows, T, lanes, N + 1);
        ``busy``: (rows, T, 2). Constant ones have a length of 1 in place of rows and T.
        """
        found = dict(self.constant)
        for name, draws in self._draws.items():
            edges = np.stack([one.take(rows) for one in draws], axis=-1)
            found[name] = edges.reshape(*edges.shape[:2], *self.shapes[name])
        return found


@dataclass
class Ahead:
    """When each channel's last edge before a read came out, fs.

    Attributes
    ----------
    clock, returned : ndarray of int64, shape (...)
    lanes : ndarray of int64, shape (..., lanes)
    """

    clock: Times
    returned: Times
    lanes: Times


@dataclass
class Reads:
    """What reads do; arrays of int64 fs, shape (...) unless said.

    Attributes
    ----------
    first, last : ndarray
        The clock's first rising and last falling edge as they arrive at the converter; FAR and
        NEVER if none arrives.
    end : ndarray
        When the host is done.
    captured : ndarray, shape (..., N)
        FAR where a capture never comes.
    wrong : ndarray of bool
        Whether any bit is.
    clock, returned : ndarray
        When the channels' last edges come out; ``returned`` is NEVER if there is none.
    comes_back : ndarray
        When the first edge of the returned clock comes out.
    valid, until : ndarray, shape (..., lanes)
        When bit 0 becomes safe to capture, and stops being so.
    changes : ndarray, shape (..., lanes)
        When the last bit goes.
    """

    first: Times
    last: Times
    end: Times
    captured: Times
    wrong: Flags
    clock: Times
    returned: Times
    comes_back: Times
    valid: Times
    until: Times
    changes: Times


class Reader:
    """Works out reads for the units of a chunk of trials."""

    def __init__(self, scenario: Scenario, units: Units, serial: SerialUnits) -> None:
        self.units = units
        self.serial = serial
        self.bits = scenario.bits_per_lane
        self.lanes = scenario.frame.lanes
        self.word_bits = scenario.frame.word_bits
        self.words_per_lane = scenario.frame.words_per_lane
        self.returns = scenario.link.scheme == "returned_clock"
        self.by_rise = scenario.host.capture.half_periods == 1
        self.take, self.take_end = clock_edges(scenario.host.clock.value, self.bits)

    def nothing_ahead(self) -> Ahead:
        """Return channels on which nothing has been sent."""
        never = np.array(NEVER)
        return Ahead(never, never, np.full(self.lanes, NEVER, dtype=np.int64))

    def read(
        self, start: Times, ready: Times, who: Times | slice, jitter: Jitter, ahead: Ahead
    ) -> Reads:
        """Work out some reads.

        Parameters
        ----------
        start, ready : ndarray of int64, shape (...), fs
            When the host starts its clock; when busy fell at the converter.
        who : index
            Whose units: trials of the chunk along the last axis.
        jitter : dict of ndarray
            As `EdgeDraws.take` gives it, without leading axes or with those of the reads.
        ahead : Ahead
            What must not be overtaken.
        """
        serial, units = self.serial, self.units
        sent = Clock(start[..., np.newaxis] + self.take, start[..., np.newaxis] + self.take_end)
        arriving = serial_link.across(
            sent,
            serial.clock[who][..., np.newaxis],
            serial.forward_distortion[who][..., np.newaxis],
            jitter["clock"],
            ahead.clock,
        )
        clock = arriving.falling[..., -1]
        arriving = _surviving(arriving, serial.forward_pulse[who])
        line = serial_link.line_at_host(
            arriving.falling,
            ready,
            units.msb_valid[who],
            serial.data_valid[who],
            serial.data_hold[who],
            units.lanes[who],
            serial.return_distortion[who],
            jitter["data"],
            ahead.lanes,
        )
        if self.returns:
            captured, comes_back, returned = self._returned(arriving, who, jitter, ahead)
        else:
            captured = start[..., np.newaxis] + serial.captured
            comes_back, returned = np.full(start.shape, FAR), np.full(start.shape, NEVER)
        taken = serial_link.judge(line, captured, serial.setup[who], serial.hold[who])
        missing = captured >= FAR
        wrong = (taken != 0).any(axis=(-1, -2)) | missing.any(axis=-1)
        latest = np.where(missing, NEVER, captured).max(axis=-1)
        return Reads(
            first=arriving.rising[..., 0],
            last=np.where(arriving.falling < FAR, arriving.falling, NEVER).max(axis=-1),
            end=np.maximum(start + self.take_end[-1], latest),
            captured=captured,
            wrong=wrong,
            clock=clock,
            returned=returned,
            comes_back=comes_back,
            valid=line.valid[..., 0],
            until=line.until[..., 0],
            changes=line.until[..., -1],
        )

    def _returned(
        self, arriving: Clock, who: Times | slice, jitter: Jitter, ahead: Ahead
    ) -> tuple[Times, Times, Times]:
        """Return the captures of a clock that comes back, and its first and last edge."""
        serial = self.serial
        back = serial_link.across(
            arriving,
            serial.returned[who][..., np.newaxis],
            serial.return_distortion[who][..., np.newaxis],
            jitter["returned"],
            ahead.returned,
        )
        # Edges that never left do not come back.
        back = Clock(np.minimum(back.rising, FAR), np.minimum(back.falling, FAR))
        last = np.where(back.falling < FAR, back.falling, NEVER).max(axis=-1)
        first = back.rising[..., 0]
        back = _surviving(back, serial.return_pulse[who])
        return (back.rising if self.by_rise else back.falling), first, last

    def words(self, captured: Times, kept: Flags) -> tuple[Times, Times]:
        """Return when each word's first and last bit is captured.

        Parameters
        ----------
        captured : ndarray of int64, shape (..., N), fs
            When each bit is.
        kept : ndarray of bool, shape (...)
            Whose words have such times.

        Returns
        -------
        first_bit, last_bit : ndarray of int64, shape (..., lanes, words), fs
        """
        known = np.where(kept[..., np.newaxis] & (captured < FAR), captured, NEVER)
        shape = (*captured.shape[:-1], self.lanes, self.words_per_lane)
        return tuple(  # type: ignore[return-value]
            np.broadcast_to(known[..., np.newaxis, place :: self.word_bits], shape)
            for place in (0, self.word_bits - 1)
        )


def _surviving(clock: Clock, min_pulse: Times) -> Clock:
    """Return what is left of clocks once too short pulses are swallowed; FAR for what is not."""
    if int(min_pulse.max(initial=0)) <= 0:
        return clock
    rising, falling = clock.rising, clock.falling
    least = np.broadcast_to(min_pulse, rising.shape[:-1])
    high, low = serial_link.swallowed(clock, least[..., np.newaxis])
    some = high.any(axis=-1) | low.any(axis=-1)
    if not some.any():
        return clock
    rising, falling = rising.copy(), falling.copy()
    count = rising.shape[-1]
    for place in zip(*np.nonzero(some), strict=True):
        there = rising[place] < FAR
        left = serial_link.surviving(
            Clock(rising[place][there], falling[place][there]), int(least[place])
        )
        rising[place] = serial_link.filled(left.rising, count, FAR)
        falling[place] = serial_link.filled(left.falling, count, FAR)
    return Clock(rising, falling)
