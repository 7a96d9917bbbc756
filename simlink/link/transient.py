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
from collections.abc import Callable, Iterator
from fractions import Fraction
from itertools import accumulate
from typing import Any, Literal

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
#: Chance is a whole number of so many parts.
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


def is_upset(drawn: float, parts: int) -> bool:
    """Tell whether a symbol that meets a window is hit, by its draw from 0 to below 1."""
    return drawn * UPSET_PARTS < parts or parts >= UPSET_PARTS


def chance_source(channel: str) -> str:
    """Return the source of the draws that say which symbols of a channel are hit."""
    return f"upset {channel}"


def later(times: Times, by: Times | int) -> Times:
    """Return instants moved by some time, none beyond `FAR`, where nothing happens any more."""
    found: Times = np.minimum(times, FAR - np.maximum(by, 0)) + by
    return found


def ramp_lasts(swing: int, slew: int) -> int:
    """Return how long a ramp takes, in fs; the swing in uV, the slew in V/s."""
    return round_ratio(swing * _SCALE, slew)


def _sizes(first: int = FIRST) -> Iterator[int]:
    """Yield how many events of a source are worked out together, stretch by stretch."""
    size = first
    while True:
        yield size
        size = min(2 * size, CHUNK)


def _likely(scenario: Scenario, each: Fraction) -> int:
    """Return about the most events of a source that a trial sees; ``each``, in fs, between two."""
    rate = scenario.trigger.rate
    if rate is None:
        return FIRST
    mean = float(min(scenario.conversions * period_of(rate.value) / each, Fraction(CHUNK)))
    return min(max(FIRST, math.ceil(mean + 3 * math.sqrt(mean))), CHUNK)


def _at(source: Transient, *_: object) -> Iterator[Times]:
    """Yield instants that are given, all in one stretch."""
    assert source.times is not None
    yield np.sort(np.array([time.constant_value for time in source.times], dtype=np.int64))


def _poisson(source: Transient, scenario: Scenario, trial: int, name: str) -> Iterator[Times]:
    """Yield the instants of a Poisson stream; beyond the longest trial there are none."""
    assert source.rate is not None
    each = period_of(source.rate.value)
    column, last = Column(exponential_time(float(each)), scenario.seed, trial, f"{name}.rate"), 0
    for count in _sizes(_likely(scenario, each)):
        gaps = column.take(count)
        if float(last) + float(gaps.sum(dtype=np.float64)) < FAR:
            found = last + np.cumsum(gaps)
            last = int(found[-1])
            yield found
            continue
        times = list(accumulate(gaps.tolist(), initial=last))[1:]
        last = times[-1]
        yield np.array([time for time in times if time < FAR], dtype=np.int64)
        if last >= FAR:
            return


