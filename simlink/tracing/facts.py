"""What is known of one conversion: its own signals, and the records of its unit around it."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.base.instants import NEVER
from simlink.engines.choice import choose
from simlink.figures.host_view import host_view
from simlink.link.unit import Units, build
from simlink.records import RECORD, UNREQUESTED, Fate, FrameBlock
from simlink.tracing.trace import Change, Trace, trace

if TYPE_CHECKING:
    from simlink.scenario.loading import Scenario

_ROW = np.dtype([*((name, RECORD[name]) for name in RECORD.names or ()), ("arrival", np.int64)])
#: Conversions beyond the one that is looked at, so that all it waits for happens.
_BEYOND = 2000


@dataclass(frozen=True)
class Service:
    """One service of the host, and the frames that it read."""

    #: When it began, when the first read started, and when the last one ended.
    begun: int
    start: int
    end: int
    #: Its conversions, in the order of their reads.
    frames: tuple[int, ...]

    @property
    def latency(self) -> int:
        """From its begin to the start of its first read, in fs."""
        return self.start - self.begun


def rows_of(scenario: Scenario, trial: int, conversion: int) -> tuple[Any, Any]:
    """Return the records of one board up to a conversion and some beyond.

    Returns
    -------
    rows : ndarray
        One record a conversion, and ``arrival``: when its first bit was pushed, NEVER if none was.
    extras : ndarray of UNREQUESTED
        The frames that no trigger asked for.
    """
    beyond = conversion + 1 + _BEYOND + 4 * scenario.fifo.depth
    shorter = scenario.with_(conversions=min(scenario.conversions, beyond))
    engine, _ = choose("auto", shorter.with_(trials=1))
    rows, extras = [], [np.zeros(0, dtype=UNREQUESTED)]
    never = np.iinfo(np.int64).max
    for block in engine.run(shorter, range(trial, trial + 1), words=True):
        assert block.first_bit is not None
        found = np.empty(block.count, dtype=_ROW)
        for name in RECORD.names or ():
            found[name] = block.records[0][name]
        first = block.first_bit[0].reshape(block.count, -1)
        known = np.where(first == NEVER, never, first).min(axis=1)
        found["arrival"] = np.where(known == never, NEVER, known)
        rows.append(found)
        if block.unrequested is not None:
            extras.append(block.unrequested)
    return np.concatenate(rows), np.concatenate(extras)


class Facts:
    """One conversion of a scenario's run, and what was around it; ``rows`` are from `rows_of`."""

    def __init__(self, scenario: Scenario, trial: int, conversion: int) -> None:
        self.scenario, self.trial, self.conversion = scenario, trial, conversion
        self.rows, self.extras = rows_of(scenario, trial, conversion)
        self.row = self.rows[conversion]
        self.fate = Fate(int(self.row["fate"]))
        self.remote = scenario.link.scheme == "remote_master"

    @cached_property
    def before(self) -> int | None:
        """The last conversion before it that the converter took, None if there is none."""
        taken = np.flatnonzero(self.rows["aperture"][: self.conversion] != NEVER)
        return int(taken[-1]) if taken.size else None

    @cached_property
    def trace(self) -> Trace:
        """Every signal from the last conversion taken before it on, until it has met its fate."""
        first = self.conversion if self.before is None else self.before
        # One more, so that what was on its way is seen to its end.
        stop = min(self.conversion + 2, self.scenario.conversions)
        return trace(self.scenario, range(first, stop), self.trial)

    @cached_property
    def unit(self) -> Units:
        """What was drawn when the unit was built."""
        return build(self.scenario, range(self.trial, self.trial + 1))

    def changes(self, family: str, conversion: int | None = None) -> list[Change]:
        """Return the changes of a signal, of all its lanes, that belong to a conversion."""
        index = self.conversion if conversion is None else conversion
        return [
            one for one in self.trace.changes if one.family == family and one.conversion == index
        ]

    def when(self, signal: str, conversion: int | None = None) -> int | None:
        """Return when a signal first changed for a conversion, in fs."""
        found = self.changes(signal, conversion)
        return found[0].time if found else None

    @cached_property
    def services(self) -> list[Service]:
        """Every service of the host, in order."""
        rows = self.rows
        read = np.flatnonzero(rows["read_start"] != NEVER)
        read = read[np.argsort(rows["read_start"][read], kind="stable")]
        begins = np.flatnonzero(rows["service"][read] != NEVER)
        found = []
        for group in np.split(read, begins)[1:]:
            first, end = rows[group[0]], rows["read_end"][group].max()
            begun, start = int(first["service"]), int(first["read_start"])
            found.append(Service(begun, start, int(end), tuple(group.tolist())))
        return found

    @cached_property
    def block(self) -> FrameBlock:
        """The records as a block of a trial that ends with them."""
        here = range(self.trial, self.trial + 1)
        return FrameBlock(here, 0, self.rows[np.newaxis], unrequested=self.extras)

    @cached_property
    def view(self) -> Any:
        """What the host makes of each conversion: an ndarray of OUTCOME, shape (n,)."""
        ends_there = self.scenario.model_copy(update={"conversions": len(self.rows)})
        return host_view(ends_there, self.block)[0]

    def busy_until(self, instant: int) -> list[Service]:
        """Return the services that led up to an instant without a pause, oldest first.

        Empty if the host was idle then.
        """
        begun = [one for one in self.services if one.begun <= instant]
        if not begun or begun[-1].end <= instant:
            return []
        first = len(begun) - 1
        while first and begun[first - 1].end == begun[first].begun:
            first -= 1
        return begun[first:]

    def waiting(self, instant: int) -> list[int]:
        """Return the conversions that were released, and in no service yet, at an instant."""
        rows = self.rows
        named = {index for one in self.services if one.begun <= instant for index in one.frames}
        released = (rows["release"] != NEVER) & (rows["release"] <= instant)
        lost = rows["fate"] == Fate.OVERRUN
        return [i for i in np.flatnonzero(released & ~lost).tolist() if i not in named]

    def held(self, instant: int) -> list[int]:
        """Return the conversions whose frames held a slot at an instant, but for discarded ones."""
        rows = self.rows
        came = (rows["arrival"] != NEVER) & (rows["arrival"] <= instant)
        gone = (rows["read_end"] != NEVER) & (rows["read_end"] <= instant)
        return [int(i) for i in np.flatnonzero(came & ~gone & (rows["fate"] != Fate.OVERRUN))]

    def next_freed(self, instant: int) -> int | None:
        """Return when the first slot was freed after an instant, in fs; None if none was."""
        ends = self.rows["read_end"][self.rows["read_end"] > instant]
        return int(ends.min()) if ends.size else None
