"""One unit's serial read by the host's clock, worked out when the host starts to clock it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simlink.base.instants import FAR, NEVER, Times
from simlink.engines.event.frame import EdgeJitter, Frame, Trial
from simlink.link import host_clocked as serial_link
from simlink.link import host_clocked_unit as serial_unit
from simlink.link.host_clocked import Clock, Line


@dataclass
class Reading:
    """One frame's read, worked out when the host starts to clock it.

    Attributes
    ----------
    arriving : Clock
        The clock as it arrives at the converter, without swallowed pulses, shape (m,), fs.
    returning : Clock or None
        The clock as it comes back to the host; None for the forwarded clock.
    line : Line
        What is safe to capture, shape (lanes, N), fs.
    captured : ndarray of int64, shape (N,), fs
        When each bit is captured; far in the future if its edge never comes.
    taken : ndarray of int8, shape (lanes, N)
        How each bit is taken, as `content.Taken`.
    """

    arriving: Clock
    returning: Clock | None
    line: Line
    captured: Times
    taken: npt.NDArray[np.int8]
    #: Whether the converter took the clock, once its first edge has arrived.
    heard: bool = False


def lane_sources(trial: Trial) -> list[str]:
    """Return the sources of the jitter of the data lanes."""
    return [f"barrier.return.jitter lane {lane}" for lane in range(trial.lanes)]


class SerialSide:
    """What the unit and the draws of one trial say about its serial read."""

    def __init__(self, trial: Trial, units: serial_unit.SerialUnits) -> None:
        row = trial.number - units.trials.start
        self.trial = trial
        self.units = units
        self.row = slice(row, row + 1)
        self.returns = trial.scenario.link.scheme == "returned_clock"
        law = trial.scenario.barrier
        cycles = 2 * trial.bits
        forward, back = law.direction("forward").jitter, law.direction("return").jitter
        self.clock_jitter = EdgeJitter(trial, forward, ["barrier.forward.jitter clock"], cycles)
        self.returned_jitter = EdgeJitter(trial, back, ["barrier.return.jitter clock"], cycles)
        lanes = lane_sources(trial)
        self.data_jitter = EdgeJitter(trial, back, lanes, trial.bits)
        self.last_jitter = EdgeJitter(trial, back, [f"{lane} end" for lane in lanes], 1)
        self.clock_ahead = NEVER
        self.returned_ahead = NEVER
        self.lane_ahead = np.full(trial.lanes, NEVER, dtype=np.int64)
        self.before: Reading | None = None

    def last_changes(self) -> Times:
        """Return when each lane last changed at the host, for the last read that was heard."""
        if self.before is not None and self.before.heard:
            # A lane moves only for a clock that the converter took.
            changes = self.before.line.until[:, -1]
            self.lane_ahead = np.where(changes < FAR, changes, self.lane_ahead)
        return self.lane_ahead

    def read(self, frame: Frame, start: int) -> Reading:
        """Return the read of a frame whose clock starts at an instant."""
        trial, units, row = self.trial, self.units, self.row
        ahead = self.last_changes()
        sent = Clock(
            start + np.array(trial.take, dtype=np.int64),
            start + np.array(trial.take_end, dtype=np.int64),
        )
        arriving = serial_link.across(
            sent,
            units.clock[row],
            units.forward_distortion[row],
            self.clock_jitter(frame.index)[0],
            np.asarray(self.clock_ahead),
        )
        self.clock_ahead = int(arriving.falling[-1])
        arriving = serial_link.surviving(arriving, units.forward_pulse.item(row.start))
        launches = serial_link.filled(arriving.falling, trial.bits, FAR)
        jitter = np.concatenate(
            [self.data_jitter(frame.index), self.last_jitter(frame.index)], axis=-1
        )
        line = serial_link.line_at_host(
            launches,
            np.asarray(frame.ready),
            np.asarray(trial.msb_valid),
            units.data_valid[row][0],
            units.data_hold[row][0],
            trial.lane_delay,
            units.return_distortion[row][0],
            jitter,
            ahead,
        )
        returning, captured = None, start + units.captured
        if self.returns:
            returning, captured = self._returned(arriving, frame)
        taken = serial_link.judge(line, captured, units.setup[row][0], units.hold[row][0])
        self.before = Reading(arriving, returning, line, captured, taken)
        return self.before

    def _returned(self, arriving: Clock, frame: Frame) -> tuple[Clock, Times]:
        """Return the clock as it comes back, and the captures that it makes."""
        units, row, trial = self.units, self.row, self.trial
        count = len(arriving.rising)
        back = serial_link.across(
            arriving,
            units.returned[row],
            units.return_distortion[row],
            self.returned_jitter(frame.index)[0, : 2 * count],
            np.asarray(self.returned_ahead),
        )
        if count:
            self.returned_ahead = int(back.falling[-1])
        back = serial_link.surviving(back, units.return_pulse.item(row.start))
        half = trial.scenario.host.capture.half_periods == 1
        edges = back.rising if half else back.falling
        return back, serial_link.filled(edges, trial.bits, FAR)