def _switching(source: Transient, scenario: Scenario, trial: int, name: str) -> Iterator[Times]:
    """Yield both edges of a power switch, by turns; the rising one first."""
    assert source.frequency is not None
    seed = scenario.seed
    tolerance = once(source.tolerance, seed, trial, f"{name}.tolerance")
    period = period_of(actual_frequency(source.frequency.value, tolerance))
    most = min(math.floor(period), FAR)
    phase = Uniform(low=0, high=most) if source.phase is None else source.phase
    ahead = once(phase, seed, trial, f"{name}.phase")
    held = min(period * Fraction(source.duty), Fraction(FAR))
    high = round_ratio(held.numerator, held.denominator)
    late = Column(source.dead_time, seed, trial, f"{name}.dead_time")
    jitter = Column(source.jitter, seed, trial, f"{name}.jitter")
    done, last = 0, NEVER
    for size in _sizes(_likely(scenario, period / 2)):
        count = min(size // 2, math.floor(FAR / period) + 1 - done)
        if count <= 0:
            return
        edges = np.empty((count, 2), dtype=np.int64)
        # Of a period longer than any trial there is one, and no multiple.
        cycles = np.zeros(1, dtype=np.int64) if period > FAR else multiples(done, count, period)
        edges[:, 0] = later(cycles, ahead)
        edges[:, 1] = later(edges[:, 0], high)
        done += count
        times = later(edges.ravel(), late.take(2 * count) + jitter.take(2 * count))
        times[0] = max(times[0], last)
        found: Times = np.maximum.accumulate(times)
        last = int(found[-1])
        yield found


def _bursts(source: Transient, scenario: Scenario, trial: int, name: str) -> Iterator[Times]:
    """Yield the pulses of IEC 61000-4-4: 75 to a burst, and a burst every 300 ms."""
    law = Uniform(low=0, high=BURST_PERIOD) if source.start is None else source.start
    start = once(law, scenario.seed, trial, f"{name}.start")
    repetition = Fraction({"5 kHz": 5_000, "100 kHz": 100_000}[source.repetition])
    pulses = multiples(0, PULSES, period_of(repetition))
    while start < FAR:
        yield start + pulses
        start += BURST_PERIOD


def _locked(source: Transient, scenario: Scenario, trial: int, name: str) -> Iterator[Times]:
    """Yield instants at an offset to the due times of triggers, which may change their order."""
    assert source.offset is not None
    tolerance = once(scenario.trigger.tolerance, scenario.seed, trial, "trigger.tolerance")
    triggers = DueTimes(scenario, trial, tolerance)
    offsets = Column(source.offset, scenario.seed, trial, f"{name}.offset")
    least = reach(source.offset)[0]
    taken, left, kept = 0, scenario.conversions, np.empty(0, dtype=np.int64)
    for size in _sizes():
        if not left and not len(kept):
            return
        count = left if math.isinf(least) else min(left, size)
        due = triggers.take(count)
        at = np.arange(taken, taken + count)
        which = (at >= source.first) & ((at - source.first) % source.every == 0)
        taken, left = taken + count, left - count
        times = due[which] + offsets.take(int(which.sum()))
        times = np.sort(np.concatenate([kept, times]))
        # Those that one still to come may precede wait for it.
        upto = len(times)
        if left:
            settled = int(due[-1]) + math.floor(least)
            upto = int(np.searchsorted(times, settled, side="right"))
        found, kept = times[:upto], times[upto:]
        yield found


_OF_KIND: dict[str, Callable[[Transient, Scenario, int, str], Iterator[Times]]] = {
    "at": _at,
    "locked": _locked,
    "poisson": _poisson,
    "switching": _switching,
    "eft": _bursts,
}


def instants(scenario: Scenario, number: int, trial: int) -> Iterator[Times]:
    """Return when the events of one source come in one trial, stretch by stretch.

    Parameters
    ----------
    scenario : Scenario
    number : int
        Which of its transients.
    trial : int

    Yields
    ------
    ndarray of int64, shape (n,), fs
        In order, and none before any given; a stretch may be empty.
    """
    source = scenario.transient[number]
    return _OF_KIND[source.kind](source, scenario, trial, f"transient {number}")


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
        self._known: dict[tuple[int, int], list[tuple[int, int]]] = {}
        #: All events up to here have been given; FAR and more once there are no others.
        self.upto = NEVER

    def take(self) -> tuple[list[int], list[tuple[int, int]]]:
        """Return the next events: their instants in fs, in order, and what each is."""
        times = next(self._instants, None)
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

    The immunity of each direction is in V/s, None where nothing upsets it; the recovery in fs.
    """

    def __init__(
        self,
        scenario: Scenario,
        number: int,
        trial: int,
        immunity: dict[Way, int | None],
        recovery: int,
    ) -> None:
        self._events = Events(scenario, number, trial)
        self._immunity, self._recovery = immunity, recovery
        #: Of each direction, by the start of each window: the number of its event, and which of
        #: the event's windows it is. Kept where edges may be false.
        self.named: dict[Way, dict[int, tuple[int, int]]] | None = None
        if scenario.barrier.false_edge > 0:
            self.named = {way: {} for way in WAYS}
        self._taken = 0

    @property
    def upto(self) -> int:
        """All events up to here have been given, in fs; FAR and more once there are no others."""
        return self._events.upto

    def take(self) -> dict[Way, list[tuple[int, int]]]:
        """Work the next events out; return the windows, start and end in fs, of each direction."""
        times, events = self._events.take()
        found = {way: self._windows(way, times, events) for way in WAYS}
        self._taken += len(times)
        return found

    def _windows(
        self, way: Way, times: list[int], events: list[tuple[int, int]]
    ) -> list[tuple[int, int]]:
        immunity = self._immunity[way]
        if immunity is None:
            return []
        parts = {event: self._events.lasting(event, immunity) for event in set(events)}
        if self.named is not None:
            for number, (time, event) in enumerate(zip(times, events, strict=True), self._taken):
                for part, (begins, _) in enumerate(parts[event]):
                    self.named[way].setdefault(time + begins, (number, part))
        # What lasts beyond every trial ends no sooner for lasting longer.
        return [
            (time + begins, min(time + ends + self._recovery, FAR))
            for time, event in zip(times, events, strict=True)
            for begins, ends in parts[event]
        ]


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
            Source(scenario, number, trial, immunity, recovery)
            for number in range(len(scenario.transient))
        ]
        self._upto = NEVER
        self._windows: dict[Way, tuple[list[int], list[int]]] = {way: ([], []) for way in WAYS}

    def known(self, until: int) -> int:
        """Return up to when all windows are known, in fs, at least up to an instant or `FAR`."""
        if until > self._upto:
            self._work_out(until)
        return min(self._upto, FAR)

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
        self.known(until)
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
