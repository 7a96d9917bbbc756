"""The host side: the trigger timer with its busy flag and timeout, and the reader."""

from __future__ import annotations

from collections.abc import Generator
from typing import TYPE_CHECKING, Protocol

import numpy as np
import simpy

from simlink.base.draws import Column
from simlink.base.instants import NEVER
from simlink.engines.event.clockwork import (
    ARRIVE,
    FREE,
    LEAVE,
    SERVICE,
    TAKE,
    TIMEOUT,
    Bell,
    Clockwork,
    Instant,
)
from simlink.engines.event.fifo import Fifo
from simlink.engines.event.frame import Frame, Trial
from simlink.link import channel as barrier
from simlink.link import host, trigger
from simlink.records import Fate

if TYPE_CHECKING:
    from simlink.records import FrameBlock


class Destination(Protocol):
    """Where a trigger goes."""

    def arrive(self, event: Instant) -> None:
        """Judge a trigger at the instant it arrives."""


class TriggerTimer:
    """Sends triggers and keeps the host's busy flag.

    Busy rises when the host triggers and falls at a release with no later trigger already sent,
    or when the host gives a conversion up.
    """

    def __init__(
        self, env: Clockwork, trial: Trial, record: FrameBlock, converter: Destination
    ) -> None:
        self.env = env
        self.trial = trial
        self.record = record
        self.converter = converter
        law = trial.scenario.trigger
        timeout = trial.scenario.host.timeout
        self.timeout = None if timeout is None else timeout.constant_value
        self.from_host = law.source == "host"
        self.loops = law.pattern == "after_read"
        self.last_sent = -1
        self.last_released = -1
        self.last_arrival = NEVER
        if self.loops:
            assert law.gap is not None
            self.gap = trial.each(law.gap, "trigger.gap")
            self.jitter = trial.each(law.jitter, "trigger.jitter")
            forward = trial.scenario.barrier.direction("forward")
            self.forward_jitter = trial.each(forward.jitter, "barrier.forward.jitter")
            self.next_after(0)
        else:
            self.plan()
            env.process(self.run())

    def plan(self) -> None:
        """Work out when every trigger leaves and arrives."""
        trial, record = self.trial, self.record
        scenario, count = trial.scenario, trial.conversions
        due = trigger.DueTimes(scenario, trial.number, trial.trigger_tolerance).take(count)
        record.due[0] = due

        def draws(law: object, source: str) -> np.ndarray:
            return Column(law, scenario.seed, trial.number, source).take(count)  # type: ignore[arg-type]

        left = trigger.leaves(due, draws(scenario.trigger.jitter, "trigger.jitter"))
        record.trigger[0] = left
        arrival = left
        if self.from_host:
            law = scenario.barrier.direction("forward").jitter
            jitter = draws(law, "barrier.forward.jitter")
            arrival = left + barrier.crossing(trial.forward, jitter)
        self.arrivals = barrier.in_order(arrival, NEVER)
        # Jitter wider than the spacing makes triggers leave out of turn.
        self.turns = np.argsort(left, kind="stable")

    def run(self) -> Generator[simpy.Event, None, None]:
        """Send every trigger of the plan at its instant."""
        left, arrivals = self.record.trigger[0], self.arrivals
        for turn in self.turns:
            index = int(turn)
            yield Instant(self.env, left.item(index), LEAVE)
            self.leave(index)
            Instant(self.env, arrivals.item(index), ARRIVE, self.converter.arrive)

    def next_after(self, now: int) -> None:
        """Plan the next trigger of a loop, one gap after the frame was read or given up."""
        index = self.last_sent + 1
        if index >= self.trial.conversions:
            return
        due = now + self.gap(index)
        self.record.due[0, index] = due
        left = max(trigger.leaves(due, self.jitter(index)), now)
        Instant(self.env, left, LEAVE, self.loop_leave, index)

    def loop_leave(self, event: Instant) -> None:
        """Send the next trigger of a loop."""
        index, now = event.payload, self.env.now
        self.record.trigger[0, index] = now
        self.leave(index)
        crossing = int(barrier.crossing(self.trial.forward, self.forward_jitter(index)))
        self.last_arrival = max(now + crossing, self.last_arrival)
        Instant(self.env, self.last_arrival, ARRIVE, self.converter.arrive)

    def leave(self, index: int) -> None:
        """A trigger leaves: busy rises, and the host starts to wait for its release."""
        self.last_sent = max(self.last_sent, index)
        if self.timeout is not None:
            Instant(self.env, self.env.now + self.timeout, TIMEOUT, self.expire, index)

    def released(self, frame: Frame) -> bool:
        """Note a release; tell whether busy falls."""
        self.last_released = max(self.last_released, frame.index)
        return not self.from_host or frame.index >= self.last_sent

    def expire(self, event: Instant) -> None:
        """Give a conversion up, unless it or a later one was released in time."""
        index = event.payload
        if self.last_released >= index:
            return
        self.give_up(index)
        if self.loops:
            self.next_after(self.env.now)

    def give_up(self, index: int) -> None:
        """Count a timeout; busy falls if no later trigger has raised it."""
        self.record.timed_out[0, index] = True

    def has_read(self, frame: Frame) -> None:
        """In a loop, the frame of the last trigger calls for the next one."""
        if (
            self.loops
            and frame.index == self.last_sent
            and not self.record.timed_out[0, frame.index]
        ):
            self.next_after(self.env.now)


