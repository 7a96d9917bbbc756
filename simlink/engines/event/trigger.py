"""The trigger timer, with the busy flag and the timeout that a host keeps beside it."""

from __future__ import annotations

import numpy as np

from simlink.base.instants import FAR, NEVER
from simlink.engines.event.channel import Channel
from simlink.engines.event.clockwork import LEAVE, TIMEOUT, Instant, Tick
from simlink.engines.event.counts import HostCounts
from simlink.engines.event.frame import Frame, Part, Trial
from simlink.engines.event.signals import Signal
from simlink.link import host, trigger


class TriggerTimer(Part):
    """Sends triggers and keeps the host's busy flag.

    Busy rises when the host triggers and falls at a release with no later trigger already sent,
    or when the host gives a conversion up. The logic that makes it is taken to pair triggers and
    frames rightly: here the true number of a frame may be asked for.
    """

    def __init__(self, trial: Trial, channel: Channel, counts: HostCounts) -> None:
        super().__init__(trial)
        env, signals = trial.env, trial.signals
        #: To the converter.
        self.channel = channel
        self.counts = counts
        law = trial.scenario.trigger
        timeout = trial.scenario.host.timeout
        self.timeout = None if timeout is None else timeout.constant_value
        self.from_host = law.source == "host"
        self.loops = law.pattern == "after_read"
        self.last_sent = -1
        self.last_left = NEVER
        self.last_released = -1
        self.last_release = NEVER
        #: The frame that was released last.
        self.newest: Frame | None = None
        self.jitter = trial.each(law.jitter, "trigger.jitter")
        forward = trial.scenario.barrier.direction("forward").jitter
        self.crossing_jitter = trial.each(forward, "barrier.forward.jitter")
        self.trigger = signals.make("host.trigger")
        self.expired = signals.make("host.timeout")
        #: Seen by nobody, unless busy is made here: by the host's own timer, with a remote master.
        self.busy = Signal(env, "host.busy", 0, [])
        if self.loops:
            assert law.gap is not None
            self.gap = trial.each(law.gap, "trigger.gap")
            #: In a loop, the frame whose release let busy fall: the host goes on with its read.
            self.answer: Frame | None = None
            self.next_after(0)
        else:
            self.plan()

    def plan(self) -> None:
        """Work out when every trigger leaves."""
        trial, record, count = self.trial, self.record, self.trial.conversions
        tolerance = trial.unit.trigger_tolerance
        record.due[:] = trigger.DueTimes(trial.scenario, trial.number, tolerance).take(count)
        jitter, leaves_at = self.jitter, trigger.leaves_at
        for index, due in enumerate(record.due):
            record.trigger[index] = leaves_at(int(due), jitter(index), NEVER)
        # Jitter wider than the spacing makes triggers leave out of turn.
        self.turns = iter(np.argsort(record.trigger, kind="stable"))
        self.next_in = 0
        self.tick = Tick(self.env, self.take_turn)
        self.next_turn()

    def next_turn(self) -> None:
        """Wait for the next trigger of the plan."""
        for turn in self.turns:
            self.turn = int(turn)
            self.tick.schedule(self.record.trigger.item(self.turn), LEAVE)
            return

    def take_turn(self) -> None:
        """Send a trigger of the plan; the channel takes them in the order in which they are due."""
        self.leave(self.turn)
        while self.next_in <= self.turn:
            self.cross(self.next_in, self.record.trigger.item(self.next_in))
            self.next_in += 1
        self.next_turn()

    def cross(self, index: int, left: int) -> None:
        """Send a trigger to the converter; that of a remote timer crosses no barrier."""
        jitter = self.crossing_jitter(index) if self.from_host else 0
        self.channel.send(index, left, jitter, left, index)

    def next_after(self, now: int) -> None:
        """Plan the next trigger of a loop, one gap after the frame was read or given up."""
        index = self.last_sent + 1
        if index >= self.trial.conversions:
            return
        due = now + self.gap(index)
        self.record.due[index] = due
        left = trigger.leaves_at(due, self.jitter(index), now)
        Instant(self.env, left, LEAVE, self.loop_leave, index)

    def loop_leave(self, index: int, _: None) -> None:
        """Send the next trigger of a loop."""
        now = self.env.now
        self.record.trigger[index] = now
        self.leave(index)
        self.cross(index, now)

    def leave(self, index: int) -> None:
        """A trigger leaves: busy rises, and the host starts to wait for its release."""
        now = self.env.now
        if index > self.last_sent:
            self.last_sent, self.last_left = index, now
        if self.from_host:
            self.counts.triggered(index)
        self.trigger.set(index, index)
        self.busy.move(1, index, None, now, "host.trigger")
        if self.timeout is not None:
            Instant(self.env, now + self.timeout, TIMEOUT, self.expire, index)

    def released(self, frame: Frame) -> bool:
        """Note a release; tell whether it lets busy fall."""
        now, index = self.env.now, frame.place
        self.newest = frame
        if index > self.last_released:
            self.last_released, self.last_release = index, now
        self.counts.released()
        falls = not self.from_host or host.busy_falls(
            now, self.last_left if self.last_sent > index else FAR
        )
        if frame.index < 0 and self.from_host and not self.busy.value:
            # Nobody waits for it, and busy has no edge.
            return False
        if falls:
            if self.loops and not self.record.timed_out[index]:
                self.answer = frame
            self.busy.move(0, frame.index, None, now, "fifo.release")
        return falls

    def expire(self, index: int, _: None) -> None:
        """Give a conversion up, unless it or a later one was released in time."""
        now = self.env.now
        release = self.last_release if self.last_released >= index else FAR
        if not host.gives_up(release, now):
            return
        self.record.timed_out[index] = True
        self.counts.gave_up(index)
        self.expired.set(index, index, None, self.record.trigger.item(index), "host.trigger")
        if index >= self.last_sent:
            self.busy.move(0, index, None, now, "host.timeout")
        if self.loops:
            self.next_after(now)

    def is_idle_after(self, frame: Frame) -> bool:
        """Tell whether the link is idle as far as the host knows, once it has read a frame."""
        busy = self.from_host and self.busy.value != 0
        return not busy and self.newest is frame

    def has_read(self, frame: Frame) -> None:
        """In a loop, the frame that let busy fall calls for the next trigger."""
        if self.loops and frame is self.answer:
            self.answer = None
            self.next_after(self.env.now)
