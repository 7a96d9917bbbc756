"""Which transients the batch engine does, and the windows of a stretch that its loop compares with.

What is sent in a stretch, and until when all of it has arrived, is bounded before the stretch is
walked: by its due times, the draws that stand in the rings, and where each trial stands. Windows
that end before anything still to come is sent are let go, so that those of a long trial take no
more room than those of a short one.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from simlink.base.instants import NEVER, Times
from simlink.engines.batch.draws import (
    CONVERSION_TIME,
    EDGES,
    FORWARD_JITTER,
    START_DELAY,
    TRIGGER_JITTER,
    ZERO,
    Draws,
    Source,
    edge_columns,
)
from simlink.link.transient import UPSET_PARTS, WAYS, Upsets, Way, may_upset, upset_parts, upsets
from simlink.link.unit import Units
from simlink.scenario.distributions import Uniform, reach
from simlink.scenario.schema import Scenario


def refusal(scenario: Scenario) -> str | None:
    """Return why the transients of a scenario cannot be done exactly, or None if they can."""
    if not upsets(scenario):
        return None
    what = "the batch engine does not do transients that upset"
    if scenario.link.scheme != "remote_master":
        return None
    if scenario.trigger.pattern == "after_read":
        return f"{what} a channel where each trigger waits for a read (trigger.pattern)"
    if scenario.fifo.when_full == "stall":
        return f"{what} a channel where the remote master waits for credits (fifo.when_full)"
    back = scenario.barrier.return_
    if may_upset(scenario, "return"):
        if back.style == "packets":
            return f"{what} packets"
        if back.has_strobe:
            return f"{what} a strobe beside the data"
    return None


def hits_trigger(scenario: Scenario) -> bool:
    """Tell whether a trigger may be hit: a remote timer's crosses no barrier."""
    return scenario.trigger.source == "host" and may_upset(scenario, "forward")


def earliest(scenario: Scenario) -> int:
    """Return what a trigger leaves after it is due at the least, in fs; NEVER without a bound."""
    least = reach(scenario.trigger.jitter)[0]
    return NEVER if math.isinf(least) else math.floor(least)


def upset_columns(scenario: Scenario) -> list[Source]:
    """Return the columns that say whether a symbol that meets a window is hit: trigger, bits."""
    bits, lanes = scenario.bits_per_lane, range(scenario.frame.lanes)
    chance = Uniform(low=0, high=UPSET_PARTS)
    sure = upset_parts(scenario.barrier.upset) >= UPSET_PARTS
    trigger = chance if hits_trigger(scenario) and not sure else ZERO
    found = [Source("upset trigger", trigger)]
    if may_upset(scenario, "return"):
        for lane in lanes:
            found += edge_columns(ZERO if sure else chance, f"upset lane {lane}", bits)
    return found


#: The windows of some trials one behind the other, shape (2, windows): starts and ends, fs. Of each
#: trial and direction, where its own begin and end, shape (T, 2, 2).
Given = tuple[Times, Times]


def none_of(trials: int) -> Given:
    """Return what is given where nothing upsets."""
    return np.zeros((2, 0), dtype=np.int64), np.zeros((trials, 2, 2), dtype=np.int64)


class Windows:
    """The windows that the symbols of each stretch may meet.

    Parameters
    ----------
    scenario : Scenario
        One that `refusal` lets through.
    draws : Draws
        The rings that hold the draws of a stretch when its windows are asked for.
    """

    def __init__(self, scenario: Scenario, draws: Draws) -> None:
        self._scenario, self._draws = scenario, draws
        ways: dict[Way, bool] = {
            "forward": hits_trigger(scenario),
            "return": may_upset(scenario, "return"),
        }
        self._ways = [way for way in WAYS if ways[way]]
        self._least = earliest(scenario)
        self._upsets: list[Upsets] = []

    def open(self, units: Units, trials: range) -> None:
        """Begin some trials, which are among those of ``units``."""
        self._units = units
        self._rows = slice(trials.start - units.trials.start, trials.stop - units.trials.start)
        self._upsets = []
        if self._ways:
            self._upsets = [Upsets(self._scenario, trial) for trial in trials]

    def take(self, due: Times, at: int, offsets: Times, state: Any, ahead: Times) -> Given:
        """Return the windows of the next stretch.

        Parameters
        ----------
        due : ndarray of int64, shape (T or 1, count), fs
        at : int
            Where the draws of its first conversion stand in the rings.
        offsets : ndarray of int64, shape (T, symbols), fs
            When the symbols are sent, counted from the start of the clock.
        state, ahead
            Where the trials stand, as `remote_master.walk` takes them.
        """
        trials, count = len(self._upsets), due.shape[1]
        if not self._ways:
            return none_of(len(state))
        units, rows = self._units, self._rows
        left = due + self._drawn(TRIGGER_JITTER, at, count)
        arrived = left.max(axis=1) + units.values["forward"][rows]
        arrived = np.maximum(arrived, left.max(axis=1)) + self._most(FORWARD_JITTER, at, count)
        arrived = np.maximum(arrived, state["last_arrival"])
        until = arrived
        if "return" in self._ways:
            started = arrived + self._most(CONVERSION_TIME, at, count)
            sent = started + self._most(START_DELAY, at, count) + offsets.max(axis=1)
            edges = range(EDGES, EDGES + ahead.shape[1] * offsets.shape[1])
            off = max_of([self._most(column, at, count) for column in edges])
            until = sent + np.maximum(units.lanes[rows].max(axis=1), 0) + off
            until = np.maximum(until, ahead.max(axis=1))
        low = self._oldest(due, trials)
        found: tuple[list[int], list[int]] = [], []
        bounds = np.zeros((trials, 2, 2), dtype=np.int64)
        for row, (upsets_of, upto) in enumerate(zip(self._upsets, until.tolist(), strict=True)):
            for way in self._ways:
                starts, ends = upsets_of.since(way, low[row], upto)
                number = WAYS.index(way)
                bounds[row, number, 0] = len(found[0])
                found[0].extend(starts)
                found[1].extend(ends)
                bounds[row, number, 1] = len(found[0])
        return np.array(found, dtype=np.int64).reshape(2, -1), bounds

    def _oldest(self, due: Times, trials: int) -> list[int]:
        """Return of each trial before when nothing is sent from this stretch on."""
        if self._least == NEVER:
            return [NEVER] * trials
        early: Times = np.broadcast_to(due[:, 0], trials)
        return [one + self._least for one in early.tolist()]

    def _drawn(self, column: int, at: int, count: int) -> Any:
        which = int(self._draws.place[column])
        if which < 0:
            return self._draws.constant[column]
        return self._draws.ring[:, which, at : at + count]

    def _most(self, column: int, at: int, count: int) -> Any:
        """Return the most that was drawn of a column, of each trial, 0 at least."""
        drawn = self._drawn(column, at, count)
        return np.maximum(drawn if np.ndim(drawn) == 0 else drawn.max(axis=1), 0)


def max_of(some: list[Any]) -> Any:
    """Return the largest of several, each a number or an array of shape (T,)."""
    found = some[0]
    for one in some[1:]:
        found = np.maximum(found, one)
    return found
