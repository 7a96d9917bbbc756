"""One round of importance splitting: stages of branches, from level to level.

Each level of slots taken that is reached for the first time ends a stage; the next one begins so
many branches from the runs that have reached it (fixed effort, over fixed spans: M. J. J. Garvels,
The splitting method in rare event simulation, Twente 2000, and P. L'Ecuyer et al., ACM TOMACS
17(2), 2007; both from memory). Losses are counted wherever they happen, so that the mean is right
whatever the levels are; these decide only how far one round is off. They are found by a round of
their own, whose draws nobody else uses.
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
from simlink.scenario.composite import TwoState

if TYPE_CHECKING:
    from simlink.base.instants import Times
    from simlink.scenario.distributions import Distribution
    from simlink.scenario.schema import Scenario

#: Branches of a stage.
BRANCHES = 1024
#: Conversions taken at once where nobody looks at the levels.
_STEP = 16
#: The share of branches that are to reach the next level.
_REACH = 0.2
#: Conversions before those that stand for the long run, and of these: the fewest and the most.
_WARM, _SPAN = 1024, 256
_MOST_WARM, _MOST_SPAN = 65536, 4096
_MOST_LEVELS = 100
#: A draw is found to a femtosecond where it is below some hours.
_HALVINGS = 64


@dataclass(frozen=True)
class Plan:
    """How a round goes.

    Attributes
    ----------
    warm : int
        Conversions from an empty FIFO that are not counted.
    span : int
        Conversions that are.
    branches : int
        Of each stage.
    levels : tuple of float
        Slots taken, rising.
    ring : int
        Conversions of a branch that are kept, a power of two; more where they do not do.
    """

    warm: int
    span: int
    branches: int = BRANCHES
    levels: tuple[float, ...] = ()
    ring: int = 64


def spans(scenario: Scenario, conversions: int | None, branches: int = BRANCHES) -> Plan:
    """Return a plan without levels: which conversions are counted."""
    if conversions is not None:
        return Plan(0, conversions, branches)
    latency, cycle = scenario.host.service_latency, 0.0
    if isinstance(latency, TwoState):
        cycle = latency.spacing.mean + latency.length.mean
    # Whole bursts, and whole steps.
    whole = math.lcm(_STEP, scenario.trigger.burst_length or 1)

    def up(least: int, wanted: float, most: int) -> int:
        return math.ceil(min(max(least, wanted), most) / whole) * whole

    return Plan(up(_WARM, 4 * cycle, _MOST_WARM), up(_SPAN, cycle, _MOST_SPAN), branches)


class _Round:
    """One round: stages from an empty FIFO on."""

    def __init__(self, scenario: Scenario, plan: Plan, number: int, name: str) -> None:
        self.plan, self.number, self.name, self.seed = plan, number, name, scenario.seed
        self.count = plan.branches
        units = range(number * self.count, (number + 1) * self.count)
        self.branches = Branches(scenario, units, plan.ring, left_of)
        self.stage = self._stage(0)
        self.branches.begin(self.stage)
        for first in range(0, plan.warm, _STEP):
            self.branches.step(first, self.count, self.stage, _STEP)
        self.starts = np.full(self.count, plan.warm)

    def _stage(self, number: int) -> Stage:
        return Stage(self.seed, self.number, f"{self.name} {number}")

    def go(self, level: float) -> tuple[Any, Any, State, Any]:
        """Take every branch to a level, or to the end of the span.

        Returns
        -------
        lost : ndarray of int64, shape (n,)
            Losses on the way.
        highest : ndarray of float64, shape (n,)
            The highest that each came before its end.
        reached : dict
            Where those that reached the level stood then.
        at : ndarray of int64
            Before which conversion.
        """
        branches, starts = self.branches, self.starts
        lost = np.zeros(self.count, dtype=np.int64)
        highest = branches.heights(self.count)
        under_way = highest < level
        first = np.flatnonzero(~under_way)
        reached = branches.room()
        at, many = np.zeros(self.count, dtype=np.int64), len(first)
        branches.put(first, reached, 0)
        at[:many] = starts[first]
        for now in range(int(starts[0]), self.plan.warm + self.plan.span):
            active = int(np.searchsorted(starts, now, side="right"))
            branches.step(now, active, self.stage)
            goes = under_way[:active]
            if not goes.any() and active == self.count:
                break
            lost[:active] += np.where(goes, branches.lost(now, active), 0)
            heights = branches.heights(active)
            np.maximum(highest[:active], heights, out=highest[:active], where=goes)
            there = np.flatnonzero(goes & (heights >= level))
            if len(there):
                branches.put(there, reached, many)
                at[many : many + len(there)] = now + 1
                many += len(there)
                under_way[there] = False
        return lost, highest, {name: rows[:many] for name, rows in reached.items()}, at[:many]

    def again(self, states: State, number: int) -> None:
        """Go back to where a stage began, with other draws."""
        self.stage = Stage(self.seed, self.number, f"{self.name} {number} again")
        self.branches.now = states

    def branch(self, states: State, at: Any, number: int) -> None:
        """Begin the next stage from states, each as often as any other, or once more."""
        self.stage = self._stage(number)
        each, more = divmod(self.count, len(at))
        chosen = np.repeat(np.arange(len(at)), each)
        extra = self.stage.anew("branches").permutation(len(at))[:more]
        chosen = np.concatenate([chosen, extra])
        chosen = chosen[np.argsort(at[chosen], kind="stable")]
        self.starts = at[chosen]
        self.branches.branch(states, chosen, self.starts, self.stage)


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
    total, weight = 0.0, 1.0
    for stage, level in enumerate((*plan.levels, math.inf), start=1):
        lost, _, states, at = it.go(level)
        total += weight * float(lost.mean())
        if not len(at):
            break
        weight *= len(at) / plan.branches
        it.branch(states, at, stage)
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
    levels: list[float] = []
    shares: list[float] = []
    for stage in range(1, _MOST_LEVELS + 1):
        kept = it.branches.take(slice(None))
        lost, highest, _, _ = it.go(math.inf)
        if (lost > 0).mean() >= _REACH:
            break
        level = float(np.quantile(highest, 1 - _REACH, method="higher"))
        if levels and level <= levels[-1]:
            beyond = highest[highest > levels[-1]]
            if not len(beyond):
                break
            level = float(beyond.min())
        levels.append(level)
        # Once more from where the stage began, up to the level found.
        it.again(kept, stage - 1)
        _, _, states, at = it.go(level)
        shares.append((shares[-1] if shares else 1.0) * len(at) / it.count)
        if shares[-1] <= least:
            break
        it.branch(states, at, stage)
    return replace(plan, levels=tuple(levels)), shares
