"""SimPy with integer femtoseconds and a stated order of what happens at one instant.

SimPy takes events from its queue by (time, priority, order of scheduling). The priorities here
are the ranks below, so that what happens at one instant happens in the order that both engines
keep: slots are freed, bits are pushed, releases are decided, bits are captured by the reader,
triggers are judged (credits, timeouts, triggers leaving, triggers arriving), services begin.
Clock edges of the remote side come before all, for a bit may cross the barrier in no time.
Pushes of one instant come in the order in which their bits were captured.

A part schedules an `Instant` for what happens once and keeps a `Tick` for what happens again and
again, such as the edges of its clock. Both are SimPy events that name what is called directly,
so that the loop over the queue neither makes lists of callbacks nor resumes a process.
"""

from __future__ import annotations

from collections.abc import Callable
from heapq import heappop, heappush
from typing import Any

import simpy
from simpy.core import StopSimulation

#: Before anything else.
FIRST = -1
EDGE = 10
FREE = 20
PUSH = 30
RELEASE = 40
CAPTURE = 50
#: A read that frees no slot ends once its last bit has been captured.
READ_END = 55
CREDIT = 60
TIMEOUT = 61
LEAVE = 62
ARRIVE = 63
SERVICE = 70


class Clockwork(simpy.Environment):
    """SimPy's environment, told absolute instants rather than delays; all are integers of fs."""

    now: int
    _now: int
    _queue: list[Any]
    #: The rank of what happens now.
    rank = FIRST

    def run(self, until: Any = None) -> Any:
        """Take events from the queue until none is left, or as SimPy does until a given one."""
        if until is not None:
            return super().run(until)
        queue = self._queue
        try:
            while queue:
                self._now, self.rank, _, event = heappop(queue)
                kind = event.__class__
                # Most are ticks: the edges of clocks.
                if kind is Tick:
                    event.act()
                elif kind is Instant:
                    event.act(event.subject, event.part)
                else:
                    heappush(queue, (self._now, FIRST, next(self._eid), event))
                    self.step()
        except StopSimulation:
            pass
        return None

    def stop(self) -> None:
        """Have `run` return after the event that happens now."""
        Instant(self, self.now, FIRST, _stop)


def _stop(*_: object) -> None:
    raise StopSimulation(None)


def _instant_happens(event: Any) -> None:
    event.act(event.subject, event.part)


def _tick_happens(event: Any) -> None:
    event.callbacks = Tick.callbacks
    event.act()


class Instant(simpy.Event):
    """Something that happens once, at a given instant, in fs, and rank among those of that instant.

    What is called gets what it is about: a frame, say, and which bits of it.
    """

    __slots__ = ("act", "part", "subject")

    _ok = True
    _value = None
    #: For SimPy's own step.
    callbacks = (_instant_happens,)  # type: ignore[assignment]

    def __init__(
        self,
        env: Clockwork,
        time: int,
        rank: int,
        act: Callable[[Any, Any], object],
        subject: Any = None,
        part: Any = None,
    ) -> None:
        self.act = act
        self.subject = subject
        self.part = part
        heappush(env._queue, (time, rank, next(env._eid), self))


class Tick(simpy.Event):
    """Something that happens again and again, each time scheduled anew."""

    __slots__ = ("act", "ids", "queue")

    _ok = True
    _value = None
    callbacks = (_tick_happens,)  # type: ignore[assignment]

    def __init__(self, env: Clockwork, act: Callable[[], object]) -> None:
        self.env = env
        self.act = act
        self.queue = env._queue
        self.ids = env._eid

    def schedule(self, time: int, rank: int) -> None:
        """Schedule its next time, for an instant in fs and a rank."""
        heappush(self.queue, (time, rank, next(self.ids), self))
