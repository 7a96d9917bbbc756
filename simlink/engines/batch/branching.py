"""Many trials side by side whose states are copied, to go on from where another one stood.

All branches go through the same conversions, a few at a time. What is drawn for a branch behind
the place where it began comes from streams of its own. So do latencies that nothing has shown
yet: those of frames that wait there, and what is left of one that has not passed. No more of a
state than what has shown decides which branches go on.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import fields, replace
from typing import Any

import numpy as np

from simlink.base.errors import UnsuitedError
from simlink.base.instants import NEVER, Times, multiples, period_of, round_ratio
from simlink.engines.batch.branch_draws import Stage, rows_of
from simlink.engines.batch.draws import SERVICE_LATENCY
from simlink.engines.batch.engine import Walk
from simlink.engines.batch.state import NOTE, REMOTE, refresh
from simlink.engines.batch.windows import nothing
from simlink.link.fate import MISSED_TRIGGER, NOT_RECEIVED
from simlink.link.repeat import repeats
from simlink.link.transient import UPSETTING, upsets
from simlink.link.trigger import actual_frequency
from simlink.link.unit import Units, build
from simlink.records import RECORD
from simlink.scenario.composite import TwoState
from simlink.scenario.distributions import Distribution, exponential_time
from simlink.scenario.needs import need_fifo
from simlink.scenario.schema import Scenario

_PAD = 8
#: The most conversions that are taken at once, and due times that are worked out together.
_AHEAD = 16
_TOGETHER = 256
#: The fields of `Units` that are the same for all.
_COMMON = ("trials", "host_rising", "host_falling", "host_captured")

#: What a branch is: arrays of one row each, by name.
State = dict[str, Any]
Left = Callable[[Distribution, Times, Any], Times | None]


class RingError(Exception):
    """Raised where a frame waits for more conversions than the rings hold."""


class NoBranchesError(UnsuitedError):
    """Raised where trials of a scenario cannot be branched; names the key."""


def refuse(scenario: Scenario) -> None:
    """Refuse what cannot be branched.

    Raises
    ------
    InputError
        Where there is no FIFO.
    NoBranchesError
        Where what happens depends on draws to come.
    """
    host = scenario.host
    need_fifo(scenario)
    if upsets(scenario):
        said = "none that can upset a channel, for a run to be branched"
        raise NoBranchesError(scenario.name, "transient", None, said, UPSETTING)
    if repeats(scenario):
        said = "flag or drop, for a run to be branched"
        raise NoBranchesError(scenario.name, "check.on_failure", "repeat", said)
    waits = scenario.trigger.pattern == "after_read"
    if host.interrupt == "edge" and scenario.trigger.source == "host" and not waits:
        said = 'level, or trigger.source "remote", for a run to be branched'
        raise NoBranchesError(scenario.name, "host.interrupt", "edge", said)
    gap = scenario.trigger.gap
    if not waits and gap is not None and rows_of(gap, "trigger.gap").words:
        said = "gaps that do not hang together, for a run to be branched"
        raise NoBranchesError(scenario.name, "trigger.gap", getattr(gap, "shape", ""), said)


def _numbers(rows: Any) -> Any:
    """Return rows of any kind as whole numbers, which are copied far quicker than records."""
    return rows.reshape(len(rows), -1).view(np.int64)


def _chosen(rows: Any, which: Any) -> Any:
    """Return copies of some rows."""
    found = _numbers(rows)[which]
    return found.view(rows.dtype).reshape(len(found), *rows.shape[1:])


class Branches(Walk):
    """Branches of trials, one a row.

    Parameters
    ----------
    scenario : Scenario
        One that `refuse` lets through.
    units : range
        The units that the first of them are trials of, one a row.
    ring : int
        Conversions that are kept, a power of two.
    left : callable
        Given a law of independent draws, what has passed of some and uniform numbers, returns
        the draws, fs; None where the law has no such.
    """

    def __init__(self, scenario: Scenario, units: range, ring: int, left: Left) -> None:
        self.all_units = build(scenario, units)
        super().__init__(scenario, self.all_units, False)
        self.law["certain"], self.settles = 0, False
        if not self.loops:
            self.law["timeout"] = NEVER
        self.count, self.size, self._left = len(units), ring, left
        self._all_symbols, self._all_wrong, self._all_offsets = (
            self.symbols,
            self.wrong,
            self.offsets,
        )
        self._place, self._constant = self.draws.place, self.draws.constant
        self._rows = [
            rows_of(one.law, one.source, one.stride, one.offset) for one in self.draws.varying
        ]
        self._latency = int(self.draws.place[SERVICE_LATENCY])
        self._due = _Due(scenario, self.all_units)
        rate = scenario.trigger.rate
        self._period = math.inf if rate is None else float(period_of(rate.value))
        self.misses = scenario.fifo.when_full == "stall"
        self.rows: Any = slice(0, self.count)
        self._nothing = nothing(self.count)

    def begin(self, stage: Stage) -> None:
        """Set every row to the start of a trial of its own unit."""
        count, lanes = self.count, int(self.law["lanes"][0])
        depth = self.scenario.fifo.depth
        places = 1 << depth.bit_length()
        state = np.zeros(count, dtype=REMOTE)
        refresh(state)
        self.now: State = {
            "unit": np.arange(count),
            "state": state,
            "waiting": np.zeros((count, places), dtype=np.int64),
            "ends": np.zeros((count, places), dtype=np.int64),
            "ahead": np.full((count, lanes), NEVER, dtype=np.int64),
            "line_free": np.full((count, lanes), NEVER, dtype=np.int64),
            "records": np.zeros((count, self.size), dtype=RECORD),
            "notes": np.zeros((count, self.size), dtype=NOTE),
            "ring": np.zeros((count, len(self._rows), self.size + _PAD), dtype=np.int64),
            "due": np.zeros((count, 1), dtype=np.int64),
        }
        for at, one in enumerate(self._rows):
            memory = np.zeros((count, one.words), dtype=np.int64)
            one.begin(stage, memory)
            self.now[f"memory {at}"] = memory
        if self._latency >= 0 and self._rows[self._latency].words:
            words = self._rows[self._latency].words
            self.now["before"] = np.zeros((count, self.size, words), dtype=np.int64)
        self._settle()

    def take(self, which: Any) -> State:
        """Return copies of some rows."""
        return {name: rows[which].copy() for name, rows in self.now.items()}

    def room(self, count: int) -> State:
        """Return room for copies of so many rows."""
        return {
            name: np.empty((count, *rows.shape[1:]), dtype=rows.dtype)
            for name, rows in self.now.items()
        }

    def put(self, which: Any, room: State, places: Any) -> None:
        """Copy some rows to places in such room."""
        for name, rows in self.now.items():
            _numbers(room[name])[places] = _numbers(rows)[which]

    def branch(self, states: State, which: Any, at: Times, stage: Stage) -> None:
        """Go on from some states, chosen for each row, that stand before conversions ``at``."""
        self.now = {name: _chosen(rows, which) for name, rows in states.items()}
        self.count = len(which)
        self._settle()
        for number, one in enumerate(self._rows):
            if number != self._latency:
                one.forget(stage, self.now[f"memory {number}"])
        if self._latency >= 0:
            if not self.loops:
                # In a loop the next trigger has been told when the read will end.
                self._outlast(stage)
            self._redraw(at, stage)

    def _outlast(self, stage: Stage) -> None:
        """Draw again what is left of latencies under way, given what has passed of them."""
        state, law = self.now["state"], self.draws.varying[self._latency].law
        group = int(self.law["watermark"][0])
        started = state["free_at"] - group * int(self.law["read_time"][0])
        under_way = (state["begun"] != NEVER) & (started > state["now"])
        passed = np.where(under_way, state["now"] - state["begun"], 0)
        uniform = stage.of("host.service_latency/left").random(self.count)
        if not isinstance(law, TwoState):
            self._move(under_way, started, self._left(law, passed, uniform))
            return
        # The state that it was drawn in is kept.
        services = self.now["records"]["service"] == state["begun"][:, np.newaxis]
        known = under_way & services.any(axis=1)
        at = services.argmax(axis=1)
        stalled = self.now["before"][np.arange(self.count), at, 0]
        for which, part in enumerate(law.laws):
            self._move(known & (stalled == which), started, self._left(part, passed, uniform))

    def _move(self, rows: Any, started: Times, latencies: Times | None) -> None:
        """Let the latency under way of some rows be another one."""
        if latencies is None:
            return
        state, ends = self.now["state"], self.now["ends"]
        rows = np.flatnonzero(rows)
        later = (state["begun"] + latencies - started)[rows]
        state["free_at"][rows] += later
        for back in range(int(self.law["watermark"][0])):
            ends[rows, (state["named"][rows] - 1 - back) & (ends.shape[1] - 1)] += later

    def _redraw(self, at: Times, stage: Stage) -> None:
        """Draw again the latencies from the first frame that waits on."""
        one, memory = self._rows[self._latency], self.now[f"memory {self._latency}"]
        state, rows = self.now["state"], np.arange(self.count)
        places = state["head"] & (self.now["waiting"].shape[1] - 1)
        waits = state["tail"] > state["head"]
        oldest = np.where(waits, self.now["waiting"][rows, places], at)
        if "before" in self.now:
            found = self.now["before"][rows, oldest & (self.size - 1)]
            memory[waits] = found[waits]
        one.forget(stage, memory)
        many = at - oldest
        for number in range(int(many.max(initial=0))):
            goes = rows[number < many]
            place, some = (oldest[goes] + number) & (self.size - 1), memory[goes]
            if "before" in self.now:
                self.now["before"][goes, place] = some
            self.now["ring"][goes, self._latency, place] = one.take(stage, some, 1)[:, 0]
            memory[goes] = some

    def _settle(self) -> None:
        """Put the fixed values of each row's own unit where the loops look for them."""
        unit = self.now["unit"]
        given: dict[str, Any] = {
            one.name: getattr(self.all_units, one.name)[unit]
            for one in fields(Units)
            if one.name not in _COMMON
        }
        self.units = replace(self.all_units, trials=range(self.count), **given)
        self.symbols = replace(self._all_symbols, strobes=self._all_symbols.strobes[unit])
        self.wrong, self.offsets = self._all_wrong[unit], self._all_offsets[unit]
        # Of no matter where no window may come.
        self.spans = np.zeros(self.count, dtype=np.int64)

    def step(self, first: int, rows: slice, stage: Stage, count: int = 1) -> None:
        """Take some rows through the next conversions, from ``first`` on.

        ``count``, a power of two that divides ``first``, is how many.
        """
        now, at = self.now, first & (self.size - 1)
        for number, one in enumerate(self._rows):
            memory, ring = now[f"memory {number}"][rows], now["ring"][rows, number]
            if number == self._latency and "before" in now:
                for more in range(at, at + count):
                    now["before"][rows, more] = memory
                    ring[:, more] = one.take(stage, memory, 1)[:, 0]
            else:
                ring[:, at : at + count] = one.take(stage, memory, count)
        due = self._due.take(first, count, now["due"][rows], now["unit"][rows], stage)
        self.rows = rows
        for name in ("state", "waiting", "ends", "ahead", "line_free", "records", "notes"):
            setattr(self, name, now[name][rows])
        self.draws.ring = now["ring"][rows]
        many = len(self.state)
        self.bits = [np.zeros((many, 1, 1, 1), dtype=np.int64)] * 2
        if many > len(self._nothing[1]):
            self._nothing = nothing(many)
        self.upset = self._nothing[0], self._nothing[1][:many]
        self.late.open(range(many))
        self._step(first, count, False, due, np.zeros((1, 0), dtype=np.int64))
        if first + count + _AHEAD - int(self.state["low"].min()) > self.size:
            raise RingError

    def lost(self, conversion: int, rows: slice) -> Any:
        """Tell of each of some rows whether the last conversion found no slot.

        Of a remote master that stalls: whether the trigger was missed.
        """
        records = self.now["records"][rows, conversion & (self.size - 1)]
        if self.misses:
            return (records["fate"] == MISSED_TRIGGER) | (records["fate"] == NOT_RECEIVED)
        return records["occupancy_at_arrival"] >= self.scenario.fifo.depth

    def heights(self, rows: slice) -> Any:
        """Return the slots taken, of each of some rows.

        Of a remote master that stalls: and how long it has held the last frame back, in periods.
        """
        state = self.now["state"][rows]
        slots = state["tail"] - state["head"] + state["named"] - state["freed"]
        if not self.misses:
            return slots.astype(np.float64)
        held = np.where(state["last_arrival"] != NEVER, state["readout_end"], 0)
        held -= np.where(state["last_arrival"] != NEVER, state["last_arrival"], 0)
        return slots + np.maximum(held, 0) / self._period


