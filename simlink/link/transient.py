"""Common-mode transients: when their events upset the channels of the barrier.

An event (`common_mode`) whose slew is not above a unit's immunity does nothing; any other upsets
the channels of that direction from its instant on, for as long as the voltage slews (swing over
slew for a ramp) and for the recovery after it. Windows that overlap are one window. A symbol that
is sent at a and arrives at b is hit by a window if a lies before its end and b after its start:
touching it is not being hit. Immunity and recovery are drawn once a board.
"""

from __future__ import annotations

import math
from bisect import bisect_left, bisect_right
from typing import Any, Literal

from simlink.base.draws import once
from simlink.base.instants import FAR, NEVER
from simlink.link.common_mode import Events
from simlink.link.eft import steepest
from simlink.scenario.distributions import Distribution
from simlink.scenario.schema import Scenario
from simlink.scenario.transient import Transient

Way = Literal["forward", "return"]
WAYS: tuple[Way, Way] = ("forward", "return")
#: Chance is a whole number of so many parts.
UPSET_PARTS = 10**12
#: What those are called for which `upsets` holds.
UPSETTING = "transients that can upset a channel"


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
