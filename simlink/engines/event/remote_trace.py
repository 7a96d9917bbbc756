"""The traced parts of the remote-master scheme.

Signals, all with the instant, the signal's name and its new value:

======================  =========================================================================
``host.trigger``        a trigger leaves; value: its conversion
``host.busy``           1 or 0 (a host timer alone; a remote timer raises no busy at the host)
``host.timeout``        the host gives a conversion up; value: the conversion
``host.service``        1 while the host serves, its latency included, else 0
``host.read``           the conversion whose frame is being read, -1 for none
``host.clock``          1 or 0, the clock that reads the FIFO
``host.take[l]``        a bit of lane l is taken; value: the bit, -1 - bit if it was not there
``fifo.push[l]``        a bit of lane l is pushed; value: the bit
``fifo.level``          slots taken
``fifo.release``        a frame is released; value: its conversion
``fifo.overrun``        a frame is refused or discarded; value: its conversion
``remote.trigger``      a trigger arrives and is taken; value: its conversion
``remote.missed``       a trigger arrives and is missed; value: its conversion
``remote.busy``         1 or 0, the converter's busy
``remote.clock``        1 or 0, the remote serial clock
``remote.data[l]``      the bit that is valid on lane l, -1 while it changes, -2 while undriven
``remote.capture``      the bit captured by the remote master, -1 - bit if it is wrong
``remote.credit``       credits of a stalling master after one has arrived
======================  =========================================================================
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Any

import numpy as np

from simlink.base.draws import once
from simlink.base.instants import NEVER
from simlink.engines.event import fifo, host, remote
from simlink.engines.event.clockwork import EDGE, SERVICE, Instant
from simlink.engines.event.frame import Frame, Trial
from simlink.engines.event.wiring import Chain
from simlink.link import host as host_rules
from simlink.link import line as data_line
from simlink.link.content import Taken
from simlink.records import FrameBlock
from simlink.tracing.trace import NO_FRAME, Recorder, Trace, run_window


class TracedTimer(host.TriggerTimer):
    """The trigger timer, noting triggers, busy and timeouts."""

    recorder: Recorder

    def _busy(self, level: bool) -> None:
        if self.from_host:
            self.recorder.level("host.busy", int(level))

    def leave(self, index: int) -> None:
        """Note the trigger and the rise of busy."""
        self.recorder.sent(index)
        self.recorder.note("host.trigger", index)
        self._busy(True)
        super().leave(index)

    def released(self, frame: Frame) -> bool:
        """Note the fall of busy."""
        falls = super().released(frame)
        if falls:
            self._busy(False)
        return falls

    def give_up(self, index: int) -> None:
        """Note the timeout."""
        self.recorder.note("host.timeout", index)
        if index >= self.last_sent:
            self._busy(False)
        super().give_up(index)


class TracedConverter(remote.Converter):
    """The converter, noting its triggers and busy."""

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

    def busy_rises(self, event: Instant) -> None:
        """Note busy rising, unless it would rise no earlier than its own fall."""
        if event.payload.ready > self.env.now:
            self.recorder.level("remote.busy", 1)


class TracedMaster(remote.RemoteMaster):
    """The remote master, noting its clock."""

    recorder: Recorder

    def ready(self, frame: Frame) -> None:
        """Note busy falling, if it had risen, and the first bit coming."""
        self.recorder.level("remote.busy", 0)
        assert isinstance(self.channels, TracedChannels)
        self.channels.ready()

    def rise(self, frame: Frame, bit: int) -> None:
        """Note a rising edge, and the capture if it is this one that captures."""
        self.recorder.note("remote.clock", 1)
        if self.half:
            self._captured(frame, bit)

    def fall(self, frame: Frame, bit: int) -> None:
        """Note a falling edge, and the capture if it is this one that captures."""
        self.recorder.note("remote.clock", 0)
        if not self.half:
            self._captured(frame, bit)

    def _captured(self, frame: Frame, bit: int) -> None:
        early = frame.wrong and bit == 0
        wrong = early or self.trial.wrong_later[bit]
        if wrong:
            # Too early is the bit before; past its hold, a bit is already the next one.
            past = not early and self.trial.past_hold[bit]
            for lane in range(self.trial.lanes):
                self.recorder.take(frame.index, lane, bit, Taken.NEXT if past else Taken.FORMER)
        self.recorder.note("remote.capture", -1 - bit if wrong else bit)

    def credit(self, event: Instant) -> None:
        """Note a credit."""
        super().credit(event)
        self.recorder.note("remote.credit", self.credits)


class TracedChannels(remote.ReturnChannels):
    """The return channels, noting the converter's data lines ahead of them."""

    recorder: Recorder
    #: Whether the first bit of the frame that is clocked out has gone from the line.
    launched = False
    data_valid: int
    data_hold: int

    def ready(self) -> None:
        """Note that the first bit is being put on the lines."""
        self.launched = False
        valid = self.trial.msb_valid
        self._line(data_line.CHANGING if valid else 0)
        if valid:
            Instant(self.env, self.env.now + valid, EDGE, self._first_bit)

    def _first_bit(self, event: Instant) -> None:
        if not self.launched:
            self._line(0)

    def open(self, frame: Frame, start: int) -> Callable[[int], None]:
        """Plan to note what the launching edges of the frame do to the lines."""
        bits = data_line.launched(np.array(self.trial.falling), self.data_valid, self.data_hold)
        for offset, now in data_line.line_changes(*bits):
            Instant(self.env, start + offset, EDGE, self._launched, now)
        return super().open(frame, start)

    def _launched(self, event: Instant) -> None:
        self.launched = True
        self._line(event.payload)

    def _line(self, now: int) -> None:
        for lane in range(self.trial.lanes):
            self.recorder.note(f"remote.data[{lane}]", now)


