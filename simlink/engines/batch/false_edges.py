"""Which trials have an edge that nobody sent, and when its first one comes, in the batch engine.

Such an edge may begin a frame that no trigger asked for, or move the bits of others: such a trial
is left to the event engine. What a trial comes to before its first one is the same without it.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from simlink.base.instants import FAR, NEVER, Times
from simlink.link.false_edge import FalseEdges, channels
from simlink.link.fate import IN_FLIGHT, NOT_RECEIVED
from simlink.link.transient import Upsets
from simlink.scenario.schema import Scenario

#: Instants of a record that may lie behind all that its trial remembers.
_LATE = ("trigger", "release", "read_end", "void_read")


class FirstEdges:
    """The first false edge of each trial, looked for as far as trials have come.

    Whether its channel carries anything then is not asked: the event engine does.

    Parameters
    ----------
    scenario : Scenario
    """

    def __init__(self, scenario: Scenario) -> None:
        self._scenario = scenario
        self._channels = channels(scenario)
        timeout = scenario.host.timeout
        self._timeout = 0 if timeout is None else timeout.constant_value

    def open(self, trials: range) -> None:
        """Begin some trials."""
        self._found = np.full(len(trials), FAR, dtype=np.int64)
        self._known = np.full(len(trials), NEVER, dtype=np.int64)
        self._edges: list[list[FalseEdges]] = []
        if self._channels:
            for trial in trials:
                upsets = Upsets(self._scenario, trial)
                self._edges.append(
                    [FalseEdges(self._scenario, trial, upsets, *one) for one in self._channels]
                )

    def met(self, state: Any, records: Any, came: Times, over: bool) -> list[int]:
        """Return which trials have come to a false edge, by row.

        Parameters
        ----------
        state : ndarray of REMOTE or HOST_CLOCKED, shape (T,)
            Where the trials stand after a stretch.
        records : ndarray of RECORD, shape (T, n)
            Of the conversions of that stretch.
        came : ndarray of int64, shape (T,), fs
            When the last bit has come out of the return lanes, at the latest.
        over : bool
            Whether these are the last ones.
        """
        if not self._channels:
            return []
        upto = self._come(state, records, came, over)
        # One in which nothing more would happen may be set going again at any time.
        still = state["alive"] == 0
        if "gone" in state.dtype.names:
            still |= state["gone"] != 0
        for row in np.nonzero((self._found == FAR) & (self._known < upto) & ~still)[0].tolist():
            known = int(self._known[row])
            self._found[row] = min(one.first(known, int(upto[row])) for one in self._edges[row])
            self._known[row] = upto[row]
        met: list[int] = np.nonzero(still | (self._found <= upto))[0].tolist()
        return met

    def _come(self, state: Any, records: Any, came: Times, over: bool) -> Times:
        """Return up to when edges may change what is settled, or come before all is over, in fs."""
        # All but when the next window opens: that lies ahead of the trial.
        names = [name for name in state.dtype.names or () if name != "opens"]
        every = np.stack([state[name] for name in names], axis=1)
        upto: Times = np.maximum(np.where(every < FAR, every, NEVER).max(axis=1), came)
        for name in _LATE:
            np.maximum(upto, records[name].max(axis=1), out=upto)
        upto += self._timeout
        if over:
            # Edges may be made until the last conversion has its fate, or for as long again.
            last = records[:, -1]
            waits = np.isin(last["fate"], (IN_FLIGHT, NOT_RECEIVED))
            again = 2 * np.minimum(last["trigger"], FAR // 2)
            upto = np.where(waits, np.maximum(upto, again), upto)
        return upto
