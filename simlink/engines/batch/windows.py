"""Which transients the batch engine does, and the windows that its loop compares symbols with.

The loop is given the windows up to about when a stretch ends, and stops where it wants more. Those
that end before anything still to come is sent are let go, so that the windows of a long trial take
no more room than those of a short one.
"""

from __future__ import annotations

import math
import operator
from typing import Any

import numpy as np

from simlink.base.draws import Column, part_of, words_of
from simlink.base.instants import FAR, NEVER, Times, period_of
from simlink.engines.batch.draws import Source, edge_columns
from simlink.engines.batch.streams import LAWS, agrees, draw_ahead, law_of, tables, unbegun
from simlink.engines.event import EventEngine
from simlink.link.false_edge import channels
from simlink.link.repeat import repeats
from simlink.link.strobe import realign_gap
from simlink.link.transient import Upsets, Way, may_upset, upsets
from simlink.link.transport import packets_of
from simlink.scenario.distributions import Simple, reach, suffix
from simlink.scenario.schema import Scenario

#: Draws that are made together.
_TOGETHER = 2**16


def refusal(scenario: Scenario) -> str | None:
    """Return why the transients of a scenario cannot be done exactly, or None if they can."""
    if not upsets(scenario):
        return None
    kept = EventEngine().refuses(scenario) if channels(scenario) else None
    if kept is not None or scenario.link.scheme != "remote_master":
        return kept
    back = scenario.barrier.return_
    beside = back.style == "packets" or back.has_strobe or repeats(scenario)
    if (beside and may_upset(scenario, "return")) or scenario.fifo.credit_refresh:
        # Some trials may be left to that engine.
        return EventEngine().refuses(scenario)
    return None


def leaves(scenario: Scenario) -> bool:
    """Tell whether trials with a transient that may hit a frame are left to the event engine.

    Where no gap ends a frame, a strobe that is lost moves all bits after it for good; where frames
    are asked for once more, others wait for them.
    """
    slips = scenario.barrier.return_.has_strobe and realign_gap(scenario) is None
    return may_upset(scenario, "return") and (slips or repeats(scenario))


def hits_trigger(scenario: Scenario) -> bool:
    """Tell whether a trigger may be hit: a remote timer's crosses no barrier."""
    return scenario.trigger.source == "host" and may_upset(scenario, "forward")


def hits_credit(scenario: Scenario) -> bool:
    """Tell whether a credit may be hit: only a master that stalls gets any."""
    return scenario.fifo.when_full == "stall" and may_upset(scenario, "forward")


def earliest(scenario: Scenario) -> int:
    """Return what a trigger leaves after it is due at the least, in fs; NEVER without a bound."""
    least = reach(scenario.trigger.jitter)[0]
    return NEVER if math.isinf(least) else math.floor(least)


#: The windows of some trials one behind the other, shape (2, windows): starts and ends, fs; the
#: last of each stands for all that is not known yet. Of each trial, where those of its triggers,
#: its bits and its credits begin and end, shape (T, 3, 2).
Given = tuple[Times, Times]


def nothing(trials: int) -> Given:
    """Return what is given where nothing upsets."""
    return np.full((2, 1), FAR, dtype=np.int64), np.tile(np.array([0, 1]), (trials, 3, 1))


class Windows:
    """The windows that symbols may meet, as far as each trial has come.

    Parameters
    ----------
    scenario : Scenario
        One that `refusal` lets through.
    """

    def __init__(self, scenario: Scenario) -> None:
        self._scenario = scenario
        #: Of triggers, bits and credits: the direction, if that may be upset.
        self._ways: list[Way | None] = [
            "forward" if hits_trigger(scenario) else None,
            "return" if may_upset(scenario, "return") else None,
            "forward" if hits_credit(scenario) else None,
        ]
        self._least = earliest(scenario)
        self._loops = scenario.trigger.pattern == "after_read"
        #: How far behind the last trigger windows have been wanted, or behind what the first one of
        #: a loop waits for.
        self._lag = _usual(scenario)

    def open(self, trials: range) -> None:
        """Begin some trials."""
        self._upsets: list[Upsets | None] = []
        if any(self._ways):
            self._upsets = [Upsets(self._scenario, trial) for trial in trials]
        self._none = nothing(len(trials))
        #: What was given last, and up to when the windows of each trial are in it.
        self._made = self._none
        self._until = [NEVER] * len(trials)

    def take(self, due: Times, state: Any) -> Given:
        """Return the windows that the next stretch meets, or those that it begins with.

        Parameters
        ----------
        due : ndarray of int64, shape (T or 1, count), fs
        state
            Where the trials stand, as `remote_master.walk` takes it.
        """
        if not self._upsets:
            return self._none
        if self._loops:
            last = early = state["cue"].tolist()
        else:
            same = len(self._upsets) if len(due) == 1 else 1
            early = (due[:, 0] + max(self._least, -FAR)).tolist() * same
            last = due[:, -1].tolist() * same
        if self._ways[2]:
            early = np.minimum(early, state["credited"]).tolist()
        self._low, self._due = early, last
        self._known = [one + self._lag for one in self._due]
        if any(map(operator.lt, self._until, self._known)):
            self._made = self._given()
        return self._made

    def more(self, row: int, wants: int) -> Given:
        """Return them with those of one trial up to an instant, and as many again."""
        self._known[row] = wants + (wants - self._due[row]) // 2
        self._lag = max(self._lag, self._known[row] - self._due[row])
        self._made = self._given()
        return self._made

    def drop(self, row: int) -> None:
        """Give no more windows of a trial."""
        self._upsets[row], self._until[row] = None, FAR

    def _given(self) -> Given:
        starts, ends, bounds = [FAR], [FAR], self._none[1].copy()
        for row, (of_trial, wanted) in enumerate(zip(self._upsets, self._known, strict=True)):
            if of_trial is None:
                continue
            known = max(wanted, of_trial.known(wanted))
            self._until[row] = known
            for which, way in enumerate(self._ways):
                if way is not None:
                    begin = len(starts)
                    some = of_trial.since(way, self._low[row], known)
                    starts += some[0]
                    ends += some[1]
                    starts.append(known)
                    ends.append(FAR)
                    bounds[row, which] = begin, len(starts)
        return np.array([starts, ends]), bounds


