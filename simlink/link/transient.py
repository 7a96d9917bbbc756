"""Common-mode transients: when they come, and when they upset the channels of the barrier.

A source gives events in the order of time: an instant, a slew (V/s) and a swing (uV). An event
whose slew is not above a unit's immunity does nothing; any other upsets the channels of that
direction from its instant on, for as long as the voltage slews (swing over slew for a ramp) and
for the recovery after it. Windows that overlap are one window. A symbol that is sent at a and
arrives at b is hit by a window if a lies before its end and b after its start: touching it is not
being hit.

The edges of a switch come ``dead_time`` after the instant at which they would without it, and none
comes before the edge ahead of it. What is drawn for an event has a stream of its own, named by the
source's place (``transient 0.slew``), and is indexed by the event's number; immunity and recovery
are drawn once a board.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from collections.abc import Callable
from fractions import Fraction
from typing import Any, Literal, Protocol

import numpy as np

from simlink.base.draws import Column, once
from simlink.base.instants import FAR, NEVER, Times, multiples, period_of, round_ratio
from simlink.link.eft import BURST_PERIOD, PULSES, above, steepest
from simlink.link.trigger import DueTimes, actual_frequency
from simlink.scenario.distributions import Distribution, Uniform, exponential_time, reach
from simlink.scenario.schema import Scenario
from simlink.scenario.transient import Transient

Way = Literal["forward", "return"]
WAYS: tuple[Way, Way] = ("forward", "return")
#: Events of a source that are worked out together: at first, for most trials see few, and later.
FIRST, CHUNK = 4, 512
#: Draws are whole numbers up to this, so that chance is a whole number of parts, too.
UPSET_PARTS = 10**12
#: Microvolts over volts per second, in femtoseconds.
_SCALE = 10**9


def is_hit(sent: int, arrives: int, start: int, end: int) -> bool:
    """Tell whether a window hits a symbol: touching it is not being hit; all in fs."""
    return sent < end and arrives > start


def first_open(ends: Any, sent: int, count: int) -> int:
    """Return which of the first windows is the first to end after an instant.

    Parameters
    ----------
    ends : sequence of int, fs
        In order.
    sent : int, fs
    count : int
        How many windows are searched; what is returned where none of them does.
    """
    low, high = 0, count
    while low < high:
        middle = (low + high) // 2
        if ends[middle] > sent:
            high = middle
        else:
            low = middle + 1
    return low


def meets(starts: Any, ends: Any, sent: int, arrives: int) -> bool:
    """Tell whether a symbol meets any of some windows, as `is_hit` says; all in fs.

    Parameters
    ----------
    starts, ends : sequence of int, fs
        In order; none overlaps another.
    """
    at = first_open(ends, sent, len(ends))
    return at < len(ends) and is_hit(sent, arrives, starts[at], ends[at])


def upset_parts(chance: float) -> int:
    """Return the chance that a symbol that meets a window is hit, in parts of `UPSET_PARTS`."""
    return round(chance * UPSET_PARTS)


def is_upset(drawn: int, parts: int) -> bool:
    """Tell whether a symbol that meets a window is hit, by its draw from 0 to `UPSET_PARTS`."""
    return drawn < parts or parts >= UPSET_PARTS


def later(times: Times, by: Times | int) -> Times:
    """Return instants moved by some time, none beyond `FAR`, where nothing happens any more."""
    found: Times = np.minimum(times, FAR - np.maximum(by, 0)) + by
    return found


def ramp_lasts(swing: int, slew: int) -> int:
    """Return how long a ramp takes, in fs; the swing in uV, the slew in V/s."""
    return round_ratio(swing * _SCALE, slew)


class Instants(Protocol):
    """When the events of a source come, in stretches."""

    def take(self, count: int = CHUNK) -> Times | None:
        """Return the next instants, about so many; None at last.

        They are int64 fs, in order, and none comes before any given.
        """


class _At:
    """Instants that are given, all in one stretch."""

    def __init__(self, times: Times) -> None:
        self._times: Times | None = np.sort(times)

    def take(self, count: int = CHUNK) -> Times | None:
        found, self._times = self._times, None
        return found


class _Poisson:
    """Instants of a Poisson stream; beyond the longest trial there are none."""

    def __init__(self, source: Transient, scenario: Scenario, trial: int, name: str) -> None:
        assert source.rate is not None
        law = exponential_time(float(period_of(source.rate.value)))
        self._gaps = Column(law, scenario.seed, trial, f"{name}.rate")
        self._last = 0

    def take(self, count: int = CHUNK) -> Times | None:
        if self._last >= FAR:
            return None
        gaps = self._gaps.take(count)
        if float(self._last) + float(gaps.sum(dtype=np.float64)) < FAR:
            found = self._last + np.cumsum(gaps)
            self._last = int(found[-1])
            return found
        times = []
        for gap in gaps.tolist():
            self._last += gap
            if self._last >= FAR:
                break
            times.append(self._last)
        return np.array(times, dtype=np.int64)


class _Switching:
    """Both edges of a power switch, by turns; the rising one first."""

    def __init__(self, source: Transient, scenario: Scenario, trial: int, name: str) -> None:
        assert source.frequency is not None
        seed = scenario.seed
        tolerance = once(source.tolerance, seed, trial, f"{name}.tolerance")
        self._period = period_of(actual_frequency(source.frequency.value, tolerance))
        most = min(math.floor(self._period), FAR)
        phase = Uniform(low=0, high=most) if source.phase is None else source.phase
        self._phase = once(phase, seed, trial, f"{name}.phase")
        held = min(self._period * Fraction(source.duty), Fraction(FAR))
        self._high = round_ratio(held.numerator, held.denominator)
        self._late = Column(source.dead_time, seed, trial, f"{name}.dead_time")
        self._jitter = Column(source.jitter, seed, trial, f"{name}.jitter")
        self._done, self._last = 0, NEVER

    def take(self, count: int = CHUNK) -> Times | None:
        count = min(count // 2, math.floor(FAR / self._period) + 1 - self._done)
        if count <= 0:
            return None
        edges = np.empty((count, 2), dtype=np.int64)
        # Of a period longer than any trial there is one, and no multiple.
        longer = self._period > FAR
        cycles = (
            np.zeros(1, dtype=np.int64) if longer else multiples(self._done, count, self._period)
        )
        edges[:, 0] = later(cycles, self._phase)
        edges[:, 1] = later(edges[:, 0], self._high)
        self._done += count
        times = later(edges.ravel(), self._late.take(2 * count) + self._jitter.take(2 * count))
        times[0] = max(times[0], self._last)
        found: Times = np.maximum.accumulate(times)
        self._last = int(found[-1])
        return found


class _Bursts:
    """The pulses of IEC 61000-4-4: 75 to a burst, and a burst every 300 ms."""

    def __init__(self, source: Transient, scenario: Scenario, trial: int, name: str) -> None:
        start = Uniform(low=0, high=BURST_PERIOD) if source.start is None else source.start
        first = once(start, scenario.seed, trial, f"{name}.start")
        repetition = Fraction({"5 kHz": 5_000, "100 kHz": 100_000}[source.repetition])
        self._pulses = multiples(0, PULSES, period_of(repetition))
        self._next = first

    def take(self, count: int = CHUNK) -> Times | None:
        if self._next >= FAR:
            return None
        found: Times = self._next + self._pulses
        self._next += BURST_PERIOD
        return found


class _Locked:
    """Instants at an offset to the due times of triggers; the offset may change their order."""

    def __init__(self, source: Transient, scenario: Scenario, trial: int, name: str) -> None:
        assert source.offset is not None
        tolerance = once(scenario.trigger.tolerance, scenario.seed, trial, "trigger.tolerance")
        self._due = DueTimes(scenario, trial, tolerance)
        self._left, self._first, self._every = scenario.conversions, source.first, source.every
        self._offsets = Column(source.offset, scenario.seed, trial, f"{name}.offset")
        self._least = reach(source.offset)[0]
        self._taken = 0
        self._kept = np.empty(0, dtype=np.int64)

    def take(self, count: int = CHUNK) -> Times | None:
        if not self._left and not len(self._kept):
            return None
        bounded = not math.isinf(self._least)
        count = min(self._left, count) if bounded else self._left
        due = self._due.take(count)
        at = np.arange(self._taken, self._taken + count)
        which = (at >= self._first) & ((at - self._first) % self._every == 0)
        self._taken, self._left = self._taken + count, self._left - count
        times = due[which] + self._offsets.take(int(which.sum()))
        times = np.sort(np.concatenate([self._kept, times]))
        # Those that one still to come may precede wait for it.
        upto = len(times)
        if self._left:
            settled = int(due[-1]) + math.floor(self._least)
            upto = int(np.searchsorted(times, settled, side="right"))
        found, self._kept = times[:upto], times[upto:]
        return found


def instants(scenario: Scenario, number: int, trial: int) -> Instants:
    """Return when the events of one source come in one trial.

    Parameters
    ----------
    scenario : Scenario
    number : int
        Which of its transients.
    trial : int
    """
    source, name = scenario.transient[number], f"transient {number}"
    if source.kind == "at":
        assert source.times is not None
        return _At(np.array([time.constant_value for time in source.times], dtype=np.int64))
    made: dict[str, Callable[[Transient, Scenario, int, str], Instants]] = {
        "locked": _Locked,
        "poisson": _Poisson,
        "switching": _Switching,
        "eft": _Bursts,
    }
    return made[source.kind](source, scenario, trial, name)


class Events:
    """The events of one source in one trial, in stretches.

    What an event is: its peak in uV and 0 of a fast pulse, else its slew in V/s and swing in uV.
    """

    def __init__(self, scenario: Scenario, number: int, trial: int) -> None:
        source, name = scenario.transient[number], f"transient {number}"
        self._instants = instants(scenario, number, trial)
        self._coupling = source.coupling
        self._peaks = self._slews = self._swings = None
        if source.kind == "eft":
            assert source.peak is not None
            self._peaks = Column(source.peak, scenario.seed, trial, f"{name}.peak")
        else:
            assert source.slew is not None
            assert source.swing is not None
            self._slews = Column(source.slew, scenario.seed, trial, f"{name}.slew")
            self._swings = Column(source.swing, scenario.seed, trial, f"{name}.swing")
        self._size = FIRST
        self._known: dict[tuple[int, int], list[tuple[int, int]]] = {}
        #: All events up to here have been given; FAR and more once there are no others.
        self.upto = NEVER

    def take(self) -> tuple[list[int], list[tuple[int, int]]]:
        """Return the next events: their instants in fs, in order, and what each is."""
        times = self._instants.take(self._size)
        self._size = min(2 * self._size, CHUNK)
        if times is None:
            self.upto = 2**63 - 1
            return [], []
        if not len(times):
            return [], []
        self.upto = int(times[-1])
        if self._peaks is not None:
            return times.tolist(), [(peak, 0) for peak in self._peaks.take(len(times)).tolist()]
        assert self._slews is not None
        assert self._swings is not None
        slews, swings = self._slews.take(len(times)), self._swings.take(len(times))
        return times.tolist(), list(zip(slews.tolist(), swings.tolist(), strict=True))

    def lasting(self, event: tuple[int, int], slew: int) -> list[tuple[int, int]]:
        """Return from when and until when an event slews faster than a slew in V/s.

        Counted from its instant, in fs.
        """
        if self._peaks is None:
            own, swing = event
            return [(0, ramp_lasts(swing, own))] if own > slew else []
        key = event[0], slew
        if key not in self._known:
            if len(self._known) > CHUNK:
                self._known.clear()
            self._known[key] = above(event[0] * 1e-6 * self._coupling, slew)
        return self._known[key]


class Source:
    """The windows in which the events of one source upset, in one trial.

    Parameters
    ----------
    immunity : dict of str to int or None
        Of each direction, in V/s; None where nothing upsets it.
    recovery : int, fs
    names : bool
        Whether `named` is kept.

    Attributes
    ----------
    named : dict, or None
        Of each direction, by the start of each window: the number of its event, and which of the
        event's windows it is.
    """

    def __init__(
        self,
        scenario: Scenario,
        number: int,
        trial: int,
        immunity: dict[Way, int | None],
        recovery: int,
        names: bool = False,
    ) -> None:
        self._events = Events(scenario, number, trial)
        self._immunity, self._recovery = immunity, recovery
        self.named: dict[Way, dict[int, tuple[int, int]]] | None = None
        if names:
            self.named = {way: {} for way in WAYS}
        self._taken = 0

    @property
    def upto(self) -> int:
        """All events up to here have been given, in fs; FAR and more once there are no others."""
        return self._events.upto

    def take(self) -> dict[Way, list[tuple[int, int]]]:
        """Work the next events out; return the windows, start and end in fs, of each direction."""
        found: dict[Way, list[tuple[int, int]]] = {"forward": [], "return": []}
        times, events = self._events.take()
        for way, immunity in self._immunity.items():
            if immunity is None:
                continue
            for time, event in zip(times, events, strict=True):
                for begins, ends in self._events.lasting(event, immunity):
                    # What lasts beyond every trial ends no sooner for lasting longer.
                    last = min(time + ends + self._recovery, FAR)
                    found[way].append((time + begins, last))
            if self.named is not None:
                for number, (time, event) in enumerate(
                    zip(times, events, strict=True), self._taken
                ):
                    for part, (begins, _) in enumerate(self._events.lasting(event, immunity)):
                        self.named[way].setdefault(time + begins, (number, part))
        self._taken += len(times)
        return found


def immunity_key(scenario: Scenario, way: Way) -> str:
    """Return the key that gives a direction its slew immunity: its own, or the barrier's."""
    own = scenario.barrier.forward if way == "forward" else scenario.barrier.return_
    which = f"{way}." if own.slew_immunity is not None else ""
    return f"barrier.{which}slew_immunity"


