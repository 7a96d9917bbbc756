"""The remote clock master, and the lanes on which its frames go to the FIFO."""

from __future__ import annotations

from heapq import heappush
from typing import Any

import numpy as np

from simlink.base.instants import NEVER
from simlink.engines.event.channel import Channel
from simlink.engines.event.clockwork import CREDIT, EDGE, PUSH, Instant, Tick
from simlink.engines.event.converter import Converter
from simlink.engines.event.fifo import Fifo, Piece
from simlink.engines.event.frame import EdgeJitter, Frame, Part, Trial
from simlink.engines.event.strobe import Strobe
from simlink.link import remote_clock, repeat, transport
from simlink.link.content import BitOutcome
from simlink.link.converter import captured_early
from simlink.link.fifo import WhenFull, credits_left


class RemoteMaster(Part):
    """Sees busy fall, waits for its start delay and its credit, and clocks the frame out.

    Where not every edge is an event, a frame's bits enter the lanes as its clock's start becomes
    known, each for its own instant.
    """

    converter: Converter

    def __init__(self, trial: Trial, lanes: ReturnLanes) -> None:
        super().__init__(trial)
        env, signals = trial.env, trial.signals
        self.lanes = lanes
        law = trial.scenario.remote_clock
        self.start_delay = trial.each(law.start_delay, "remote_clock.start_delay")
        self.last = trial.bits - 1
        self.rising, self.falling = trial.rising, trial.falling
        self.half = law.capture == "half"
        self.stalls = trial.when_full is WhenFull.STALL
        self.kept = trial.scenario.check.kept_frames or 0
        self.credits = trial.depth
        #: Frames that have taken a credit.
        self.started = 0
        #: The frame that is held back for want of a credit, and when it would have started.
        self.starved: tuple[Frame, int] | None = None
        #: A credit that a frame waits for has come, and the frame has not started yet.
        self.waking = False
        #: Frames that have been given a place on the lanes, and when the last of them ends; one
        #: that is repeated counts only for its time.
        self.turns = 0
        self.free = NEVER
        # What is on its way to an edge: the frame that is clocked, and the bit.
        self.frame: Frame
        self.bit = 0
        #: Whether the first bit of the frame that is clocked is captured too early.
        self.first_wrong = False
        self.rises = Tick(env, self.rise)
        self.falls = Tick(env, self.fall)
        self.queue, self.ids = env._queue, env._eid
        self.clock = signals.make("remote.clock")
        self.capture = signals.make("remote.capture")
        self.credit = signals.make("remote.credit", trial.depth)

    def ready(self, frame: Frame) -> None:
        """Start to clock out a frame, as busy falls, if there is a credit for it."""
        start = remote_clock.starts_at(self.env.now, self.start_delay(frame.index))
        if self.stalls and not self.credits:
            self.starved = frame, start
            self.waking = False
        else:
            self.start(frame, start)

    def credited(self, total: int | None, freed: int) -> None:
        """Get a credit: a slot has been freed; with the number of all of them, if that is sent."""
        self.credits = credits_left(self.credits, self.trial.depth, self.started, total)
        if self.starved is not None and not self.waking:
            self.waking = True
            Instant(self.env, self.env.now, CREDIT, self.wake)
        self.credit.set(self.credits, None, None, freed, "host.read")

    def wake(self, *_: object) -> None:
        """Start the frame that was held back."""
        assert self.starved is not None
        (frame, start), self.starved = self.starved, None
        self.start(frame, remote_clock.held_back_until(start, self.env.now))

    def start(self, frame: Frame, start: int) -> None:
        """Clock a frame out from an instant on, or once a repeated one that is ahead has ended."""
        if self.stalls:
            self.credits -= 1
            self.started += 1
        self.turns += 1
        frame.turn = self.turns
        begins, self.free = self.place(start)
        if begins == start:
            self.begin(frame, start)
        else:
            Instant(self.env, begins, CREDIT, self.begin, frame, begins)

    def place(self, wanted: int) -> tuple[int, int]:
        """Return from when to when a frame is on the lanes, wanted from an instant on, in fs."""
        begins = repeat.starts_at(wanted, self.free)
        return begins, begins + self.trial.unit.readout

    def repeat(self, frame: Frame) -> None:
        """Send a frame once more, as soon as the lanes are free, if it is kept."""
        if not repeat.is_kept(frame.turn, self.turns, self.kept):
            return
        begins, self.free = self.place(self.env.now)
        Instant(self.env, begins, CREDIT, self.send_again, self.trial.again(frame), begins)

    def send_again(self, frame: Frame, start: int) -> None:
        """Send a repeated frame out of the memory from now on."""
        frame.clock_start = start
        frame.wrong = frame.early or True in self.trial.wrong_later
        self.lanes.open(frame)
        self.lanes.enter_whole(frame)

    def begin(self, frame: Frame, start: int) -> None:
        """Clock a frame out from an instant on."""
        trial = self.trial
        frame.clock_start = start
        frame.early = frame.wrong = captured_early(
            start + trial.captured[0], frame.ready, trial.unit.msb_valid, trial.unit.remote_setup
        )
        self.converter.clocked_from(frame, start)
        self.first_wrong = frame.wrong
        if frame.wrong and trial.words is not None:
            trial.words.early.add(frame.index)
        self.lanes.open(frame)
        if self.signals.every_edge:
            self.frame, self.bit = frame, 0
            self.rises.schedule(start + self.rising[0], EDGE)
            return
        if self.signals.bursts is not None:
            self.signals.bursts.starts(frame, self.first_wrong)
        if True in trial.wrong_later:
            frame.wrong = True
        self.lanes.enter_whole(frame)

    def rise(self) -> None:
        """Let the clock rise, and schedule its fall."""
        frame, bit = self.frame, self.bit
        if self.clock.observers:
            self.clock.set(1, frame.index, bit, frame.ready, "remote.busy")
        if self.half:
            self.captures(frame, bit)
        # As `Tick.schedule` does: with every edge an event, most events are these.
        time = frame.clock_start + self.falling[bit]
        heappush(self.queue, (time, EDGE, next(self.ids), self.falls))

    def fall(self) -> None:
        """Let the clock fall, and schedule its next rise."""
        frame, bit = self.frame, self.bit
        if self.clock.observers:
            self.clock.set(0, frame.index, bit, frame.ready, "remote.busy")
        if not self.half:
            self.captures(frame, bit)
        if bit < self.last:
            self.bit = bit = bit + 1
            time = frame.clock_start + self.rising[bit]
            heappush(self.queue, (time, EDGE, next(self.ids), self.rises))

    def captures(self, frame: Frame, bit: int) -> None:
        """Capture a bit of every lane, and send it on its way."""
        if self.capture.observers:
            self.show_capture(frame, bit)
        if self.trial.wrong_later[bit]:
            frame.wrong = True
        self.lanes.enter(frame, bit, self.env._now)

    def show_capture(self, frame: Frame, bit: int) -> None:
        """Show which bit a capture gives."""
        outcome = self.trial.capture(bit, self.first_wrong)
        value = bit if outcome is BitOutcome.RIGHT else -1 - bit
        self.capture.set(value, frame.index, bit, self.env.now, outcome.name.lower())