class _Due:
    """When the triggers of each row are due; what they are counted from is kept with the row."""

    def __init__(self, scenario: Scenario, units: Units) -> None:
        trigger = scenario.trigger
        self._pattern = trigger.pattern
        self._length = trigger.burst_length or 0
        if self._pattern == "after_read":
            return
        assert trigger.rate is not None
        rates, self._kind = np.unique(units.trigger_tolerance, return_inverse=True)
        rate = trigger.rate.value
        self._periods = [period_of(actual_frequency(rate, one)) for one in rates.tolist()]
        self._known, self._from = np.zeros((len(rates), 0), dtype=np.int64), 0
        if self._pattern == "burst":
            assert trigger.gap is not None
            self._gaps = rows_of(trigger.gap, "trigger.gap")
            lasts = [self._length * one for one in self._periods]
            spans = [round_ratio(one.numerator, one.denominator) for one in lasts]
            self._spans = np.array(spans) - self._multiples(0, 1)[:, 0]

    def _multiples(self, first: int, count: int) -> Times:
        """Return the next multiples of each period, from number ``first + 1`` on."""
        at = first - self._from
        if not 0 <= at <= self._known.shape[1] - count:
            ahead = max(count, _TOGETHER)
            self._known = np.stack([multiples(first + 1, ahead, one) for one in self._periods])
            self._from, at = first, 0
        return self._known[:, at : at + count]

    def take(self, first: int, count: int, base: Times, unit: Times, stage: Stage) -> Times:
        """Return when the next triggers of each row are due, fs, shape (n, count).

        ``base``, of shape (n, 1), is brought up to date.
        """
        if self._pattern == "after_read":
            return np.zeros((len(unit), 1), dtype=np.int64)
        kind = self._kind[unit]
        if self._pattern == "periodic":
            return self._multiples(first, count)[kind]
        if self._pattern == "poisson":
            raw = np.empty(len(unit) * count)
            exponential_time(1e15).draw_raw(stage.of("trigger.rate"), raw)
            means = np.array([float(one) for one in self._periods])[kind]
            gaps = np.rint(raw.reshape(len(unit), count) * means[:, np.newaxis]).astype(np.int64)
            due: Times = base + np.cumsum(gaps, axis=1)
            base[:] = due[:, -1:]
            return due
        found = np.empty((len(unit), count), dtype=np.int64)
        for at in range(count):
            place = (first + at) % self._length
            if first + at and not place:
                gaps = self._gaps.take(stage, np.zeros((len(unit), 0), dtype=np.int64), 1)[:, 0]
                base[:, 0] += gaps + self._spans[kind]
            found[:, at] = base[:, 0] + self._multiples(place, 1)[kind, 0]
        return found
