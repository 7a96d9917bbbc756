"""SimPy with integer femtoseconds and a stated order of what happens at one instant.

SimPy takes events from its queue by (time, priority, order of scheduling). The priorities here
are the ranks below, so that what happens at one instant happens in the order that both engines
keep: slots are freed, bits are pushed, releases are decided, bits are taken by the reader,
triggers are judged (credits, timeouts, triggers leaving, triggers arriving), services begin.
Clock edges of the remote side come before all, for a bit may cross the barrier in no time.
Pushes of one instant come in the order in which their bits were captured.
"""

from __future__ import annotations

from collections.abc import Callable
from heapq import heappush
from typing import Any

import simpy

EDGE = 10
FREE = 20
PUSH = 30
RELEASE = 40
TAKE = 50
#: A read that frees no slot ends once its last bit has been taken.
READ_END = 55
CREDIT = 60
TIMEOUT = 61
LEAVE = 62
ARRIVE = 63
SERVICE = 70


class Clockwork(simpy.Environment):
    """SimPy's environment, told absolute instants rather than delays; all are integers of fs."""

    now: int

    def put(self, event: simpy.Event, time: int, rank: int) -> None:
        """Queue an event for an instant and rank."""
        queue: list[Any] = self._queue
        heappush(queue, (time, rank, next(self._eid), event))


class Instant(simpy.Event):
    """An event at a given instant and rank; a process may wait for it, or a callback be called.

    Parameters
    ----------
    env : Clockwork
        Where it happens.
    time : int
        When, in fs.
    rank : int
        Its place among the events of that instant.
    callback : callable, optional
        Called with the event; finds ``payload`` on it.
    payload : object, optional
        Whatever the callback needs.
    """

    __slots__ = ("payload",)

    def __init__(
        self,
        env: Clockwork,
        time: int,
        rank: int,
        callback: Callable[[Instant], None] | None = None,
        payload: Any = None,
    ) -> None:
        self.env = env
        self.callbacks = [] if callback is None else [callback]
        self._value = None
        self._ok = True
        self.payload = payload
        env.put(self, time, rank)


class Bell(simpy.Event):
    """An event that a process waits for and that another part rings, for an instant to come."""

    env: Clockwork

    @property
    def rung(self) -> bool:
        """Whether it has been rung."""
        return self.triggered

    def ring(self, time: int, rank: int, value: Any = None) -> None:
        """Wake whoever waits, at an instant and rank, and hand over a value."""
        self._ok = True
        self._value = value
        self.env.put(self, time, rank)
