"""The loss of a FIFO that no chain can follow, by importance splitting.

Runs that come close to a loss are gone on with many times, each time with draws of their own, and
count for less in the same measure. How close a run is: the slots taken. Each level of it that is
reached for the first time ends a stage; the next one begins so many branches from the runs that
have reached it (fixed effort, over fixed spans: M. J. J. Garvels, The splitting method in rare
event simulation, Twente 2000, and P. L'Ecuyer et al., ACM TOMACS 17(2), 2007; both from memory).
Losses are counted wherever they happen, so that the mean is right whatever the levels are; these
decide only how far one round is off. They are found by a round of their own, whose draws nobody
else uses.

Rounds are independent: the interval is Student's over rounds.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import stdtrit

from simlink.engines.batch.branch_draws import Stage
from simlink.engines.batch.branching import Branches, RingError, State, refuse
from simlink.figures.intervals import CONFIDENCE
from simlink.rare.survival import independent, survival
from simlink.running.spread import spread
from simlink.scenario.composite import Mixture, TwoState
from simlink.scenario.recorded import Recorded

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from simlink.base.instants import Times
    from simlink.scenario.distributions import Distribution
    from simlink.scenario.schema import Scenario

#: Branches of a stage.
BRANCHES = 2048
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
#: Rounds between two looks at the interval, the fewest and the most.
_FEWEST, _MOST = 16, 256
#: Half the interval, as a share of the value, unless said.
USUAL_ERROR = 0.2


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
    """

    warm: int
    span: int
    branches: int = BRANCHES
    levels: tuple[float, ...] = ()


@dataclass(frozen=True)
class SplitLoss:
    """The share of triggers whose frame finds no free slot (of a master that stalls: missed ones).

    Attributes
    ----------
    value : float or None
        The mean over rounds; None where no round came to a loss.
    low, high : float or None
        The interval.
    confidence : float
        How often such an interval covers.
    rounds : int
        Independent rounds.
    plan : Plan
        How each goes: its levels, and which conversions the loss is of.
    conversions : int or None
        Of a run from an empty FIFO; None for the long run.
    rows_only : tuple of str
        Sources that are recordings, of which only the row at the start is drawn.
    """

    value: float | None
    low: float | None
    high: float | None
    confidence: float
    rounds: int
    plan: Plan
    conversions: int | None
    rows_only: tuple[str, ...]

    @property
    def error(self) -> float:
        """Half the interval as a share of the value; infinite where nothing was seen."""
        if not self.value or self.low is None or self.high is None:
            return math.inf
        return (self.high - self.low) / 2 / self.value


def split_loss(
    scenario: Scenario,
    *,
    error: float = USUAL_ERROR,
    conversions: int | None = None,
    most: int = _MOST,
    branches: int = BRANCHES,
    workers: int = 1,
    executor: Executor | None = None,
    progress: Callable[[SplitLoss], object] | None = None,
    report: Callable[[str], object] | None = None,
) -> SplitLoss:
    """Estimate the loss of a scenario's FIFO by importance splitting.

    Parameters
    ----------
    scenario : Scenario
        A remote master with a FIFO.
    error : float
        Half the 95 % interval that is enough, as a share of the value.
    conversions : int, optional
        The mean loss of so many conversions from an empty FIFO; of the long run when left out.
    most : int
        Rounds at most.
    branches : int
        Of each stage.
    workers, executor
        As `running.spread.spread` takes them.
    progress : callable, optional
        Called with what is known now and then.
    report : callable, optional
        Called with a line that says how long it takes.

    Raises
    ------
    NoBranchesError
        Where the scenario cannot be branched.
    """
    refuse(scenario)
    began = time.monotonic()
    plan = find_levels(scenario, spans(scenario, conversions, branches))
    if report is not None:
        # Finding the levels walks each stage twice.
        each = (time.monotonic() - began) / 2
        least, longest = (each * many / workers for many in (min(_FEWEST, most), most))
        levels = f"{len(plan.levels)} levels"
        report(f"{levels}; about {least:.0f} s, and up to {longest:.0f} s for a close answer")
    found: list[float] = []
    while True:
        rounds = range(len(found), min(max(_FEWEST, 2 * len(found)), most))
        found += spread(
            partial(one_round, scenario, plan), rounds, workers=workers, executor=executor
        )
        answer = _answer(scenario, plan, conversions, found)
        if progress is not None:
            progress(answer)
        if answer.error <= error or len(found) >= most:
            return answer


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


def _answer(
    scenario: Scenario, plan: Plan, conversions: int | None, found: list[float]
) -> SplitLoss:
    losses = np.array(found)
    value, many = float(losses.mean()), len(losses)
    low = high = None
    if value > 0:
        width = float(stdtrit(many - 1, (1 + CONFIDENCE) / 2))
        width *= float(losses.std(ddof=1)) / math.sqrt(many)
        low, high = max(value - width, 0.0), min(value + width, 1.0)
    return SplitLoss(
        value if value > 0 else None, low, high, CONFIDENCE, many, plan, conversions,
        _recordings(scenario),
    )  # fmt: skip


def _recordings(scenario: Scenario) -> tuple[str, ...]:
    """Return the sources that replay a recording in order."""

    def replays(law: Any) -> bool:
        if isinstance(law, Recorded):
            return not law.is_constant
        return isinstance(law, Mixture | TwoState) and any(map(replays, law.laws))

    laws = {
        "trigger.jitter": scenario.trigger.jitter,
        "converter.conversion_time": scenario.converter.conversion_time,
        "remote_clock.start_delay": scenario.remote_clock.start_delay,
        "host.service_latency": scenario.host.service_latency,
    }
    return tuple(key for key, law in laws.items() if replays(law))


class _Round:
    """One round: stages from an empty FIFO on."""

    def __init__(self, scenario: Scenario, plan: Plan, number: int, name: str, ring: int) -> None:
        self.plan, self.number, self.name, self.seed = plan, number, name, scenario.seed
        self.count = plan.branches
        units = range(number * self.count, (number + 1) * self.count)
        self.branches = Branches(scenario, units, ring, left_of)
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
        reached, at = [branches.take(first)], [starts[first]]
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
                reached.append(branches.take(there))
                at.append(np.full(len(there), now + 1))
                under_way[there] = False
        joined = {name: np.concatenate([one[name] for one in reached]) for name in reached[0]}
        return lost, highest, joined, np.concatenate(at)

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


def _with_room(scenario: Scenario, work: Callable[[int], Any]) -> Any:
    """Do something with rings as long as it takes."""
    ring = 64
    while ring < 4 * scenario.fifo.depth:
        ring *= 2
    while True:
        try:
            return work(ring)
        except RingError:
            ring *= 2


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
    found: float = _with_room(scenario, lambda ring: _rounded(scenario, plan, number, ring))
    return found


def _rounded(scenario: Scenario, plan: Plan, number: int, ring: int) -> float:
    it = _Round(scenario, plan, number, "split", ring)
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
    found: Plan = _with_room(scenario, lambda ring: _with_levels(scenario, plan, ring))
    return found


def _with_levels(scenario: Scenario, plan: Plan, ring: int) -> Plan:
    it = _Round(scenario, plan, 0, "levels", ring)
    levels: list[float] = []
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
        if not len(at):
            break
        it.branch(states, at, stage)
    return replace(plan, levels=tuple(levels))
