"""One round of importance splitting: stages of branches, from level to level.

Runs that come above the first level of slots taken are branched. Each further level that is
reached ends a stage; the next one begins so many branches from the runs that have reached it
(fixed effort: M. J. J. Garvels, The splitting method in rare event simulation, Twente 2000, and
P. L'Ecuyer et al., ACM TOMACS 17(2), 2007; both from memory), which go on until they fall below
the first level. Losses are counted wherever they happen, so that the mean is right whatever the
levels are; these decide only how far one round is off. They are found by a round of their own,
whose draws nobody else uses.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.engines.batch.branch_draws import Stage
from simlink.engines.batch.branching import Branches, RingError, State
from simlink.rare.survival import independent, survival
from simlink.scenario.composite import GeometricCount, TwoState

if TYPE_CHECKING:
    from simlink.base.instants import Times
    from simlink.scenario.distributions import Distribution
    from simlink.scenario.schema import Scenario

#: Branches of a stage, and how many of them share a run from an empty FIFO.
BRANCHES, _SHARING = 1024, 4
#: Conversions taken at once where nobody looks at the levels.
_STEP = 16
#: The share of branches that are to reach the next level.
_REACH = 0.2
#: Conversions before those that stand for the long run, and of these: the fewest and the most.
_WARM, _SPAN = 1024, 256
_MOST_WARM, _MOST_SPAN = 65536, 4096
#: Of how long a host remembers, and of the slots that a run has to fill.
_MEMORIES, _RISE = 4, 4
_MOST_LEVELS = 100
#: Heights that are tried for the first level.
_TRIED = 200
#: A draw is found to a femtosecond where it is below some hours.
_HALVINGS = 64


@dataclass(frozen=True)
class Plan:
    """How a round goes."""

    #: Conversions from an empty FIFO that are not counted.
    warm: int
    #: Conversions that are, and for how many a branch is followed at most.
    span: int
    #: Of each stage.
    branches: int = BRANCHES
    #: Slots taken, rising.
    levels: tuple[float, ...] = ()
    #: Conversions of a branch that are kept, a power of two; more where they do not do.
    ring: int = 64


def spans(scenario: Scenario, conversions: int | None, branches: int = BRANCHES) -> Plan:
    """Return a plan without levels: which conversions are counted."""
    if conversions is not None:
        return Plan(0, conversions, branches)
    latency, memory = scenario.host.service_latency, 0.0
    if isinstance(latency, TwoState):
        memory = latency.length.mean
        if not isinstance(latency.spacing, GeometricCount):
            # When it will stall next hangs on when it stalled last: the whole cycle counts.
            memory += latency.spacing.mean
    # From the first level to a loss, one slot a conversion at the most.
    rise = _RISE * scenario.fifo.depth
    # Whole bursts, and whole steps.
    whole = math.lcm(_STEP, scenario.trigger.burst_length or 1)

    def up(least: int, wanted: float, most: int) -> int:
        return math.ceil(min(max(least, wanted), most) / whole) * whole

    span = up(_SPAN, max(_MEMORIES * memory, rise), _MOST_SPAN)
    return Plan(up(max(_WARM, span), _MEMORIES * memory, _MOST_WARM), span, branches)


@dataclass(frozen=True)
class _Reached:
    """Where runs stood as they reached a level: before which conversion; and since when high."""

    states: State
    at: Times
    since: Times


class _Round:
    """One round: runs from an empty FIFO, then stages of branches.

    A run is high from where it reaches the first level until it falls below. Losses of runs that
    have been high for less than a span are found by branches, which begin where a run becomes
    high within the span and are followed beyond its end; all other losses within it are counted
    plainly. In the long run the mean is the loss, for what those branches lose beyond the end is
    what runs that were high before lose within. To count the latter as they are found would leave
    them to plain chance: nearly every round would miss them, and one in many outweigh all others.
    """

    def __init__(self, scenario: Scenario, plan: Plan, number: int, name: str) -> None:
        self.plan, self.number, self.name, self.seed = plan, number, name, scenario.seed
        self.runs = max(plan.branches // _SHARING, 1)
        units = range(number * self.runs, (number + 1) * self.runs)
        self.branches = Branches(scenario, units, plan.ring, left_of)
        self.stage = self._stage(0)
        self.branches.begin(self.stage)
        #: The first conversion that is looked at.
        self.first = max(plan.warm - plan.span, 0)
        for first in range(0, self.first, _STEP):
            self.branches.step(first, slice(self.runs), self.stage, _STEP)
        self.end = plan.warm + plan.span
        self.low = math.inf

    def _stage(self, number: int) -> Stage:
        return Stage(self.seed, self.number, f"{self.name} {number}")

    def watch(self) -> tuple[Any, Any]:
        """Take every run through the span; return its losses and, in time, its heights."""
        everyone, lost = slice(self.runs), np.zeros(self.runs, dtype=np.int64)
        heights = []
        for now in range(self.first, self.end):
            if now >= self.plan.warm:
                heights.append(self.branches.heights(everyone))
            self.branches.step(now, everyone, self.stage)
            if now >= self.plan.warm:
                lost += self.branches.lost(now, everyone)
        return lost, np.array([*heights, self.branches.heights(everyone)])

    def enter(self, level: float) -> tuple[float, float, _Reached]:
        """Take every run through the span; return what is found of it at a level.

        That is how many losses of a run no branch from the level counts, how often a run reaches
        the level from below, and the runs that do: of more than are wanted, as many as are.
        """
        branches, plan, everyone = self.branches, self.plan, slice(self.runs)
        self.low = level
        lost, many = 0, 0
        reached = branches.room(plan.branches)
        at = np.zeros(plan.branches, dtype=np.int64)
        high = branches.heights(everyone) >= level
        since = np.full(self.runs, self.first)
        rng = self.stage.anew("entrances")
        for now in range(self.first, self.end):
            branches.step(now, everyone, self.stage)
            if now >= plan.warm:
                plainly = ~high | (now >= since + plan.span)
                lost += int((branches.lost(now, everyone) & plainly).sum())
            before, high = high, branches.heights(everyone) >= level
            enters = np.flatnonzero(high & ~before)
            since[enters] = now + 1
            if not len(enters) or not plan.warm <= now + 1 < self.end:
                continue
            # Each of all is kept as likely as any other.
            places = many + np.arange(len(enters))
            drawn = (rng.random(len(enters)) * (places + 1)).astype(np.int64)
            places = np.where(places < plan.branches, places, drawn)
            kept = places < plan.branches
            branches.put(enters[kept], reached, places[kept])
            at[places[kept]] = now + 1
            many += len(enters)
        count = min(many, plan.branches)
        states = {name: rows[:count] for name, rows in reached.items()}
        return lost / self.runs, many / self.runs, _Reached(states, at[:count], at[:count])

    def go(self, level: float) -> tuple[Any, Any, _Reached]:
        """Take every branch to a level, as long as it is high; return what it comes to.

        That is the losses of each on the way, the highest that each came, shape (n,), and those
        that reached the level.
        """
        branches, starts, count = self.branches, self.starts, len(self.starts)
        ends = self.since + self.plan.span
        if not self.plan.warm:
            ends = np.minimum(ends, self.end)
        lost = np.zeros(count, dtype=np.int64)
        highest = branches.heights(slice(count))
        under_way = highest < level
        first = np.flatnonzero(~under_way)
        states, many = branches.room(count), len(first)
        at, since = np.zeros(count, dtype=np.int64), np.zeros(count, dtype=np.int64)
        branches.put(first, states, slice(many))
        at[:many], since[:many] = starts[first], self.since[first]
        under_way &= starts < ends
        now = oldest = 0
        while True:
            # Those that have ended are left behind as soon as nobody before them goes on.
            oldest += int(under_way[oldest:].argmax()) if oldest < count else 0
            if oldest == count or not under_way[oldest]:
                break
            now = max(now, int(starts[oldest]))
            rows = slice(oldest, int(np.searchsorted(starts, now, side="right")))
            branches.step(now, rows, self.stage)
            goes, heights = under_way[rows], branches.heights(rows)
            lost[rows] += goes & branches.lost(now, rows)
            np.maximum(highest[rows], heights, out=highest[rows], where=goes)
            now += 1
            there = oldest + np.flatnonzero(goes & (heights >= level))
            if len(there):
                places = slice(many, many + len(there))
                branches.put(there, states, places)
                at[places], since[places] = now, self.since[there]
                many = places.stop
            goes &= (heights < level) & (heights >= self.low) & (now < ends[rows])
        states = {name: rows[:many] for name, rows in states.items()}
        return lost, highest, _Reached(states, at[:many], since[:many])

    def again(self, states: State, number: int) -> None:
        """Go back to where a stage began, with other draws."""
        self.stage = Stage(self.seed, self.number, f"{self.name} {number} again")
        self.branches.now = states

    def branch(self, reached: _Reached, number: int) -> None:
        """Begin the next stage, from each that has reached it as often, or once more."""
        self.stage, many = self._stage(number), len(reached.at)
        each, more = divmod(self.plan.branches, many)
        chosen = np.repeat(np.arange(many), each)
        extra = self.stage.anew("branches").permutation(many)[:more]
        chosen = np.concatenate([chosen, extra])
        chosen = chosen[np.argsort(reached.at[chosen], kind="stable")]
        self.starts, self.since = reached.at[chosen], reached.since[chosen]
        self.branches.branch(reached.states, chosen, self.starts, self.stage)


def _with_room(plan: Plan, work: Callable[[Plan], Any]) -> Any:
    """Do something with rings as long as it takes."""
    while True:
        try:
            return work(plan)
        except RingError:
            plan = replace(plan, ring=2 * plan.ring)


def left_of(law: Distribution, passed: Times, uniform: Any) -> Times | None:
    """Return draws of a law, given that each exceeds what has passed of it.

    Parameters
    ----------
    law : Distribution
        Any.
    passed : ndarray of int64, fs
    uniform : ndarray of float64
        From 0 to below 1, one for each.

    Returns
    -------
    ndarray of int64, fs, or None
        None where draws depend on each other.
    """
    if not independent(law) or law.is_constant:
        return None
    low = passed.astype(np.float64)
    # The draw is exceeded with the wanted probability.
    wanted = survival(law, low) * (1.0 - uniform)
    high = np.maximum(2 * low, 2 * law.mean + 1.0)
    while (above := survival(law, high) > wanted).any():
        high = np.where(above, 2 * high, high)
    for _ in range(_HALVINGS):
        middle = (low + high) / 2
        above = survival(law, middle) > wanted
        low, high = np.where(above, middle, low), np.where(above, high, middle)
    return np.maximum(np.rint(high).astype(np.int64), passed + 1)


def one_round(scenario: Scenario, plan: Plan, number: int) -> float:
    """Return the loss that one round estimates; its mean is the loss itself."""
    found: float = _with_room(plan, lambda plan: _rounded(scenario, plan, number))
    return found


def _rounded(scenario: Scenario, plan: Plan, number: int) -> float:
    it = _Round(scenario, plan, number, "split")
    first, *levels = (*plan.levels, math.inf)
    total, weight, reached = it.enter(first)
    for stage, level in enumerate(levels, start=1):
        if not len(reached.at):
            break
        it.branch(reached, stage)
        lost, _, reached = it.go(level)
        total += weight * float(lost.mean())
        weight *= len(reached.at) / plan.branches
    return total / plan.span


def find_levels(scenario: Scenario, plan: Plan) -> Plan:
    """Return a plan with levels that about one in five branches reach."""
    return climb(scenario, plan)[0]


def climb(scenario: Scenario, plan: Plan, least: float = 0.0) -> tuple[Plan, list[float]]:
    """Find levels, and how likely they are to be reached.

    Parameters
    ----------
    scenario : Scenario
        What is simulated.
    plan : Plan
        One without levels.
    least : float
        Levels less likely than that are not looked for.

    Returns
    -------
    Plan
        With levels that about one in five branches reach.
    list of float
        About how likely a run reaches each.
    """
    # A frame waits for as many conversions as there are slots, and some more that are lost.
    ring = 1 << (2 * scenario.fifo.depth + 1).bit_length()
    plan = replace(plan, ring=max(plan.ring, ring))
    found: tuple[Plan, list[float]] = _with_room(plan, lambda plan: _climbed(scenario, plan, least))
    return found


def _climbed(scenario: Scenario, plan: Plan, least: float) -> tuple[Plan, list[float]]:
    it = _Round(scenario, plan, 0, "levels")
    kept = it.branches.take(slice(None))
    lost, heights = it.watch()
    level = _first_level(heights, math.ceil(_REACH * plan.branches))
    if level is None or (lost > 0).mean() >= _REACH:
        return plan, []
    it.again(kept, 0)
    _, share, reached = it.enter(level)
    levels, shares = [level], [share]
    for stage in range(1, _MOST_LEVELS):
        if shares[-1] <= least or not len(reached.at):
            break
        it.branch(reached, stage)
        kept = it.branches.take(slice(None))
        lost, highest, _ = it.go(math.inf)
        if (lost > 0).mean() >= _REACH:
            break
        level = float(np.quantile(highest, 1 - _REACH, method="higher"))
        if level <= levels[-1]:
            beyond = highest[highest > levels[-1]]
            if not len(beyond):
                break
            level = float(beyond.min())
        # Once more from where the stage began, up to the level found.
        it.again(kept, stage)
        _, _, reached = it.go(level)
        levels.append(level)
        shares.append(shares[-1] * len(reached.at) / plan.branches)
    return replace(plan, levels=tuple(levels)), shares


def _first_level(heights: Any, wanted: int) -> float | None:
    """Return the highest level reached from below as often as wanted, or as often as any is."""
    shares = 1 - np.geomspace(1, 1 / heights.size, _TRIED)
    levels = np.unique(np.quantile(heights, shares, method="higher"))
    levels = levels[levels > 0]
    often = [int(((heights[1:] >= one) & (heights[:-1] < one)).sum()) for one in levels]
    if not any(often):
        return None
    enough = min(wanted, max(often))
    return max(float(level) for level, times in zip(levels, often, strict=True) if times >= enough)
