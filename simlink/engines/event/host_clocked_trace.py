"""The traced parts of the schemes in which the host's clock reads the converter.

Signals beside those of `trace`:

======================  =========================================================================
``host.busy``           1 or 0, the converter's busy as it arrives at the host
``host.clock``          1 or 0, the clock that the host sends
``host.returned``       1 or 0, the returned clock as it arrives at the host
``host.data[l]``        the bit of lane l that is safe to capture at the host, -1 while the line
                        changes, -2 while undriven
``host.take[l]``        a bit of lane l is captured; value: the bit, -1 - bit if it is wrong
``host.read``           the conversion whose frame the host clocks out, -1 for none
``host.release``        a frame is released; value: its conversion
``remote.clock``        1 or 0, the clock as it arrives at the converter
``remote.data[l]``      the bit that is valid on lane l, -1 while it changes, -2 while undriven; a
                        bit that no clock takes away stays until the next fall of busy
``remote.lost``         an unread frame is overwritten; value: its conversion
======================  =========================================================================
"""

from __future__ import annotations

from typing import Any

import numpy as np

from simlink.base.instants import FAR
from simlink.engines.event import host
from simlink.engines.event import host_clocked as serial
from simlink.engines.event import host_clocked_side as serial_side
from simlink.engines.event.clockwork import EDGE, PUSH, Clockwork, Instant
from simlink.engines.event.frame import EdgeJitter, Frame, Trial
from simlink.link import host_clocked as serial_link
from simlink.link import line as data_line
from simlink.link.content import Taken
from simlink.link.line import CHANGING, UNDRIVEN
from simlink.records import FrameBlock
from simlink.tracing.trace import NO_FRAME, Recorder, Trace, run_window


class Lines:
    """The data lines at one place, noted when what is on them changes.

    Every frame has its own bits put on the lines in order; once a later frame has come to a line,
    nothing more of an earlier one shows on it.
    """

    recorder: Recorder

    def __init__(self, name: str, lanes: int) -> None:
        self.names = [f"{name}[{lane}]" for lane in range(lanes)]
        self.shown = [UNDRIVEN] * lanes
        self.frames = [-1] * lanes
        #: Whether the first bit of the frame that is on the line has been taken away.
        self.launched = [False] * lanes

    def comes(self, lane: int, index: int, now: int) -> None:
        """Bring a frame's first bit to a line, or let the line change ahead of it."""
        if index > self.frames[lane]:
            self.frames[lane], self.launched[lane] = index, False
            if self.shown[lane] != UNDRIVEN:
                # The same bit of the next frame is another one.
                self._show(lane, CHANGING)
        if index == self.frames[lane] and not self.launched[lane]:
            self._show(lane, now)

    def moves(self, lane: int, index: int, now: int) -> None:
        """Let a launching edge have its way on a line."""
        if index == self.frames[lane]:
            self.launched[lane] = True
            self._show(lane, now)

    def _show(self, lane: int, now: int) -> None:
        if self.shown[lane] != now:
            self.shown[lane] = now
            self.recorder.note(self.names[lane], now)


class TracedSerialTimer(host.TriggerTimer):
    """The trigger timer, noting triggers and timeouts."""

    recorder: Recorder

    def leave(self, index: int) -> None:
        """Note the trigger."""
        self.recorder.sent(index)
        self.recorder.note("host.trigger", index)
        super().leave(index)

    def give_up(self, index: int) -> None:
        """Note the timeout."""
        self.recorder.note("host.timeout", index)
        super().give_up(index)


class TracedSerialConverter(serial.SerialConverter):
    """The converter, noting its triggers, busy, its data lines and the clock that arrives."""

    recorder: Recorder

    def __init__(
        self, env: Clockwork, trial: Trial, record: FrameBlock, side: serial_side.SerialSide
    ) -> None:
        super().__init__(env, trial, record, side)
        self.lines = Lines("remote.data", trial.lanes)
        row = side.row.start
        self.data_valid = side.units.data_valid.item(row)
        self.data_hold = side.units.data_hold.item(row)

    def miss(self, index: int) -> None:
        """Note a missed trigger."""
        self.recorder.note("remote.missed", index)
        super().miss(index)
        self.recorder.settled(index)

    def accept(self, index: int) -> None:
        """Note a trigger that is taken."""
        self.recorder.note("remote.trigger", index)
        super().accept(index)

    def overwrite(self, frame: Frame) -> None:
        """Note a frame that is lost."""
        super().overwrite(frame)
        self.recorder.note("remote.lost", frame.index)
        self.recorder.settled(frame.index)

    def busy_rises(self, event: Instant) -> None:
        """Note busy rising."""
        self.recorder.level("remote.busy", 1)
        super().busy_rises(event)

    def busy_falls(self, event: Instant) -> None:
        """Note busy falling, if it had risen, and the first bit coming."""
        self.recorder.level("remote.busy", 0)
        super().busy_falls(event)
        frame, valid = event.payload, self.trial.msb_valid
        self._comes(frame, CHANGING if valid else 0)
        if valid:
            Instant(self.env, self.env.now + valid, EDGE, self._first_bit, frame)

    def _first_bit(self, event: Instant) -> None:
        self._comes(event.payload, 0)

    def _comes(self, frame: Frame, now: int) -> None:
        for lane in range(self.trial.lanes):
            self.lines.comes(lane, frame.index, now)

    def clocked(self, event: Instant) -> None:
        """Plan what a clock that is taken does to the lines."""
        super().clocked(event)
        frame, reading, cycle, level = event.payload
        if reading.heard and level and cycle == 0:
            launches = serial_link.filled(reading.arriving.falling, self.trial.bits, FAR)
            bits = data_line.launched(launches, self.data_valid, self.data_hold)
            for time, now in data_line.line_changes(*bits):
                Instant(self.env, time, EDGE, self._launched, (frame, now))

    def _launched(self, event: Instant) -> None:
        frame, now = event.payload
        for lane in range(self.trial.lanes):
            self.lines.moves(lane, frame.index, now)

    def edge(self, frame: Frame, cycle: int, level: bool) -> None:
        """Note an edge of the clock that arrives."""
        self.recorder.note("remote.clock", int(level))


