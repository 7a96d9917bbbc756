"""Associates block by block what was read with what was sent, as `association` has it."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.base.instants import NEVER, Times
from simlink.figures.association import (
    LAW,
    NO_CONVERSION,
    REALIGN,
    STATE,
    associate,
    oldest_asked_for,
)
from simlink.figures.flags import Flags
from simlink.link.fault_line import has_line
from simlink.records import OUTCOME, UNREQUESTED, Cause, FrameBlock

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario

_NO_EXTRAS = np.zeros(0, dtype=UNREQUESTED)
#: Records that are at first looked at beside those that wait for others.
FEW = 64


class Association:
    """Associates the records of a run, block by block; memory does not grow with its length.

    Parameters
    ----------
    scenario : Scenario
        What is run.
    keeps : bool
        Whether what is found out of each conversion is kept.

    Attributes
    ----------
    outcomes : dict of range to ndarray of OUTCOME, shape (T, conversions)
        Of the trials of each block, if it is kept.
    beliefs : dict of range to ndarray of int64, shape (frames,)
        The conversion that the host takes each frame for that no trigger asked for, -1 for none,
        likewise; of a block that holds whole trials.
    """

    def __init__(self, scenario: Scenario, keeps: bool) -> None:
        host = scenario.host
        law = np.zeros(1, dtype=LAW)
        law["realign"] = REALIGN[host.realign]
        law["modulus"] = 1 << scenario.check.sequence_bits
        law["timeout"] = NEVER if host.timeout is None else host.timeout.constant_value
        law["counts_releases"] = scenario.trigger.source == "remote"
        law["checks"] = scenario.check.tells
        law["stalls"] = scenario.fifo.when_full == "stall"
        law["fifo"] = scenario.link.scheme == "remote_master"
        law["fault_line"] = has_line(scenario)
        self._law, self._scenario = law, scenario
        self._total = scenario.conversions
        self._keeps = keeps
        self._open: dict[range, Trials] = {}
        self.outcomes: dict[range, Any] = {}
        self.beliefs: dict[range, Times] = {}

    @property
    def done(self) -> bool:
        """Whether every trial that was begun is over."""
        return not self._open

    def begun(self, trials: range) -> Trials:
        """Return where trials stand that begin, for somebody else to call `associate`."""
        return Trials(self._scenario, trials, 0)

    def given(self, trials: Trials) -> tuple[Any, ...]:
        """Return what `associate` is given behind the sums; what is known is to be filled in."""
        count = len(trials.states)
        none, known = np.zeros((count, 0), dtype=np.bool_), np.zeros(count, dtype=np.int64)
        return self._law, *trials.given(none, known)

    def add(self, block: FrameBlock, sums: Any, short: bool) -> None:
        """Take in a block, each trial's in order.

        Parameters
        ----------
        block : FrameBlock
            Records of some trials.
        sums : ndarray with fields `COUNTS`, shape (T,)
            Added to.
        short : bool
            Whether it is not worth compiling.
        """
        one = self._open.get(block.trials)
        if one is None:
            one = Trials(self._scenario, block.trials, self._total if self._keeps else 0)
            self._open[block.trials] = one
            if self._keeps:
                self.outcomes[block.trials] = one.outcomes
        records, first = block.records, block.first
        over = block.first + block.count == self._total
        if block.unrequested is not None and len(block.unrequested):
            one.take_extras(block.unrequested, block.trials)
        if self._keeps:
            self.beliefs[block.trials] = one.beliefs
        held = one.undecided
        quick = not one.lines and not len(one.extras)
        if quick and held is not None and 4 * (held.shape[1] + FEW) <= block.count:
            # A few more records decide most of these: not all need to be copied for them.
            some = np.concatenate([held, records[:, :FEW]], axis=1)
            self._associate(one, some, first - held.shape[1], False, sums, short)
            if self._oldest(one) >= first:
                held = None
        if held is not None:
            records = np.concatenate([held, records], axis=1)
            first -= held.shape[1]
        self._associate(one, records, first, over, sums, short)
        if over:
            del self._open[block.trials]
            return
        low = max(self._oldest(one) - first, 0)
        one.undecided = None if low == records.shape[1] else records[:, low:].copy()

    def _oldest(self, one: Trials) -> int:
        """Return from which conversion on records may still be asked for."""
        timeout = self._law["timeout"][0]
        return int(oldest_asked_for(timeout, one.reached, one.states["next"]).min())

    def _associate(
        self, one: Trials, records: Any, first: int, over: bool, sums: Any, short: bool
    ) -> None:
        flags, known = one.flagged(records, one.extras, over)
        (associate.uncompiled if short else associate)(
            records.tolist() if short else records,
            0,
            first,
            over,
            sums,
            self._law,
            *one.given(flags, known),
        )


class Trials:
    """Where the trials of one block stand."""

    def __init__(self, scenario: Scenario, trials: range, kept: int) -> None:
        count = len(trials)
        self.lines = [Flags(scenario, trial) for trial in trials] if has_line(scenario) else []
        self.states = np.zeros(count, dtype=STATE)
        self.states["last"] = -1
        self.reached = np.zeros(count, dtype=np.int64)
        self.outcomes = np.zeros((count, kept), dtype=OUTCOME)
        # What is never sent stays so.
        self.outcomes["believed"], self.outcomes["cause"] = NO_CONVERSION, Cause.NONE
        self.undecided: Any = None
        #: Frames that no trigger asked for, and what the host takes each for.
        self.extras = _NO_EXTRAS
        self.beliefs = np.zeros(0, dtype=np.int64)

    def take_extras(self, extras: Any, trials: range) -> None:
        """Take in frames that no trigger asked for, each behind those of its trial."""
        more = extras.copy()
        more["trial"] -= trials.start
        # Places among them move on by what comes in for trials ahead.
        self.states["extra"] += np.searchsorted(more["trial"], np.arange(len(self.states)))
        every = np.concatenate([self.extras, more])
        order = np.argsort(every["trial"], kind="stable")
        none = np.full(len(more), NO_CONVERSION, dtype=np.int64)
        self.extras = every[order]
        self.beliefs = np.concatenate([self.beliefs, none])[order]

    def given(self, flags: Any, known: Any) -> tuple[Any, ...]:
        """Return what `associate` is given behind its laws."""
        return (
            self.states, self.reached, self.outcomes, self.extras, flags, known, self.beliefs
        )  # fmt: skip

    def flagged(self, records: Any, extras: Any, over: bool) -> tuple[Any, Any]:
        """Return which of some conversions are flagged, and of how many that is known.

        The trials of ``extras`` count from the first.
        """
        known = np.full(len(records), records.shape[1], dtype=np.int64)
        flags = np.zeros((len(records), records.shape[1] if self.lines else 0), dtype=np.bool_)
        for row, line in enumerate(self.lines):
            mine = extras[extras["trial"] == row]
            flags[row], known[row] = line.of(records[row], mine, over)
        return flags, known
