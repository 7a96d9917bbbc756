"""Edges that transients make on channels that carry nothing.

They are made as long as the trial has anything else to come, and until the last trigger's
conversion has its fate; where it never gets one, until twice the time at which that trigger left.
So a stream of transients does not keep a trial going by what it makes itself.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Protocol

from simlink.engines.event.clockwork import Tick
from simlink.engines.event.frame import Part, Trial
from simlink.link.false_edge import FalseEdges, carries
from simlink.link.fate import NOT_SENT

#: How far ahead the next window is looked for, at first and at most, in fs.
_LOOK_AHEAD = 10**9
_FARTHEST = 10**12


class Sender(Protocol):
    """Whoever knows which trigger was sent last."""

    last_sent: int
    last_left: int


class Ending(Part):
    """Tells when no more false edges are made."""

    sender: Sender

    def __init__(self, trial: Trial) -> None:
        super().__init__(trial)
        #: Ticks of false edges that are in the queue.
        self.waiting = 0

    def over(self) -> bool:
        """Tell whether the trial has nothing else to come; asked by a tick that happens."""
        if len(self.env._queue) <= self.waiting:
            return True
        last, sender = self.trial.conversions - 1, self.sender
        if sender.last_sent < last:
            return False
        settled = self.trial.record.fate[last] != NOT_SENT
        return bool(settled) or self.env.now > 2 * sender.last_left


class FalseSource:
    """Makes the false edges of one channel, each as its window begins, at its symbols' rank."""

    def __init__(
        self, ending: Ending, edges: FalseEdges, rank: int, act: Callable[[], object]
    ) -> None:
        self.env, self.ending, self.edges = ending.env, ending, edges
        self.rank, self.act = rank, act
        self.tick = Tick(self.env, self.happen)
        self.ahead = _LOOK_AHEAD
        #: Whether what comes at this very instant has been waited for.
        self.waited = False
        edges.take_before(self.env.now)
        self.plan()

    def plan(self) -> None:
        """Wait for the next window, or for as long as there is none."""
        horizon = max(self.env.now, 0) + self.ahead
        start = self.edges.upcoming(horizon)
        if start is None:
            start = horizon
            self.ahead = min(2 * self.ahead, _FARTHEST)
        self.waited = False
        self.ending.waiting += 1
        self.tick.schedule(start, self.rank)

    def happen(self) -> None:
        """Make an edge, if the window that begins now makes one."""
        self.ending.waiting -= 1
        if self.ending.over():
            return
        if not self.waited:
            # The symbols that come at this instant come first.
            self.waited = True
            self.ending.waiting += 1
            self.tick.schedule(self.env.now, self.rank)
            return
        if self.edges.take_before(self.env.now + 1):
            self.act()
        self.plan()


class Carried:
    """What is on a channel, as far as it has been sent."""

    def __init__(self) -> None:
        self._spans: deque[tuple[int, int]] = deque()

    def add(self, sent: int, arrives: int) -> None:
        """Note a symbol: when it was sent, and when it arrives, in fs."""
        self._spans.append((sent, arrives))

    def at(self, time: int) -> bool:
        """Tell whether a symbol is on the channel at an instant, none before one asked earlier."""
        while self._spans and self._spans[0][1] <= time:
            self._spans.popleft()
        return any(carries(time, *span) for span in self._spans)