def immunity_law(scenario: Scenario, way: Way) -> Distribution | None:
    """Return the law of a direction's slew immunity: its own, or the barrier's."""
    own = scenario.barrier.forward if way == "forward" else scenario.barrier.return_
    return scenario.barrier.slew_immunity if own.slew_immunity is None else own.slew_immunity


class Upsets:
    """When the channels of one board are upset, asked for in any order.

    Parameters
    ----------
    scenario : Scenario
    trial : int
        Which unit.
    """

    def __init__(self, scenario: Scenario, trial: int) -> None:
        immunity: dict[Way, int | None] = {}
        for way in WAYS:
            law = immunity_law(scenario, way)
            key = immunity_key(scenario, way)
            immunity[way] = None if law is None else once(law, scenario.seed, trial, key)
        recovery = once(scenario.barrier.recovery, scenario.seed, trial, "barrier.recovery")
        self.immunity, self.recovery = immunity, recovery
        self._sources = [
            Source(scenario, number, trial, immunity, recovery, scenario.barrier.false_edge > 0)
            for number in range(len(scenario.transient))
        ]
        self._upto = NEVER
        self._windows: dict[Way, tuple[list[int], list[int]]] = {way: ([], []) for way in WAYS}

    def windows(self, way: Way, until: int) -> tuple[list[int], list[int]]:
        """Return the windows of a direction that start before an instant, and perhaps more.

        Parameters
        ----------
        way : {"forward", "return"}
        until : int, fs

        Returns
        -------
        starts, ends : list of int, fs
            In order; none overlaps another.
        """
        if until > self._upto:
            self._work_out(until)
        return self._windows[way]

    def since(self, way: Way, low: int, until: int) -> tuple[list[int], list[int]]:
        """Return the windows that what is sent and arrives between two instants may meet, in fs.

        Nothing sent before ``low`` may be asked of that direction any more.
        """
        starts, ends = self.windows(way, until)
        gone = bisect_right(ends, low)
        del starts[:gone], ends[:gone]
        upto = bisect_left(starts, until)
        return starts[:upto], ends[:upto]

    def hit(self, way: Way, sent: int, arrives: int) -> bool:
        """Tell whether a symbol meets a window of its direction; see `is_hit`."""
        starts, ends = self.windows(way, arrives)
        first = bisect_right(ends, sent)
        return first < len(ends) and is_hit(sent, arrives, starts[first], ends[first])

    def start_of(self, way: Way, place: int, before: int) -> int:
        """Return when a direction's window of a given place starts, in fs.

        Returns
        -------
        int
            `FAR` if it does not start before the given instant.
        """
        starts = self.windows(way, before)[0]
        return starts[place] if place < len(starts) and starts[place] < before else FAR

    def event_of(self, way: Way, start: int) -> tuple[int, int, int]:
        """Return which event opens a window: its source, its number, which of its windows it is.

        Only where edges may be false; of several at one instant the first source's.
        """
        for source, one in enumerate(self._sources):
            assert one.named is not None
            if start in one.named[way]:
                return source, *one.named[way][start]
        raise KeyError(start)

    def _work_out(self, until: int) -> None:
        fresh: dict[Way, list[tuple[int, int]]] = {way: [] for way in WAYS}
        for source in self._sources:
            while source.upto < until:
                for way, found in source.take().items():
                    fresh[way] += found
        self._upto = min((source.upto for source in self._sources), default=2**63 - 1)
        for way, found in fresh.items():
            if found:
                self._windows[way] = merged(*self._windows[way], found)


