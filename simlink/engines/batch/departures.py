"""When the triggers of some trials are due, and when the first of all later ones leaves."""

from __future__ import annotations

from typing import Any

import numpy as np

from simlink.base.compiled import compiled
from simlink.base.draws import Column
from simlink.base.instants import FAR, NEVER, Times
from simlink.link.trigger import DueTimes, leaves_at
from simlink.link.unit import Units
from simlink.scenario.distributions import reach
from simlink.scenario.schema import Scenario

#: The longest trials of which due times that are the same in all trials are kept.
_KEPT = 2**22
#: Triggers looked ahead to at a time.
_AHEAD = 1024


class Departures:
    """Hands due times out in order; not for loops, whose triggers wait for the host.

    Parameters
    ----------
    scenario : Scenario
        What is simulated.
    asks_later : bool
        Whether the first of all later triggers is asked for.
    """

    def __init__(self, scenario: Scenario, asks_later: bool) -> None:
        trigger = scenario.trigger
        self._scenario = scenario
        self._asks_later = asks_later
        self._loops = trigger.pattern == "after_read"
        gap = trigger.gap
        self._common = trigger.tolerance.is_constant and (
            trigger.pattern == "periodic"
            or (trigger.pattern == "burst" and gap is not None and gap.is_constant)
        )
        #: Whether they leave at the same times, too.
        self._alike = self._common and trigger.jitter.is_constant
        self._known: dict[int, tuple[Times, Times]] = {}
        self._sources: list[DueTimes] = []
        self._later: list[_Later] = []
        #: Up to where they have been taken: what an earlier trial has asked for is known.
        self._taken = 0

    def open(self, units: Units, trials: range) -> None:
        """Begin some trials, which are among those of ``units``."""
        if self._loops:
            return
        rows = slice(trials.start - units.trials.start, trials.stop - units.trials.start)
        tolerances = units.trigger_tolerance[rows].tolist()
        pairs = list(zip(trials, tolerances, strict=True))[: 1 if self._common else None]
        self._sources = [DueTimes(self._scenario, trial, one) for trial, one in pairs]
        self._taken = 0
        if self._asks_later:
            self._later = [
                _Later(self._scenario, trial, one)
                for trial, one in (pairs if self._alike else zip(trials, tolerances, strict=True))
            ]

    def take(self, first: int, count: int) -> tuple[Times, Times]:
        """Return due times and those of the first of all later triggers.

        Returns
        -------
        due : ndarray of int64, shape (T or 1, count), fs
        later : ndarray of int64, shape (T or 1, count) or (1, 0), fs
            `FAR` after the last trigger; empty where nobody asks.
        """
        none = np.zeros((1, 0), dtype=np.int64)
        if self._loops:
            return np.zeros((1, 1), dtype=np.int64), none
        known = self._known.get(first)
        if known is None or known[0].shape[1] != count:
            shared = self._later if self._alike else []
            if first > self._taken:
                behind: list[Any] = [*self._sources, *shared]
                for source in behind:
                    source.take(first - self._taken)
            due = np.stack([source.take(count) for source in self._sources])
            known = due, np.stack([one.take(count) for one in shared]) if shared else none
            self._taken = first + count
            if self._common and self._scenario.conversions <= _KEPT:
                self._known[first] = known
        due, later = known
        if self._asks_later and not self._alike:
            later = np.stack([one.take(count) for one in self._later])
        return due, later


@compiled
def leave(due: Any, jitter: Any, left: Any) -> None:
    """Fill in when triggers leave that wait for nothing; arrays of int64, shape (n,), fs."""
    for index in range(len(due)):
        left[index] = leaves_at(due[index], jitter[index], NEVER)


class _Later:
    """When the first of all later triggers of one trial leaves.

    Jitter wider than the spacing lets a later trigger leave first, so that is settled by looking
    ahead until no later one can matter.
    """

    def __init__(self, scenario: Scenario, trial: int, tolerance: int) -> None:
        law = scenario.trigger.jitter
        self._due = DueTimes(scenario, trial, tolerance)
        self._jitter = Column(law, scenario.seed, trial, "trigger.jitter")
        self._least = reach(law)[0]
        self._remaining = scenario.conversions
        self._left = np.empty(0, dtype=np.int64)
        self._newest = 0

    def take(self, count: int) -> Times:
        while self._remaining and not self._is_settled(count):
            more = min(self._remaining, max(_AHEAD, count))
            self._remaining -= more
            due = self._due.take(more)
            left = np.empty(more, dtype=np.int64)
            leave(due, self._jitter.take(more), left)
            self._left = np.concatenate([self._left, left])
            self._newest = int(due[-1])
        # From each place on, the soonest to leave; one place past the end.
        soonest = np.minimum.accumulate(np.append(self._left, FAR)[::-1])[::-1]
        self._left = self._left[count:]
        later: Times = soonest[1 : count + 1]
        return later

    def _is_settled(self, count: int) -> bool:
        """Tell whether no trigger that has not been looked at leaves before those after some."""
        after = self._left[count:]
        return len(after) > 0 and self._newest + self._least >= after.min()
