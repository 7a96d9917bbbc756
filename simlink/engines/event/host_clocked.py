"""The schemes in which the host's own clock reads the converter: forwarded and returned clock.

The converter's output register holds one frame, until the next conversion starts: a frame not
read by then is lost, as overrun. Busy itself crosses the barrier; its fall, once synchronised, is
the release. The host serves the newest release: one service latency later, if busy is low as the
host sees it, it clocks N cycles; if not, it waits for the next release. A trigger that arrives
between the first and the last of these cycles, as they arrive at the converter, is missed. A
clock whose first edge comes after a later trigger has been taken is ignored whole: the frame that
the host asks for is no longer there. A conversion that is over before busy would rise shows the
host no rise.
"""

from __future__ import annotations

from collections.abc import Generator
from typing import TYPE_CHECKING

import simpy

from simlink.base.instants import FAR, NEVER
from simlink.engines.event.clockwork import (
    ARRIVE,
    EDGE,
    PUSH,
    READ_END,
    RELEASE,
    SERVICE,
    TAKE,
    Bell,
    Clockwork,
    Instant,
)
from simlink.engines.event.frame import EdgeJitter, Frame, Trial
from simlink.engines.event.host import TriggerTimer
from simlink.engines.event.host_clocked_side import Reading, SerialSide
from simlink.engines.event.sampling import SamplingConverter
from simlink.engines.event.wiring import Chain
from simlink.link import channel as barrier
from simlink.link import fifo, host
from simlink.link import host_clocked_unit as serial_unit
from simlink.records import Fate

if TYPE_CHECKING:
    from simlink.records import FrameBlock


class SerialConverter(SamplingConverter):
    """Converts, holds one frame, and is read by a clock that arrives."""

    def __init__(self, env: Clockwork, trial: Trial, record: FrameBlock, side: SerialSide) -> None:
        super().__init__(env, trial, record)
        self.side = side
        self.converting = False
        self.being_read = False
        #: The frame of the last trigger that was taken.
        self.newest: Frame | None = None
        #: The frame in the output register, if it has not been read.
        self.unread: Frame | None = None
        self.reader: SerialReader

    def occupied(self) -> bool:
        """Tell whether the converter is converting or being read."""
        return self.converting or self.being_read

    def accept(self, index: int) -> None:
        """Take the sample, start the conversion, and give up a frame that was not read."""
        if self.unread is not None:
            self.overwrite(self.unread)
        frame = self.sample(index)
        self.converting = True
        self.newest = frame
        rises = self.env.now + self.busy_delay(index)
        if rises < frame.ready:
            Instant(self.env, rises, ARRIVE, self.busy_rises, frame)
        Instant(self.env, frame.ready, EDGE, self.busy_falls, frame)

    def overwrite(self, frame: Frame) -> None:
        """Lose a frame to the next conversion."""
        self.record.fate[0, frame.index] = Fate.OVERRUN
        frame.discarded = True
        self.unread = None

    def busy_rises(self, event: Instant) -> None:
        """Busy rises; its edge starts to cross."""
        self.reader.send_busy(event.payload, True)

    def busy_falls(self, event: Instant) -> None:
        """Busy falls: the frame is in the output register."""
        frame = event.payload
        self.converting = False
        self.unread = frame
        self.reader.send_busy(frame, False)

    def clocked(self, event: Instant) -> None:
        """Meet a clock edge that arrives: (reading, cycle, level)."""
        frame, reading, cycle, level = event.payload
        if cycle == 0 and level:
            reading.heard = self.being_read = self.newest is frame
            self.admit(frame)
        if reading.heard and not level and cycle == len(reading.arriving.falling) - 1:
            self.being_read = False
        self.edge(frame, cycle, level)

    def admit(self, frame: Frame) -> None:
        """Decide, once, whether the frame that the host reads is still there to be read."""
        if frame.admitted is not None:
            return
        frame.admitted = self.newest is frame
        if frame.admitted:
            self.unread = None
        elif self.record.first_bit is not None and self.record.last_bit is not None:
            self.record.first_bit[0, frame.index] = NEVER
            self.record.last_bit[0, frame.index] = NEVER

    def edge(self, frame: Frame, cycle: int, level: bool) -> None:
        """A clock edge arrives."""