def merged(
    starts: list[int], ends: list[int], more: list[tuple[int, int]]
) -> tuple[list[int], list[int]]:
    """Return windows with more of them, those that overlap as one.

    Parameters
    ----------
    starts, ends : list of int, fs
        In order; none overlaps another. Changed.
    more : list of (int, int), fs
        Start and end of each, in any order.
    """
    more = sorted(more)
    # What lies before the first of them stays as it is.
    kept = bisect_right(ends, more[0][0])
    more = sorted([*zip(starts[kept:], ends[kept:], strict=True), *more])
    del starts[kept:], ends[kept:]
    for start, end in more:
        if end <= start:
            continue
        if len(ends) > kept and start < ends[-1]:
            ends[-1] = max(ends[-1], end)
        else:
            starts.append(start)
            ends.append(end)
    return starts, ends


def may_upset(scenario: Scenario, way: Way) -> bool:
    """Tell whether any event can upset the channels of a direction in any unit."""
    return most_slew(scenario) > least_immunity(scenario, way)


def upsets(scenario: Scenario) -> bool:
    """Tell whether any event can upset a channel of either direction in any unit."""
    return any(may_upset(scenario, way) for way in WAYS)


def least_immunity(scenario: Scenario, way: Way) -> float:
    """Return the least immunity that a unit of a direction may have, in V/s; inf without one."""
    law = immunity_law(scenario, way)
    return math.inf if law is None else law.support[0]


def most_slew(scenario: Scenario) -> float:
    """Return the highest slew that an event may have, in V/s; 0 where there are none."""
    return max((_steepest(source) for source in scenario.transient), default=0.0)


def enough(slew: float) -> int:
    """Return an immunity in V/s, of three digits, above which no edge of a finite slew is."""
    digit: int = 10 ** max(len(str(math.ceil(slew))) - 3, 0)
    return -(-math.ceil(slew) // digit) * digit


def _steepest(source: Transient) -> float:
    if source.kind == "eft":
        assert source.peak is not None
        return steepest(source.peak.support[1] * 1e-6 * source.coupling)
    assert source.slew is not None
    return source.slew.support[1]
