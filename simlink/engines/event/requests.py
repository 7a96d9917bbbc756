"""The host's requests for frames whose check failed, and its wait for what it has asked for."""

from __future__ import annotations

from collections.abc import Callable

from simlink.base.instants import NEVER
from simlink.engines.event.channel import lost, made
from simlink.engines.event.clockwork import CREDIT, FREE, Instant
from simlink.engines.event.frame import Frame, Part, Trial
from simlink.engines.event.upsets import hits_of


class Requests(Part):
    """Asks for each frame once whose check failed, by the rules of `simlink.link.repeat`."""

    def __init__(
        self,
        trial: Trial,
        asked: Callable[[Frame], object],
        done: Callable[[Frame, int], object],
    ) -> None:
        super().__init__(trial)
        law, signals = trial.scenario.check, trial.signals
        assert law.repeat_timeout is not None
        self.timeout = law.repeat_timeout.constant_value
        #: What the remote side does with the frame that it is asked for.
        self.asked = asked
        #: What the host does with a frame that it goes on without, and with its fate.
        self.done = done
        #: The frame that the host waits for.
        self.awaited: Frame | None = None
        hits = hits_of(trial, "forward", "request", 1)
        self.channel = made(hits, lost, trial.env, CREDIT, trial.unit.credit, self.arrives)
        jitter = trial.scenario.barrier.direction("forward").jitter
        self.jitter = trial.each(jitter, "barrier.forward.jitter request")
        self.request = signals.make("host.request")
        self.came = signals.make("remote.request")

    def asks(self, frame: Frame) -> bool:
        """Ask for a frame that has been read, if its check failed for the first time."""
        record, index, now = self.record, frame.index, self.env.now
        if not record.check_failed[index] or record.request[index] != NEVER:
            return False
        record.request[index] = now
        self.awaited = frame
        self.request.set(index, index, None, now, "host.read")
        self.channel.send(frame, None, self.jitter(index), now, index)
        Instant(self.env, now + self.timeout, FREE, self.expire, frame)
        return True

    def arrives(self, frame: Frame, _: object) -> None:
        """Have the request come to the remote side."""
        index = frame.index
        self.came.set(index, index, None, self.record.request.item(index), "host.request")
        self.asked(frame)

    def answered(self, frame: Frame) -> bool:
        """Tell whether a repeated frame that can be read is the one that is waited for."""
        if self.awaited is None or frame.repeats is not self.awaited:
            return False
        self.awaited = None
        return True

    def expire(self, frame: Frame, _: object) -> None:
        """Go on without a frame of which nothing has been released in time."""
        if self.awaited is frame:
            self.awaited = None
            self.done(frame, self.record.fate.item(frame.index))