class SerialReader:
    """The host: sees busy cross, waits its service latency, and clocks the converter out."""

    def __init__(self, env: Clockwork, trial: Trial, record: FrameBlock, side: SerialSide) -> None:
        self.env = env
        self.trial = trial
        self.record = record
        self.side = side
        scenario = trial.scenario
        self.latency = trial.each(scenario.host.service_latency, "host.service_latency")
        self.sync_delay = trial.each(scenario.fifo.sync_delay, "fifo.sync_delay")
        back = scenario.barrier.direction("return").jitter
        self.busy_jitter = EdgeJitter(trial, back, ["barrier.return.jitter busy"], 2)
        row = side.row
        self.busy_static = side.units.busy.item(row.start)
        self.busy_fall = int(
            barrier.falling_edge(self.busy_static, side.units.return_distortion.item(row.start))
        )
        self.busy_ahead = NEVER
        self.last_release = NEVER
        self.busy_seen = False
        self.pending: Frame | None = None
        self.idle = True
        self.bell = Bell(env)
        self.timer: TriggerTimer
        self.converter: SerialConverter
        env.process(self.run())

    def send_busy(self, frame: Frame, level: bool) -> None:
        """Let an edge of busy cross its channel."""
        jitter = self.busy_jitter(frame.index)[0].item(0 if level else 1)
        static = self.busy_static if level else self.busy_fall
        at = self.env.now + int(barrier.crossing(static, jitter))
        self.busy_ahead = max(at, self.busy_ahead)
        Instant(self.env, self.busy_ahead, PUSH, self.busy_arrives, (frame, level))

    def busy_arrives(self, event: Instant) -> None:
        """See an edge of busy; its fall is released once synchronised."""
        frame, level = event.payload
        self.busy_seen = level
        self.busy_moves(level)
        if not level:
            self.last_release = int(
                fifo.releases_at(self.env.now, self.sync_delay(frame.index), self.last_release)
            )
            Instant(self.env, self.last_release, RELEASE, self.release, frame)

    def busy_moves(self, level: bool) -> None:
        """Busy takes a level at the host."""

    def release(self, event: Instant) -> None:
        """Learn that a frame can be read, unless it has been overwritten before."""
        frame = event.payload
        if frame.discarded:
            return
        self.record.release[0, frame.index] = self.env.now
        frame.released = True
        self.timer.released(frame)
        self.pending = frame
        self.consider()

    def consider(self) -> None:
        """Begin a service at the end of this instant, if a release waits for one."""
        if self.idle and self.pending is not None and not self.bell.rung:
            self.bell.ring(self.env.now, SERVICE)

    def run(self) -> Generator[simpy.Event, None, None]:
        """Serve, one service after another."""
        env, trial, record = self.env, self.trial, self.record
        take, take_end = trial.take, trial.take_end
        while True:
            yield self.bell
            self.bell = Bell(env)
            frame = self.pending
            assert frame is not None
            self.idle = False
            begun = env.now
            self.serve(True)
            yield Instant(env, host.reads_from(begun, self.latency(frame.index)), SERVICE)
            # What was released meanwhile is served by this very read.
            frame, self.pending = self.pending, None
            assert frame is not None
            if not self.busy_seen:
                start = env.now
                reading = self.clock_out(frame, start)
                for bit in range(trial.bits):
                    yield Instant(env, start + take[bit], TAKE)
                    self.rise()
                    yield Instant(env, start + take_end[bit], TAKE)
                    self.fall()
                last = int(reading.captured[reading.captured < FAR].max(initial=start))
                end = max(start + take_end[-1], last)
                yield Instant(env, end, READ_END)
                # The host may have taken all before an edge has reached the converter, if any does.
                self.converter.admit(frame)
                if frame.admitted:
                    record.service[0, frame.index] = begun
                    record.read_start[0, frame.index] = start
                    self.finish(frame, reading)
                self.timer.has_read(frame)
            self.serve(False)
            self.idle = True
            self.consider()

    def clock_out(self, frame: Frame, start: int) -> Reading:
        """Send the clock on its way, and schedule what it does on either side."""
        env, reading = self.env, self.side.read(frame, start)
        for cycle, (rise, fall) in enumerate(
            zip(reading.arriving.rising.tolist(), reading.arriving.falling.tolist(), strict=True)
        ):
            Instant(env, rise, EDGE, self.converter.clocked, (frame, reading, cycle, True))
            Instant(env, fall, EDGE, self.converter.clocked, (frame, reading, cycle, False))
        for bit, time in enumerate(reading.captured.tolist()):
            if time < FAR:
                Instant(env, time, TAKE, self.capture, (frame, reading, bit))
        if reading.returning is not None:
            for rise, fall in zip(
                reading.returning.rising.tolist(), reading.returning.falling.tolist(), strict=True
            ):
                Instant(env, rise, PUSH, self.comes_back, True)
                Instant(env, fall, PUSH, self.comes_back, False)
        return reading

    def comes_back(self, event: Instant) -> None:
        """An edge of the returned clock arrives at the host."""

    def capture(self, event: Instant) -> None:
        """Capture one bit of every lane; a frame that the converter did not send is not it."""
        frame, reading, bit = event.payload
        # Bit 0 may be captured while the clock is still on its way to the converter.
        if frame.admitted is False:
            return
        if reading.taken[:, bit].any():
            frame.wrong = True
        record, word_bits = self.record, self.trial.scenario.frame.word_bits
        if record.first_bit is not None and record.last_bit is not None:
            word, place = divmod(bit, word_bits)
            if place == 0:
                record.first_bit[0, frame.index, :, word] = self.env.now
            if place == word_bits - 1:
                record.last_bit[0, frame.index, :, word] = self.env.now

    def rise(self) -> None:
        """The host clock rises."""

    def fall(self) -> None:
        """The host clock falls."""

    def serve(self, now: bool) -> None:
        """A service begins or ends."""

    def finish(self, frame: Frame, reading: Reading) -> None:
        """End a read: the frame has its fate."""
        record = self.record
        record.read_end[0, frame.index] = self.env.now
        # A bit whose capture edge never came is missing from the word.
        wrong = frame.wrong or bool((reading.captured >= FAR).any())
        record.fate[0, frame.index] = Fate.CORRUPTED if wrong else Fate.DELIVERED


class SerialChain(Chain):
    """The parts of one trial of a scheme in which the host's clock reads the converter."""

    serial_converter_part = SerialConverter
    serial_reader_part = SerialReader

    def wire(self) -> None:
        """Make the parts and connect them."""
        env, trial, record = self.env, self.trial, self.record
        row = range(trial.number, trial.number + 1)
        side = SerialSide(trial, serial_unit.build(trial.scenario, row))
        self.serial_converter = self.serial_converter_part(env, trial, record, side)
        self.serial_reader = self.serial_reader_part(env, trial, record, side)
        self.timer = self.timer_part(env, trial, record, self.serial_converter)
        self.serial_converter.reader = self.serial_reader
        self.serial_reader.converter = self.serial_converter
        self.serial_reader.timer = self.timer

    def settle(self) -> None:
        """Leave in flight what was converted and never read."""
        waits = (self.record.trigger[0] != NEVER) & (self.record.fate[0] == Fate.NOT_SENT)
        self.record.fate[0, waits] = Fate.IN_FLIGHT