class Reader:
    """Serves releases: waits one service latency, then clocks frames out."""

    def __init__(self, env: Clockwork, trial: Trial, record: FrameBlock, fifo: Fifo) -> None:
        self.env = env
        self.trial = trial
        self.record = record
        self.fifo = fifo
        law = trial.scenario.host
        self.watermark = law.watermark
        self.read_all = law.read_all
        self.by_edge = law.notice == "edge"
        self.latched = False
        self.latency = trial.each(law.service_latency, "host.service_latency")
        self.idle = True
        self.last_frame: Frame | None = None
        self.bell = Bell(env)
        self.timer: TriggerTimer
        env.process(self.run())

    def released(self, frame: Frame) -> None:
        """Hear of a release, by count or by the falling edge of busy."""
        if self.timer.released(frame):
            self.latched = True
        self.consider()

    def may_begin(self) -> bool:
        """Tell whether a service may begin now."""
        if self.by_edge and not self.latched:
            return False
        return self.idle and len(self.fifo.waiting) >= self.watermark

    def consider(self) -> None:
        """Begin a service at the end of this instant, if nothing speaks against it."""
        if not self.bell.rung and self.may_begin():
            self.bell.ring(self.env.now, SERVICE)

    def group(self, size: int) -> list[Frame]:
        """Fix the next frames to be read; from now on they are not discarded."""
        frames = [self.fifo.waiting.popleft() for _ in range(size)]
        for frame in frames:
            frame.protected = True
        return frames

    def run(self) -> Generator[simpy.Event, None, None]:
        """Serve, one service after another."""
        env, trial, record = self.env, self.trial, self.record
        take, take_end = trial.take, trial.take_end
        last = trial.bits - 1
        while True:
            yield self.bell
            self.bell = Bell(env)
            # A frame may have been discarded since the bell was rung, in this very instant.
            if not self.may_begin():
                continue
            self.idle = False
            self.latched = False
            frames = self.group(self.watermark)
            record.service[0, frames[0].index] = env.now
            start = host.reads_from(env.now, self.latency(frames[0].index))
            while frames:
                self.last_frame = frames[-1]
                for frame in frames:
                    record.read_start[0, frame.index] = start
                    for bit in range(last):
                        yield Instant(env, start + take[bit], TAKE)
                        self.take(frame, bit)
                        yield Instant(env, start + take_end[bit], TAKE)
                        self.fall(frame, bit)
                    yield Instant(env, start + take[last], TAKE)
                    self.take(frame, last)
                    start += take_end[last]
                    yield Instant(env, start, FREE)
                    self.finish(frame)
                if not self.read_all:
                    break
                # What is released at this very instant is read too.
                yield Instant(env, start, SERVICE)
                frames = self.group(len(self.fifo.waiting))
            self.idle = True
            self.consider()

    def take(self, frame: Frame, bit: int) -> None:
        """Take one bit of every lane; one that has not been pushed spoils the frame."""
        if frame.missing and min(frame.pushed) <= bit:
            frame.underrun = True

    def fall(self, frame: Frame, bit: int) -> None:
        """The host clock falls."""

    def finish(self, frame: Frame) -> None:
        """The read ends: the slot is freed and the frame has its fate."""
        record = self.record
        record.read_end[0, frame.index] = self.env.now
        if frame.underrun:
            fate = Fate.UNDERRUN
        elif frame.wrong:
            fate = Fate.CORRUPTED
        else:
            fate = Fate.DELIVERED
        record.fate[0, frame.index] = fate
        self.fifo.free(frame)
        self.timer.has_read(frame)