class TracedFifo(fifo.Fifo):
    """The FIFO, noting pushes, its filling, releases and overruns."""

    recorder: Recorder

    def store(self, event: Instant) -> None:
        """Note the bits pushed."""
        frame, lane, first, last = event.payload
        super().store(event)
        if frame.admitted:
            for bit in range(first, last + 1):
                self.recorder.note(f"fifo.push[{lane}]", bit)
            if frame.missing == 0 and self.record.read_end[0, frame.index] != NEVER:
                self.recorder.settled(frame.index)

    def judge(self, frame: Frame) -> None:
        """Note the filling after an arrival."""
        super().judge(frame)
        if frame.admitted:
            self.recorder.note("fifo.level", len(self.held))

    def refuse(self, frame: Frame) -> None:
        """Note an overrun."""
        super().refuse(frame)
        self.recorder.note("fifo.overrun", frame.index)
        self.recorder.settled(frame.index)

    def discard(self, frame: Frame) -> None:
        """Note an overrun."""
        super().discard(frame)
        self.recorder.note("fifo.overrun", frame.index)
        self.recorder.settled(frame.index)

    def release(self, event: Instant) -> None:
        """Note a release."""
        if not event.payload.discarded:
            self.recorder.note("fifo.release", event.payload.index)
        super().release(event)

    def free(self, frame: Frame) -> None:
        """Note the filling after a slot is freed."""
        super().free(frame)
        self.recorder.note("fifo.level", len(self.held))


class TracedReader(host.Reader):
    """The reader, noting its services, reads, clock and the bits it takes."""

    recorder: Recorder
    #: Frames of the group in hand whose read has not begun.
    to_read: deque[Frame]
    #: The end of a group that may be followed by another without a new service.
    reading_until = NEVER

    def group(self, size: int) -> list[Frame]:
        """Note a service that begins or ends, and the start of its first read."""
        now = self.env.now
        further = self.reading_until == now
        frames = super().group(size)
        self.recorder.level("host.service", int(bool(frames)))
        self.to_read = deque(frames)
        if frames:
            # A draw belongs to its frame, so asking for it here moves no other.
            latency = 0 if further else self.latency(frames[0].index)
            Instant(self.env, host_rules.reads_from(now, latency), SERVICE, self._starts)
        return frames

    def _starts(self, event: Instant) -> None:
        self.recorder.note("host.read", self.to_read.popleft().index)

    def take(self, frame: Frame, bit: int) -> None:
        """Note a rising clock edge and the bits taken."""
        self.recorder.note("host.clock", 1)
        for lane, pushed in enumerate(frame.pushed):
            self.recorder.note(f"host.take[{lane}]", bit if pushed > bit else -1 - bit)
        super().take(frame, bit)

    def fall(self, frame: Frame, bit: int) -> None:
        """Note a falling clock edge."""
        self.recorder.note("host.clock", 0)

    def finish(self, frame: Frame) -> None:
        """Note the last falling clock edge, and the end of a service that reads no further."""
        self.recorder.note("host.clock", 0)
        more = bool(self.to_read)
        following = self.to_read.popleft().index if more else NO_FRAME
        self.recorder.note("host.read", following)
        # With read_all the next group, fixed at this very instant, waits for no new latency.
        self.reading_until = self.env.now if self.read_all and not more else NEVER
        super().finish(frame)
        if not self.read_all and frame is self.last_frame:
            self.recorder.level("host.service", 0)
        if frame.missing == 0:
            self.recorder.settled(frame.index)


class TracedChain(Chain):
    """The chain made of traced parts."""

    timer_part = TracedTimer
    converter_part = TracedConverter
    master_part = TracedMaster
    channels_part = TracedChannels
    fifo_part = TracedFifo
    reader_part = TracedReader

    def __init__(self, trial: Trial, record: FrameBlock, trace: Trace) -> None:
        super().__init__(trial, record)
        self.recorder = Recorder(self.env, trace)
        parts: tuple[Any, ...] = (
            self.timer,
            self.converter,
            self.master,
            self.channels,
            self.fifo,
            self.reader,
        )
        for part in parts:
            part.recorder = self.recorder
        assert isinstance(self.channels, TracedChannels)
        law, seed = trial.scenario.converter, trial.scenario.seed
        for name in ("data_valid", "data_hold"):
            value = once(getattr(law, name), seed, trial.number, f"converter.{name}")
            setattr(self.channels, name, value)

    def run(self) -> None:
        """Run until the window has closed and its timeouts are decided, or to the end."""
        run_window(self, self.recorder)
