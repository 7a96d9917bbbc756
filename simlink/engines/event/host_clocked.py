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

from functools import partial

from simlink.base.instants import FAR, NEVER
from simlink.engines.event.channel import Channel, lost, made
from simlink.engines.event.clockwork import (
    CAPTURE,
    EDGE,
    PUSH,
    READ_END,
    RELEASE,
    SERVICE,
    Instant,
    Tick,
)
from simlink.engines.event.converter import ConverterLines, DataLines, SamplingConverter
from simlink.engines.event.counts import HostCounts
from simlink.engines.event.frame import EdgeJitter, Frame, Trial
from simlink.engines.event.host import NO_FRAME, Host
from simlink.engines.event.host_clocked_read import (
    Reading,
    ReadPath,
    bits_read,
    is_wrong,
    judge,
    lane_sources,
)
from simlink.engines.event.upsets import hits_of
from simlink.engines.event.wrong import judge_apart
from simlink.link import fifo, host, line
from simlink.link.content import BitOutcome
from simlink.link.fate import NOT_RECEIVED, OVERRUN, fate_of_read
from simlink.records import Cause


class HostClockedConverter(SamplingConverter):
    """Converts, holds one frame, and is read by a clock that arrives."""

    reader: HostClockedReader

    def __init__(self, trial: Trial) -> None:
        super().__init__(trial)
        #: The frame of the last trigger that was taken.
        self.newest: Frame | None = None
        #: The frame in the output register, if it has not been read.
        self.unread: Frame | None = None
        self.clock = trial.signals.make("remote.clock")
        self.lost = trial.signals.make("remote.lost")
        self.lines = ConverterLines(trial)

    def accept(self, index: int) -> None:
        """Take the sample, start the conversion, and give up a frame that was not read."""
        if self.unread is not None:
            self.overwrite(self.unread)
        self.newest = frame = self.sample(index)
        self.plan_rise(frame)
        Instant(self.env, frame.ready, EDGE, self.busy_falls, frame)

    def overwrite(self, frame: Frame) -> None:
        """Lose a frame to the next conversion."""
        frame.record.fate[frame.row] = OVERRUN
        frame.discarded = self.env.now
        self.unread = None
        self.lost.set(frame.index, frame.index, None, self.env.now, "remote.trigger")
        self.signals.settled.set(frame.index)

    def busy_rises(self, frame: Frame, arrived: int) -> None:
        """Busy rises; its edge starts to cross."""
        super().busy_rises(frame, arrived)
        self.reader.send_busy(frame, True)

    def busy_falls(self, frame: Frame, _: None) -> None:
        """Busy falls: the frame is in the output register."""
        self.occupied_until = self.env.now
        self.unread = frame
        self.show_fall(frame)
        self.reader.send_busy(frame, False)
        if self.lines.observers:
            self.lines.ready(frame)

    def clocked(self, reading: Reading, number: int) -> None:
        """Meet an edge of a clock that arrives; with its first, take the whole clock or none."""
        frame = reading.frame
        if number == 0:
            there = frame.admitted or not reading.over
            reading.clock_accepted = there and self.holds(frame)
            reading.ignored = not reading.clock_accepted
            if not reading.over:
                self.admit(frame)
            if reading.clock_accepted:
                self.occupied_until = reading.arriving[-1]
        level, sent = 1 - number % 2, self.sent(reading, number)
        self.clock.set(level, frame.index, number // 2, sent, "host.clock")
        if number == 0 and reading.clock_accepted and self.lines.observers:
            self.lines.launched(frame, reading.launches)

    def sent(self, reading: Reading, number: int) -> int | None:
        """Return when an edge left the host; None once pulses were lost or made on their way."""
        trial = self.trial
        if len(reading.arriving) != 2 * trial.bits:
            return None
        offsets = trial.host_falling if number % 2 else trial.host_rising
        return reading.start + offsets[number // 2]

    def admit(self, frame: Frame) -> None:
        """Decide, once, whether the frame that the host reads is there to be read.

        One whose conversion is not over, for the host was misled, may be read later.
        """
        if frame.admitted is None and (self.newest is not frame or self.holds(frame)):
            frame.admitted = self.newest is frame
            if frame.admitted:
                self.unread = None

    def holds(self, frame: Frame) -> bool:
        """Tell whether a frame is in the output register: the newest, its conversion over."""
        return self.newest is frame and frame.ready <= self.env.now

    def false_clock(self) -> bool:
        """Meet a clock pulse that nobody sent: it shifts a frame that waits to be read, if any."""
        if self.unread is None:
            return False
        self.unread.shifted += 1
        return True


class HostClockedReader(Host):
    """The host: sees busy cross, waits its service latency, and clocks the converter out."""

    def __init__(self, trial: Trial, converter: HostClockedConverter, counts: HostCounts) -> None:
        super().__init__(trial, counts)
        self.converter = converter
        env, signals = trial.env, trial.signals
        scenario, unit = trial.scenario, trial.unit
        self.sync_delay = trial.each(scenario.fifo.sync_delay, "fifo.sync_delay")
        back = scenario.barrier.direction("return").jitter
        self.busy_jitter = EdgeJitter(trial, back, ["barrier.return.jitter busy"], 2)
        hits = hits_of(trial, "return", "busy", 2)
        crossing = unit.busy, self.busy_arrives, unit.busy_distortion
        self.busy_channel = made(hits, self.busy_lost, env, PUSH, *crossing)
        pulse = unit.return_pulse
        returned = made(
            hits_of(trial, "return", "returned", trial.bits),
            lost, env, PUSH, unit.returned, self.comes_back, unit.returned_distortion, pulse,
        )  # fmt: skip
        clock = made(
            hits_of(trial, "forward", "clock", trial.bits),
            lost, env, EDGE, unit.clock, converter.clocked, unit.clock_distortion,
            unit.forward_pulse,
        )  # fmt: skip
        lanes = zip(trial.lane_delay, trial.lane_distortion, strict=True)
        self.clock_channel, self.returned_channel = clock, returned
        self.path = ReadPath(
            trial,
            clock,
            returned if scenario.link.scheme == "returned_clock" else None,
            [Channel(env, PUSH, delay, self.line_moves, longer, pulse) for delay, longer in lanes],
        )
        self.last_release = NEVER
        #: Busy as the host sees it.
        self.busy_seen = False
        #: Whether a false edge set it last.
        self.misled = False
        #: The newest release that waits for a service.
        self.pending: Frame | None = None
        self.begun = NEVER
        # What is on its way to an edge of the clock: the read, and the edge's number.
        self.reading: Reading
        self.number = 0
        self.tick = Tick(env, self.edge)
        self.busy = signals.make("host.busy")
        self.returned = signals.make("host.returned")
        self.release_signal = signals.make("host.release")
        self.lines = DataLines(signals, "host.data", trial.lanes)
        # Asked for as busy falls; a read asks for those of its frame later.
        self.first_jitter = EdgeJitter(trial, back, lane_sources(trial), trial.bits)

    # --- busy and release ---

    def send_busy(self, frame: Frame, level: bool) -> None:
        """Let an edge of busy cross its channel."""
        now, (rising, falling) = self.env.now, self.busy_jitter(frame.index)[0]
        if level:
            self.busy_channel.send(frame, (level, now), rising, now, frame.index, 0)
            return
        self.busy_channel.send_falling(frame, (level, now), falling, now, frame.index, 1)
        if self.lines.observers:
            self.plan_first_bit(frame)

    def plan_first_bit(self, frame: Frame) -> None:
        """Plan the arrival of the first bit, which comes with the fall of busy.

        The fall takes away what was on the line and brings bit 0, on one and the same edge of
        each lane.
        """
        ready, valid = frame.ready, frame.ready + self.trial.unit.msb_valid
        jitter, ahead = self.first_jitter(frame.index), self.path.last_changes()
        for lane, channel in enumerate(self.path.lanes):
            (comes,), (gone,) = channel.carry([valid], [ready], [jitter[lane][0]] * 2, ahead[lane])
            if gone < comes:
                change = lane, line.CHANGING, ready
                Instant(self.env, gone, PUSH, self.first_bit, frame, change)
            Instant(self.env, comes, PUSH, self.first_bit, frame, (lane, 0, valid))

    def first_bit(self, frame: Frame, change: tuple[int, int, int]) -> None:
        """Bring the first bit to a line, or let the line change ahead of it."""
        lane, value, since = change
        self.lines.comes(lane, frame.index, value, since, f"remote.data[{lane}]")

    def busy_arrives(self, frame: Frame, edge: tuple[bool, int]) -> None:
        """See an edge of busy; its fall is released once synchronised."""
        level, sent = edge
        misled, self.misled = self.misled, False
        rise_lost = frame.harm is not None and frame.harm.rise_lost
        if not level and not self.busy_seen and (rise_lost or misled):
            # The host never saw it rise, or saw it fall before, and sees no fall.
            return
        self.busy_seen = level
        self.busy.move(int(level), frame.index, None, sent, "remote.busy")
        if not level:
            self.fell(frame)

    def fell(self, frame: Frame) -> None:
        """Release a frame once the fall of busy that the host sees now is synchronised."""
        now = self.env.now
        self.last_release = fifo.releases_at(now, self.sync_delay(frame.index), self.last_release)
        Instant(self.env, self.last_release, RELEASE, self.release, frame, now)

    def false_busy(self) -> bool:
        """See an edge of busy that nobody sent; a fall is released like any other.

        The host takes it for that of the newest frame. Where that has been read, or there is none,
        what it will read is a frame that no trigger asked for.
        """
        self.misled = True
        self.busy_seen = not self.busy_seen
        frame = self.converter.newest
        index = None if frame is None else frame.index
        self.busy.set(int(self.busy_seen), index, None, None, "remote.busy")
        if self.busy_seen:
            return True
        if frame is None or frame.admitted is not None:
            place = -1 if frame is None else frame.place
            frame = self.trial.frame(self.trial.stray_index(), self.env.now)
            self.trial.unrequested(frame, place)
        self.fell(frame)
        return True

    def busy_lost(self, frame: Frame, edge: tuple[bool, int]) -> None:
        """Go on seeing the level that busy had before an edge that was lost."""
        if frame.apart is None:
            self.record.hit[frame.index] |= 1 << Cause.BUSY
        if edge[0]:
            frame.harmed().rise_lost = True

    def release(self, frame: Frame, fell: int) -> None:
        """Learn that a frame can be read, unless it has been overwritten before."""
        now = self.env.now
        if not fifo.released_before(now, frame.discarded):
            return
        if frame.apart is not None or frame.record.release[frame.row] == NEVER:
            frame.record.release[frame.row] = now
        frame.released = True
        self.release_signal.set(frame.index, frame.index, None, fell, "host.busy")
        self.timer.released(frame)
        self.pending = frame
        self.consider()

    # --- services and reads ---

    def may_begin(self) -> bool:
        """Tell whether a service may begin now: a release waits for one."""
        return self.idle and self.pending is not None

    def begin(self, *_: object) -> None:
        """Begin a service: wait one latency."""
        assert self.pending is not None
        self.begins = self.idle = False
        self.begun = now = self.env.now
        index = self.pending.index
        self.show_service(1)
        Instant(self.env, host.reads_from(now, self.latency(index)), SERVICE, self.start)

    def start(self, *_: object) -> None:
        """Clock the newest frame out, if busy is low; what was released meanwhile is served."""
        frame, self.pending = self.pending, None
        assert frame is not None
        if self.busy_seen:
            frame.record.in_vain[frame.row] += self.env.now - self.begun
            self.rest()
            return
        start, every_edge = self.env.now, self.signals.every_edge
        self.read.set(frame.index, frame.index, None, self.begun, "host.service")
        self.reading = reading = self.path.send(frame, start, every_edge)
        if every_edge:
            self.show_reading(reading)
        last = max((time for time in reading.captured if time < FAR), default=start)
        end = max(start + self.trial.host_falling[-1], last)
        if every_edge:
            self.number = 0
            self.tick.schedule(start + self.trial.host_rising[0], CAPTURE)
        Instant(self.env, end, READ_END, self.finish, reading)

    def finish(self, reading: Reading, _: None) -> None:
        """End a read: the frame has its fate, if it was there."""
        frame, words = reading.frame, self.trial.words
        reading.over = True
        if not reading.ignored:
            # The host may have captured all before an edge has reached the converter.
            self.converter.admit(frame)
        frame.believed = self.counts.read(self.timer.is_idle_after(frame))
        record, row, apart = frame.record, frame.row, frame.apart
        if frame.admitted or apart is not None:
            record.service[row], record.read_start[row] = self.begun, reading.start
            record.read_end[row] = self.env.now
            self.show_no_read()
        if frame.admitted:
            wrong = frame.shifted > 0 or is_wrong(reading, self.trial.data)
            fate = fate_of_read(False, wrong)
            if apart is not None:
                judge_apart(self.trial, frame, fate, partial(bits_read, self.trial, reading))
            else:
                record.fate[row] = fate
                judge(self.trial, reading)
            if words is not None and (wrong or apart is not None):
                words.keep(frame.index, apart, bits_read(self.trial, reading, words.lane))
            if apart is None:
                if record.first_bit is not None:
                    self.keep_words(reading)
                self.signals.settled.set(frame.index)
        elif apart is not None:
            record.fate[row] = NOT_RECEIVED
        else:
            record.void_read[row] = self.env.now
            record.in_vain[row] += self.env.now - self.begun
        self.timer.has_read(frame)
        self.rest()

    def keep_words(self, reading: Reading) -> None:
        """Note when the first and last bits of words were captured."""
        width, index = self.trial.scenario.frame.word_bits, reading.frame.index
        for bit, time in enumerate(reading.captured[: self.trial.data]):
            if time < FAR:
                word, place = divmod(bit, width)
                if place == 0:
                    self.record.first_bit[index, :, word] = time
                if place == width - 1:
                    self.record.last_bit[index, :, word] = time

    def rest(self) -> None:
        """End the service, and begin the next if a release waits for it."""
        self.show_service(0)
        super().rest()

    # --- what observers see ---

    def show_service(self, level: int) -> None:
        """Show a service that begins, or ends and its read with it."""
        self.show_no_read()
        self.service.set(level)

    def show_no_read(self) -> None:
        """Show that no frame is read any more."""
        self.read.move(NO_FRAME, None, None, None, "host.read")

    def show_reading(self, reading: Reading) -> None:
        """Plan what a read shows: its captures, and what its clock does to the lines."""
        for bit, time in enumerate(reading.captured):
            if time < FAR:
                Instant(self.env, time, CAPTURE, self.captures, reading, bit)
        if not self.lines.observers:
            return
        for lane, (valid, until) in enumerate(zip(reading.valid, reading.until, strict=True)):
            for time, value, edge in line.line_changes(valid, until):
                since = reading.begins[value] if value >= 0 else reading.ends[edge]
                Instant(self.env, time, PUSH, self.line_moves, reading, (lane, value, since))

    def line_moves(self, reading: Reading, change: tuple[int, int, int]) -> None:
        """Let a launching edge have its way on a line at the host."""
        lane, value, since = change
        if reading.clock_accepted:
            index = reading.frame.index
            self.lines.moves(lane, index, value, since, f"remote.data[{lane}]")

    def comes_back(self, reading: Reading, number: int) -> None:
        """Show an edge of the returned clock that arrives."""
        whole = len(reading.returning) == len(reading.arriving)
        since = reading.arriving[number] if whole else None
        index = reading.frame.index
        self.returned.set(1 - number % 2, index, number // 2, since, "remote.clock")

    def captures(self, reading: Reading, bit: int) -> None:
        """Show the capture of one bit of every lane."""
        frame, now = reading.frame, self.env.now
        # Bit 0 may be captured while the clock is still on its way to the converter.
        there = frame.admitted is not False
        for signal, outcomes in zip(self.capture, reading.outcomes, strict=True):
            outcome = BitOutcome(outcomes[bit])
            right = there and outcome is BitOutcome.RIGHT
            value = bit if right else -1 - bit
            signal.set(value, frame.index, bit, now, outcome.name.lower())

    def edge(self) -> None:
        """Make one edge of the host's clock, and schedule the next."""
        reading, number, trial = self.reading, self.number, self.trial
        level, index = 1 - number % 2, reading.frame.index
        self.clock.set(level, index, number // 2, reading.start, "host.read")
        self.number = number = number + 1
        if number < 2 * trial.bits:
            offsets = trial.host_falling if number % 2 else trial.host_rising
            self.tick.schedule(reading.start + offsets[number // 2], CAPTURE)
