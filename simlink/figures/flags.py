"""Which conversions the fault line flags: those between trigger and read's end of which it is high.

A conversion that is never read is watched until the host has read a later one, for then it knows
that this one is missing; until the last thing that happens, where it reads none. All of it follows
from the events and from what the engines hand over.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from simlink.base.instants import FAR, NEVER
from simlink.link.fate import NOT_SENT
from simlink.link.fault_line import Highs, is_flagged
from simlink.link.repeat import was_in_vain

if TYPE_CHECKING:
    from simlink.records import FrameBlock
    from simlink.scenario.schema import Scenario

_INSTANTS = ("due", "trigger", "ready", "release", "read_end", "void_read")


class Flags:
    """Flags the conversions of one trial, stretch by stretch; memory does not grow with its length.

    Parameters
    ----------
    scenario : Scenario
        With a fault line.
    trial : int
        Which unit.
    """

    def __init__(self, scenario: Scenario, trial: int) -> None:
        self._highs, self._scenario = Highs(scenario, trial), scenario
        self._last = NEVER
        #: How much earlier than due a trigger may leave.
        self._early = scenario.trigger.jitter.support[0]

    def of(self, records: Any, extras: Any, over: bool) -> tuple[npt.NDArray[np.bool_], int]:
        """Tell which conversions are flagged.

        Parameters
        ----------
        records : ndarray of RECORD, shape (n,)
            In order; those that were not known the last time come again.
        extras : ndarray of UNREQUESTED
            The frames of the trial that no trigger asked for, read among them.
        over : bool
            Whether no more are to come.

        Returns
        -------
        flagged : ndarray of bool, shape (n,)
        known : int
            Of how many that is known.
        """
        ends = np.maximum(records["read_end"], records["void_read"])
        read = np.flatnonzero(ends != NEVER)
        self._last = max([self._last, *(int(records[name].max()) for name in _INSTANTS)])
        reads = np.concatenate([*_reads(self._scenario, records), extras["read_end"]])
        reads = np.sort(reads[reads != NEVER])
        known = len(records) if over else int(read[-1]) + 1 if len(read) else 0
        upto = int(reads[-1]) if len(reads) else NEVER
        self._highs.take(reads.tolist(), max(upto, self._last) if over else upto)
        until = watched_until(ends, self._last)
        flagged = np.zeros(len(records), dtype=np.bool_)
        if stretches := self._highs.stretches:
            # The last one that begins before what is watched ends; any before it ends before it.
            begins, ends_of = np.array(stretches).T
            place = np.searchsorted(begins, until, side="left")
            at = np.maximum(place - 1, 0)
            rises, ended = begins[at], ends_of[at]
            flagged = is_flagged(records["trigger"], until, rises, ended)
            flagged &= (place > 0) & (records["fate"] != NOT_SENT)
        if not over and known and math.isfinite(self._early):
            sent = records["trigger"][records["fate"] != NOT_SENT]
            later = int(records["due"][known - 1]) + math.floor(self._early)
            self._highs.forget(min(int(sent.min()), later))
        return flagged, known


def watched_until(ends: npt.NDArray[np.int64], last: int) -> npt.NDArray[np.int64]:
    """Return until when each conversion is watched, in fs.

    Parameters
    ----------
    ends : ndarray of int64, shape (n,), fs
        When the host has read each, `NEVER` if it has not.
    last : int, fs
        The last thing that happens.
    """
    found = np.where(ends == NEVER, FAR, ends)
    found = np.minimum.accumulate(found[::-1])[::-1]
    return np.where(found == FAR, last, found)


def _reads(scenario: Scenario, records: Any) -> list[Any]:
    """Return when reads of conversions end, in fs, `NEVER` where none does.

    A frame is asked for once more as its first read ends; where it never comes there is no second.
    """
    ends, wait = records["read_end"], scenario.check.repeat_timeout
    if wait is None:
        return [ends, records["void_read"]]
    asked = records["request"]
    in_vain = (asked != NEVER) & was_in_vain(asked, ends, wait.constant_value)
    return [np.where(in_vain, NEVER, ends), records["void_read"], asked]


def read_ends_of(scenario: Scenario, block: FrameBlock, row: int = 0) -> list[int]:
    """Return when the host's reads end in one trial of a block, in order, in fs."""
    found = np.concatenate(_reads(scenario, block.records[row])).tolist()
    if block.unrequested is not None:
        mine = block.unrequested["trial"] == block.trials[row]
        found += block.unrequested["read_end"][mine].tolist()
    return sorted(one for one in found if one != NEVER)
