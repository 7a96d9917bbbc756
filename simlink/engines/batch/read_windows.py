"""The windows that a stretch of trials read by the host's own clock is compared with.

How long after a trigger anything of it, or of a read that begins meanwhile, may still arrive is
bounded by all fixed parts and by what each source may draw at the most; of one without a bound, by
the most that it has drawn up to the stretch. In a loop nobody knows ahead when the triggers leave:
its trials stop where the known windows may not be enough, and go on with more.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from simlink.base.instants import FAR, NEVER, Times
from simlink.engines.batch.draws import EDGES, Draws, Source
from simlink.engines.batch.windows import earliest
from simlink.link.transient import WAYS, Upsets, Way, first_open, may_upset
from simlink.link.unit import Units
from simlink.scenario.distributions import reach
from simlink.scenario.schema import Scenario

#: What of a unit a symbol, or what is sent because of it, may have to wait for.
_FIXED = (
    "forward", "clock", "clock_distortion", "returned", "returned_distortion", "busy",
    "busy_distortion", "msb_valid", "data_valid", "data_hold",
)  # fmt: skip
#: Reads that may follow each other while a trigger is dealt with: one that has begun and two that
#: wait; and the trigger itself.
_TURNS = 4
#: Windows are asked for ahead of need, for so many turns at first; for twice as many each time, as
#: long as no more windows of a trial come than these.
_AHEAD = 16
_FEW = 64
#: What rounding may take from sums of floats up to the longest trial, in fs.
_SLACK = 1e4


#: The windows of some trials one behind the other, shape (2, windows): starts and ends, fs. Of each
#: trial and direction, where its own begin and end, shape (T, 2, 2).
Given = tuple[Times, Times]


def none_of(trials: int) -> Given:
    """Return what is given where nothing upsets."""
    return np.zeros((2, 0), dtype=np.int64), np.zeros((trials, 2, 2), dtype=np.int64)


def gathered(some: list[Upsets], ways: list[Way], low: list[int], until: list[int]) -> Given:
    """Return the windows of some trials that what is sent and arrives meanwhile may meet.

    Parameters
    ----------
    some : list of Upsets
        Of each trial.
    ways : list of {"forward", "return"}
        The directions that are asked for.
    low, until : list of int, fs
        Of each trial: nothing sent before the first is asked of any more, nothing arrives after
        the other.
    """
    found: tuple[list[int], list[int]] = [], []
    bounds = np.zeros((len(some), 2, 2), dtype=np.int64)
    for row, (upsets_of, since, upto) in enumerate(zip(some, low, until, strict=True)):
        for way in ways:
            starts, ends = upsets_of.since(way, since, upto)
            number = WAYS.index(way)
            bounds[row, number, 0] = len(found[0])
            found[0].extend(starts)
            found[1].extend(ends)
            bounds[row, number, 1] = len(found[0])
    return np.array(found, dtype=np.int64).reshape(2, -1), bounds


class ReadWindows:
    """The windows that the symbols of each stretch may meet.

    Parameters
    ----------
    scenario : Scenario
    draws : Draws
        The rings that hold the draws of a stretch when its windows are asked for.
    columns : list of Source
        Those of their columns that say when what happens.
    """

    def __init__(self, scenario: Scenario, draws: Draws, columns: list[Source]) -> None:
        self._scenario, self._draws = scenario, draws
        self._ways = [way for way in WAYS if may_upset(scenario, way)]
        self._loops = scenario.trigger.pattern == "after_read"
        self._least = earliest(scenario)
        #: What all sources add at the most, and those of the edges of a read; of those without a
        #: bound, where their columns stand, and whether they are such.
        self._bounded = self._read_bounded = 0.0
        self._free: list[tuple[int, int]] = []
        self._of_read: list[bool] = []
        first = 0
        while first < len(columns):
            one, of_read = columns[first], first >= EDGES
            last = first + one.stride
            most = max(reach(one.law)[1], 0.0)
            if math.isinf(most):
                place = int(draws.place[first])
                self._free.append((place, place + one.stride))
                self._of_read.append(of_read)
            else:
                self._bounded += most
                self._read_bounded += most * of_read
            first = last
        self._upsets: list[Upsets] = []

    def open(self, units: Units, trials: range) -> None:
        """Begin some trials, which are among those of ``units``."""
        rows = slice(trials.start - units.trials.start, trials.stop - units.trials.start)
        self._upsets = []
        self._none = none_of(len(trials))
        self._longest, self._anywhere = (
            np.zeros(len(trials), dtype=np.int64),
            np.full(len(trials), FAR),
        )
        if not self._ways:
            return
        self._upsets = [Upsets(self._scenario, trial) for trial in trials]
        self._most = np.zeros((len(trials), len(self._free)))
        fixed = sum(np.abs(units.values[name][rows]).astype(np.float64) for name in _FIXED)
        fixed += np.abs(units.lanes[rows]).max(axis=1)
        fixed += np.abs(units.lane_distortions[rows]).max(axis=1)
        fixed += float(units.host_falling[-1] + units.host_captured.max())
        self._fixed = 1.001 * fixed + _SLACK
        self._measure()
        self._ahead = _AHEAD
        self._horizon = np.full(len(trials), -math.inf)
        #: Up to when no window begins that anything still to be sent may meet.
        self._clear = np.full(len(trials), -math.inf)
        self._given = self._none

    def take(self, due: Times, first: int, count: int, state: Any) -> tuple[Given, Times, Times]:
        """Return the windows of the next stretch, or of what a loop has left of it.

        Parameters
        ----------
        due : ndarray of int64, shape (T or 1, count), fs
            Not asked for of loops.
        first, count : int
            Its conversions, of which the draws are in the rings.
        state : ndarray of HOST_CLOCKED, shape (T,)
            Where the trials stand.

        Returns
        -------
        windows : Given
        longest, stops : ndarray of int64, shape (T,), fs
            How long after its start anything of a read arrives at the most; where the cue of a
            loop may stand at the most for the windows to be enough.
        """
        if not self._ways:
            return self._none, self._longest, self._anywhere
        at, grown = first % self._draws.size, False
        for number, (one, other) in enumerate(self._free):
            drawn = self._draws.ring[:, one:other, at : at + count].max(axis=(1, 2))
            if (drawn > self._most[:, number]).any():
                np.maximum(self._most[:, number], drawn, out=self._most[:, number])
                grown = True
        if grown:
            self._measure()
        last = state["cue"] if self._loops else due[:, -1]
        need = last + self._turns
        given, near = self._none, np.zeros(len(state), dtype=np.bool_)
        if (self._clear < need + _SLACK).any():
            soonest = self._soonest(due, state)
            if (need > self._horizon).any():
                self._look_ahead(soonest, np.minimum(need + self._ahead * self._turns, FAR))
            self._clear = np.minimum(self._next(soonest.tolist()), self._horizon)
            near = self._clear < need + _SLACK
            given = self._given if near.any() else given
        stops = self._anywhere
        if self._loops:
            # Up to the next window none is met; where they end for good nothing happens any more.
            upto = np.where(near, self._horizon, self._clear)
            known = upto < FAR
            stops = np.full(len(state), FAR)
            stops[known] = (upto - self._turns)[known].astype(np.int64)
        return given, self._longest, stops

    def _measure(self) -> None:
        """Work out how long a trigger is dealt with, and a read, at the most."""
        turns = self._fixed + self._bounded + self._most.sum(axis=1)
        of_read = self._most[:, self._of_read].sum(axis=1)
        self._turns = _TURNS * turns
        self._longest = np.minimum(self._fixed + self._read_bounded + of_read, FAR).astype(np.int64)

    def _next(self, first: list[int]) -> Any:
        """Return when the first window starts, of each trial, that ends after an instant; in fs."""
        starts, ends = self._given[0]
        found = np.full(len(first), math.inf)
        if not len(starts):
            return found
        for row, (since, bounds) in enumerate(zip(first, self._given[1].tolist(), strict=True)):
            for begin, end in bounds:
                at = begin + first_open(ends[begin:end], since, end - begin)
                if at < end:
                    found[row] = min(found[row], float(starts[at]))
        return found

    def _soonest(self, due: Times, state: Any) -> Times:
        """Return when the first of all that is still to be sent is, at the soonest, in fs."""
        first: Times = state["cue"]
        if not self._loops:
            first = np.full(1, NEVER) if self._least == NEVER else due[:, 0] + self._least
        # A read to come asks for its first bit, which was sent as busy fell.
        for which, fell in (("newest", "ready"), ("pending", "pending_ready")):
            first = np.minimum(first, np.where(state[which] >= 0, state[fell], FAR))
        return first

    def _look_ahead(self, first: Times, horizon: Any) -> None:
        """Get the windows of all that is still to be sent, up to where each trial may need them."""
        until = horizon.astype(np.int64).tolist()
        self._given = gathered(self._upsets, self._ways, first.tolist(), until)
        self._horizon = horizon
        if self._given[0].shape[1] <= _FEW * len(self._upsets):
            self._ahead *= 2
