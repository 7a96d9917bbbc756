"""The traced parts of the schemes in which the host's clock reads the converter.

Signals beside those of `trace`:

======================  =========================================================================
``host.busy``           1 or 0, the converter's busy as it arrives at the host
``host.clock``          1 or 0, the clock that the host sends
``host.returned``       1 or 0, the returned clock as it arrives at the host
``host.data[l]``        a bit of lane l becomes safe to capture at the host; value: the bit
``host.take[l]``        a bit of lane l is captured; value: the bit, -1 - bit if it is wrong
``host.release``        a frame is released; value: its conversion
``remote.clock``        1 or 0, the clock as it arrives at the converter
``remote.lost``         an unread frame is overwritten; value: its conversion
======================  =========================================================================
"""

from __future__ import annotations

from typing import Any

from simlink.engines.event import host, serial
from simlink.engines.event.clockwork import Instant
from simlink.engines.event.frame import Frame, Trial
from simlink.engines.event.trace import Recorder, Trace, run_window
from simlink.parts.content import Taken
from simlink.records import FrameBlock


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
    """The converter, noting its triggers, busy and the clock that arrives."""

    recorder: Recorder

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
        """Note busy falling, if it had risen."""
        self.recorder.level("remote.busy", 0)
        super().busy_falls(event)

    def edge(self, frame: Frame, cycle: int, level: bool) -> None:
        """Note an edge of the clock that arrives."""
        self.recorder.note("remote.clock", int(level))


class TracedSerialReader(serial.SerialReader):
    """The host, noting busy, its clock, what comes back and the bits it captures."""

    recorder: Recorder
    level = False

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

    def arrives(self, event: Instant) -> None:
        """Note a bit that is safe to capture."""
        _, lane, bit = event.payload
        self.recorder.note(f"host.data[{lane}]", bit)

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
        """Note a service that begins or ends."""
        self.recorder.note("host.service", int(now))

    def finish(self, frame: Frame, reading: serial.Reading) -> None:
        """Settle the frame."""
        super().finish(frame, reading)
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

    def run(self) -> None:
        """Run until the window has closed and its timeouts are decided, or to the end."""
        run_window(self, self.recorder)