def _usual(scenario: Scenario) -> int:
    """Return about how long after its trigger the last bit of a conversion comes, in fs."""
    laws = (
        scenario.converter.conversion_time,
        scenario.remote_clock.start_delay,
        scenario.barrier.direction("forward").delay,
        scenario.barrier.direction("return").delay,
    )
    clocks = scenario.bits_per_lane * period_of(scenario.remote_clock.frequency.value)
    return math.ceil(min(2 * (sum(law.mean for law in laws) + float(clocks)), 1e15))


def _bit_columns(scenario: Scenario) -> list[Source]:
    """Return the columns of the jitter of what takes bits back one by one."""
    back, bits = scenario.barrier.return_, scenario.bits_per_lane
    jitter, found = scenario.barrier.direction("return").jitter, []
    if packets_of(scenario) is not None:
        return []
    for lane in range(scenario.frame.lanes):
        found += edge_columns(jitter, f"barrier.return.jitter lane {lane}", bits)
    if back.has_strobe:
        found += edge_columns(jitter, "barrier.return.jitter strobe", 2 * bits)
    return found


class Late:
    """Draws that are made where an upset window makes them matter, each stream in order.

    Parameters
    ----------
    scenario : Scenario
    """

    def __init__(self, scenario: Scenario) -> None:
        self._scenario = scenario
        self._sources = _bit_columns(scenario) if may_upset(scenario, "return") else []
        #: What they are drawn by, compiled; None if they are not.
        self._laws: Any = None
        laws = [
            law_of(one.law, one.stride) if isinstance(one.law, Simple) else None
            for one in self._sources
        ]
        if laws and None not in laws and agrees():
            self._laws = np.array(laws, dtype=LAWS)
        self.asked = np.zeros((1 + len(self._sources), 2), dtype=np.int64)
        #: Draws that were asked for, and those that were made on the way to them.
        self.wanted = self.made = 0

    def open(self, trials: range) -> None:
        """Begin some trials."""
        self._trials = trials
        #: As `hits.late_draw` takes it, of each trial.
        self.drawn = np.full((len(trials), len(self._sources), 2), -1, dtype=np.int64)
        #: The generator of each column that is drawn compiled, or what else draws it.
        self._states: dict[tuple[int, int], Any] = {}
        self._columns: dict[tuple[int, int], Column] = {}

    def draw(self, row: int) -> None:
        """Draw what a trial has asked for."""
        asked = int(self.asked[0, 0])
        for column, index in self.asked[1 : 1 + asked].tolist():
            count = index - int(self.drawn[row, column, 1])
            self.wanted += 1
            self.drawn[row, column] = self._drawn(row, column, index, count), index
        self.asked[0, 0] = 0

    def _drawn(self, row: int, column: int, index: int, count: int) -> int:
        """Return the draw of a column for an index, which is the last of the next ones."""
        key, one = (row, column), self._sources[column]
        seed, trial = self._scenario.seed, self._trials[row]
        if self._laws is not None:
            if key not in self._states:
                name = part_of(one.source, suffix(one.stride, one.offset))
                self._states[key] = unbegun(words_of(seed, trial, name))
            laws = self._laws[column : column + 1]
            self.made += min(count, index % int(laws["page"][0]) + 1)
            return int(draw_ahead(laws, self._states[key], index, tables()))
        if key not in self._columns:
            self._columns[key] = Column(one.law, seed, trial, one.source, one.stride, one.offset)
        self.made += count
        while count > _TOGETHER:
            self._columns[key].take(_TOGETHER)
            count -= _TOGETHER
        return int(self._columns[key].take(count)[-1])
