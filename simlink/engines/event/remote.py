"""The remote side: converter, remote clock master and the return channels."""

from __future__ import annotations

from collections.abc import Callable, Generator
from typing import TYPE_CHECKING

import numpy as np
import simpy

from simlink.base.instants import NEVER
from simlink.engines.event.clockwork import ARRIVE, CREDIT, EDGE, PUSH, Bell, Clockwork, Instant
from simlink.engines.event.frame import EdgeJitter, Frame, Trial
from simlink.engines.event.sampling import SamplingConverter
from simlink.link import fifo, remote_clock, transport, unit

if TYPE_CHECKING:
    from simlink.records import FrameBlock


class Converter(SamplingConverter):
    """The converter of a remote master: busy rises, and falls when the word is ready."""

    def __init__(
        self, env: Clockwork, trial: Trial, record: FrameBlock, master: RemoteMaster
    ) -> None:
        super().__init__(env, trial, record)
        self.master = master

    def occupied(self) -> bool:
        """Tell whether the converter is converting or being read."""
        return self.master.busy

    def accept(self, index: int) -> None:
        """Take the sample and start the conversion."""
        frame = self.sample(index)
        rises = self.env.now + self.busy_delay(index)
        Instant(self.env, rises, ARRIVE, self.busy_rises, frame)
        self.master.busy = True
        self.master.bell.ring(frame.ready, EDGE, frame)

    def busy_rises(self, event: Instant) -> None:
        """Busy rises at the converter; it falls when the remote master's bell rings."""


class RemoteMaster:
    """Sees busy fall, waits for its start delay and its credit, and clocks the frame out."""

    def __init__(self, env: Clockwork, trial: Trial, channels: ReturnChannels) -> None:
        self.env = env
        self.trial = trial
        self.channels = channels
        self.start_delay = trial.each(
            trial.scenario.remote_clock.start_delay, "remote_clock.start_delay"
        )
        #: From an accepted trigger to the last falling clock edge.
        self.busy = False
        self.stalls = trial.when_full is fifo.WhenFull.STALL
        self.credits = trial.depth
        #: Holding a frame back for want of a credit.
        self.starved = False
        self.bell = Bell(env)
        self.credit_bell = Bell(env)
        self.half = trial.scenario.remote_clock.capture == "half"
        env.process(self.run())

    def run(self) -> Generator[simpy.Event, Frame, None]:
        """Clock out one frame after another."""
        env, trial = self.env, self.trial
        rising, falling, half = trial.rising, trial.falling, self.half
        bits = range(trial.bits)
        while True:
            frame = yield self.bell
            self.bell = Bell(env)
            self.ready(frame)
            start = remote_clock.starts_at(env.now, self.start_delay(frame.index))
            if self.stalls:
                if not self.credits:
                    self.starved = True
                    yield self.credit_bell
                    self.starved = False
                    self.credit_bell = Bell(env)
                    start = max(start, env.now)
                self.credits -= 1
            captured = trial.captured.item(0)
            frame.wrong = remote_clock.wrong_first_bit(
                start, captured, frame.ready, trial.msb_valid, trial.setup
            )
            cross = self.channels.open(frame, start)
            for bit in bits:
                yield Instant(env, start + rising[bit], EDGE)
                self.rise(frame, bit)
                if half:
                    cross(bit)
                yield Instant(env, start + falling[bit], EDGE)
                self.fall(frame, bit)
                if not half:
                    cross(bit)
            self.busy = False

    def ready(self, frame: Frame) -> None:
        """Busy falls at the converter."""

    def rise(self, frame: Frame, bit: int) -> None:
        """The remote clock rises."""

    def fall(self, frame: Frame, bit: int) -> None:
        """The remote clock falls."""

    def credit(self, event: Instant) -> None:
        """A freed slot's credit arrives."""
        self.credits += 1
        if self.starved and not self.credit_bell.rung:
            self.credit_bell.ring(self.env.now, CREDIT)


class ReturnChannels:
    """The lanes from the remote master to the FIFO, in bits or in packets, order kept."""

    def __init__(self, env: Clockwork, trial: Trial, store: Callable[[Instant], None]) -> None:
        self.env = env
        self.trial = trial
        self.store = store
        self.packets = unit.packets_of(trial.scenario)
        self.jitter = EdgeJitter(
            trial,
            trial.scenario.barrier.direction("return").jitter,
            [f"barrier.return.jitter lane {lane}" for lane in range(trial.lanes)],
            trial.bits if self.packets is None else len(self.packets),
        )
        self.static = trial.lane_delay
        self.ahead = np.full(trial.lanes, NEVER, dtype=np.int64)
        self.line_free = np.full(trial.lanes, NEVER, dtype=np.int64)

    def open(self, frame: Frame, start: int) -> Callable[[int], None]:
        """Take a frame whose clock starts, and return what to call at each capture."""
        trial, env = self.trial, self.env
        captured = (start + trial.captured)[np.newaxis]
        jitter = self.jitter(frame.index)
        wrong, lanes = trial.wrong_later, range(trial.lanes)
        if self.packets is None:
            pushed = transport.push_bits(captured, self.static[:, np.newaxis], jitter, self.ahead)
            self.ahead = pushed[:, -1]
            times = pushed.tolist()

            def cross(bit: int) -> None:
                if wrong[bit]:
                    frame.wrong = True
                for lane in lanes:
                    Instant(env, times[lane][bit], PUSH, self.store, (frame, lane, bit, bit))

            return cross
        arrived, self.line_free = transport.push_packets(
            self.packets, captured, self.static, jitter, self.line_free, self.ahead
        )
        self.ahead = arrived[:, -1]
        times = arrived.tolist()
        full = {packet.last: number for number, packet in enumerate(self.packets)}
        packets = self.packets

        def gather(bit: int) -> None:
            if wrong[bit]:
                frame.wrong = True
            number = full.get(bit)
            if number is not None:
                first = packets[number].first
                for lane in lanes:
                    Instant(env, times[lane][number], PUSH, self.store, (frame, lane, first, bit))

        return gather