class ReturnLanes(Part):
    """The lanes from the remote master to the FIFO: channels that take bits or packets.

    Bits may have a strobe beside them.
    """

    #: Whether the pushes of frames whose edges are known may be told to the FIFO ahead.
    foreseen = True

    def __init__(self, trial: Trial, fifo: Fifo) -> None:
        super().__init__(trial)
        self.fifo = fifo
        delays = zip(trial.lane_delay, trial.lane_distortion, strict=True)
        self.channels = [
            self.channel(lane, trial.env, PUSH, delay, fifo.store, longer)
            for lane, (delay, longer) in enumerate(delays)
        ]
        self.packets = transport.packets_of(trial.scenario)
        spans = (
            [(bit, bit) for bit in range(trial.bits)]
            if self.packets is None
            else [(packet.first, packet.last) for packet in self.packets]
        )
        self.pieces = [
            [Piece.of(trial, lane, *span) for span in spans] for lane in range(trial.lanes)
        ]
        self.line_free = [NEVER] * trial.lanes
        #: How many bits each has, and which brings a frame's release.
        self.sizes = [last - first + 1 for first, last in spans]
        self.enough = next(
            at for at, (_, last) in enumerate(spans) if last + 1 >= fifo.release_bits
        )
        #: Which packet is full with a bit.
        self.full = {last: number for number, (_, last) in enumerate(spans)}
        self.draws = EdgeJitter(
            trial,
            trial.scenario.barrier.direction("return").jitter,
            [f"barrier.return.jitter lane {lane}" for lane in range(trial.lanes)],
            len(spans),
        )
        self.jitter: list[list[int]] = []
        self.strobe: Strobe | None = None
        if trial.scenario.barrier.return_.has_strobe:
            self.strobe = Strobe(trial, self.channels)

    def channel(self, lane: int, *args: Any) -> Channel:
        """Return the channel of a lane."""
        return Channel(*args)

    def open(self, frame: Frame) -> None:
        """Take a frame whose clock starts."""
        self.jitter = self.draws(frame.draws)
        if self.strobe is not None and (mistaken := self.strobe.mistakes(frame, self.jitter)):
            frame.mistaken = mistaken
            frame.wrong = frame.wrong or any(bit < frame.data for _, bit in mistaken)

    def enter(self, frame: Frame, bit: int, captured: int) -> None:
        """Take a bit of every lane, captured at an instant; a full packet sets out."""
        if self.packets is None:
            for lane, channel in enumerate(self.channels):
                channel.send(frame, self.pieces[lane][bit], self.jitter[lane][bit], captured)
            return
        number = self.full.get(bit)
        if number is None:
            return
        for lane, channel in enumerate(self.channels):
            sent = self.packet_sent(lane, number, captured)
            channel.send(frame, self.pieces[lane][number], self.jitter[lane][number], sent)

    def packet_sent(self, lane: int, number: int, captured: int) -> int:
        """Send a packet whose last bit was captured at an instant; return when it has set out."""
        assert self.packets is not None
        line_time = self.packets[number].line_time
        self.line_free[lane] = sent = transport.sent_at(captured, self.line_free[lane], line_time)
        return sent

    def enter_whole(self, frame: Frame) -> None:
        """Take all bits of a frame whose edges are known."""
        captured = [frame.clock_start + offset for offset in self.trial.captured]
        if self.signals.every_edge or not self.foreseen:
            for bit, time in enumerate(captured):
                self.enter(frame, bit, time)
            return
        pushed = []
        for lane, channel in enumerate(self.channels):
            sent = captured
            if self.packets is not None:
                sent = [
                    self.packet_sent(lane, number, captured[packet.last])
                    for number, packet in enumerate(self.packets)
                ]
            pushed.append(channel.arrivals(sent, self.jitter[lane]))
        frame.pushed = pushed
        if self.packets is not None:
            frame.pushed = [np.repeat(one, self.sizes).tolist() for one in pushed]
        self.fifo.foresee(frame, self.pieces, pushed, self.enough)