class TracedSerialReader(serial.SerialReader):
    """The host, noting busy, its clock, what comes back and the bits it captures."""

    recorder: Recorder
    level = False
    reading = False

    def __init__(
        self, env: Clockwork, trial: Trial, record: FrameBlock, side: serial_side.SerialSide
    ) -> None:
        super().__init__(env, trial, record, side)
        self.lines = Lines("host.data", trial.lanes)
        # Asked for as busy falls; the side asks for those of a frame later, as it is read.
        law = trial.scenario.barrier.direction("return").jitter
        self.first_jitter = EdgeJitter(trial, law, serial_side.lane_sources(trial), trial.bits)

    def send_busy(self, frame: Frame, level: bool) -> None:
        """Plan the arrival of the first bit, which comes with the fall of busy."""
        super().send_busy(frame, level)
        if level:
            return
        trial, units, row = self.trial, self.side.units, self.side.row
        ready = np.asarray(frame.ready)
        # The fall of busy takes away what was on the line and brings bit 0, on one and the same
        # edge of each lane.
        line = serial_link.line_at_host(
            ready[np.newaxis],
            ready,
            np.asarray(trial.msb_valid),
            units.data_valid[row][0],
            np.asarray(0),
            trial.lane_delay,
            units.return_distortion[row][0],
            self.first_jitter(frame.index)[:, [0, 0]],
            self.side.last_changes(),
        )
        for lane, (gone, comes) in enumerate(
            zip(line.until[:, 0].tolist(), line.valid[:, 0].tolist(), strict=True)
        ):
            if gone < comes:
                Instant(self.env, gone, PUSH, self._first_bit, (frame, lane, CHANGING))
            Instant(self.env, comes, PUSH, self._first_bit, (frame, lane, 0))

    def _first_bit(self, event: Instant) -> None:
        frame, lane, now = event.payload
        self.lines.comes(lane, frame.index, now)

    def clock_out(self, frame: Frame, start: int) -> serial_side.Reading:
        """Note the read, and plan what its clock does to the lines."""
        self.recorder.note("host.read", frame.index)
        self.reading = True
        reading = super().clock_out(frame, start)
        for lane, (valid, until) in enumerate(
            zip(reading.line.valid, reading.line.until, strict=True)
        ):
            for time, now in data_line.line_changes(valid, until):
                Instant(self.env, time, PUSH, self._launched, (frame, reading, lane, now))
        return reading

    def _launched(self, event: Instant) -> None:
        frame, reading, lane, now = event.payload
        if reading.heard:
            self.lines.moves(lane, frame.index, now)

    def _read(self) -> None:
        if self.reading:
            self.reading = False
            self.recorder.note("host.read", NO_FRAME)

    def busy_moves(self, level: bool) -> None:
        """Note busy at the host."""
        if level != self.level:
            self.level = level
            self.recorder.note("host.busy", int(level))

    def release(self, event: Instant) -> None:
        """Note a release."""
        if not event.payload.discarded:
            self.recorder.note("host.release", event.payload.index)
        super().release(event)

    def comes_back(self, event: Instant) -> None:
        """Note an edge of the returned clock."""
        self.recorder.note("host.returned", int(event.payload))

    def capture(self, event: Instant) -> None:
        """Note the bits captured."""
        frame, reading, bit = event.payload
        super().capture(event)
        for lane in range(self.trial.lanes):
            taken = Taken(int(reading.taken[lane, bit]))
            right = frame.admitted is not False and taken is Taken.RIGHT
            self.recorder.take(frame.index, lane, bit, taken)
            self.recorder.note(f"host.take[{lane}]", bit if right else -1 - bit)

    def rise(self) -> None:
        """Note a rising edge of the clock that is sent."""
        self.recorder.note("host.clock", 1)

    def fall(self) -> None:
        """Note a falling edge of the clock that is sent."""
        self.recorder.note("host.clock", 0)

    def serve(self, now: bool) -> None:
        """Note a service that begins, or ends and its read with it."""
        self._read()
        self.recorder.note("host.service", int(now))

    def finish(self, frame: Frame, reading: serial_side.Reading) -> None:
        """Note the end of the read, and settle the frame."""
        super().finish(frame, reading)
        self._read()
        self.recorder.settled(frame.index)


class TracedSerialChain(serial.SerialChain):
    """The chain made of traced parts."""

    timer_part = TracedSerialTimer
    serial_converter_part = TracedSerialConverter
    serial_reader_part = TracedSerialReader

    def __init__(self, trial: Trial, record: FrameBlock, trace: Trace) -> None:
        super().__init__(trial, record)
        self.recorder = Recorder(self.env, trace)
        parts: tuple[Any, ...] = (self.timer, self.serial_converter, self.serial_reader)
        for part in parts:
            part.recorder = self.recorder
        for part in (self.serial_converter, self.serial_reader):
            assert isinstance(part, TracedSerialConverter | TracedSerialReader)
            part.lines.recorder = self.recorder

    def run(self) -> None:
        """Run until the window has closed and its timeouts are decided, or to the end."""
        run_window(self, self.recorder)
