"""The loss of a FIFO that no chain can follow, by importance splitting.

Runs that come close to a loss are gone on with many times, each time with draws of their own, and
count for less in the same measure (`rare.rounds`). How close a run is: the slots taken.

Rounds are independent. A few of them, the pilot, say how many are needed; the answer comes from
as many others, so that their number depends on nothing that they find, and their mean stays
unbiased. (To go on until the interval is short enough would favour rounds that happen to agree,
and to find too little: rounds vary in proportion to what they find.) The interval is Student's
over rounds, for the logarithm of their mean: rounds are products of shares, hence skew, and it
covers better than the one that is as wide on either side. Its degrees of freedom are those of
`intervals.degrees`, fewer than rounds less one, for how much skew values vary is less well known.
"""

from __future__ import annotations

import math
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
from scipy.special import chdtri, stdtrit

from simlink.base import wording
from simlink.engines.batch.branching import refuse
from simlink.figures.intervals import CONFIDENCE, degrees
from simlink.rare.rounds import BRANCHES, Plan, find_levels, one_round, spans
from simlink.running.spread import spread
from simlink.running.workers import Workers
from simlink.scenario.composite import Mixture, TwoState
from simlink.scenario.recorded import Recorded

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from simlink.scenario.schema import Scenario

#: Rounds of the pilot, and those of the answer: the fewest and, unless said, the most.
PILOT = 10
_FEWEST, _MOST = 32, 400
#: How likely so many rounds are to be enough: the pilot does not know the spread exactly.
_SURE = 0.9
#: An interval wider than by this power of e either way says nothing.
_WIDEST = 50.0
#: Half the interval, as a share of the value, unless said.
USUAL_ERROR = 0.2


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
        Independent rounds that it comes from.
    plan : Plan
        How each goes: its levels, and which conversions the loss is of.
    conversions : int or None
        Of a run from an empty FIFO; None for the long run.
    rows_only : tuple of str
        Sources that are recordings, of which only the row at the start is drawn.
    spread : float or None
        The standard deviation of a round, as a share of the value.
    """

    value: float | None
    low: float | None
    high: float | None
    confidence: float
    rounds: int
    plan: Plan
    conversions: int | None
    rows_only: tuple[str, ...]
    spread: float | None = None

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
    confidence: float = CONFIDENCE,
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
        Half the interval that is enough, as a share of the value. It may come out wider, for
        the pilot does not know exactly how many rounds that takes.
    confidence : float
        How often the interval covers.
    conversions : int, optional
        The mean loss of so many conversions from an empty FIFO; of the long run when left out.
    most : int
        Rounds at most, beside the pilot.
    branches : int
        Of each stage.
    workers, executor
        As `running.spread.spread` takes them.
    progress : callable, optional
        Called with what the pilot and the answer know.
    report : callable, optional
        Called with lines that say how long it takes.

    Raises
    ------
    NoBranchesError
        Where the scenario cannot be branched.
    """
    began = time.monotonic()
    with pool_for(workers, executor) as there:
        pilot = first_look(
            scenario, confidence=confidence, conversions=conversions, branches=branches,
            workers=workers, executor=there,
        )  # fmt: skip
        if progress is not None:
            progress(pilot)
        many = rounds_for(pilot, error, most)
        if report is not None:
            each = (time.monotonic() - began) / (PILOT + 2 * workers)
            levels, rounds = len(pilot.plan.levels), wording.many(many, "round")
            report(f"{wording.many(levels, 'level')}; {rounds} in about {each * many:.0f} s more")
        answer = more_rounds(scenario, pilot, many, workers=workers, executor=there)
    if progress is not None:
        progress(answer)
    return answer


@contextmanager
def pool_for(workers: int, executor: Executor | None) -> Iterator[Executor | None]:
    """Keep worker processes over several calls of `spread`, unless there is an executor."""
    if executor is not None or workers == 1:
        yield executor
        return
    with Workers(workers) as pool:
        yield pool


def first_look(
    scenario: Scenario,
    *,
    confidence: float = CONFIDENCE,
    conversions: int | None = None,
    branches: int = BRANCHES,
    rounds: int = PILOT,
    like: Plan | None = None,
    workers: int = 1,
    executor: Executor | None = None,
) -> SplitLoss:
    """Return what the pilot finds.

    Parameters
    ----------
    scenario, confidence, conversions, branches, workers, executor
        As of `split_loss`.
    rounds : int
        Of the pilot, at most `PILOT`.
    like : Plan, optional
        One whose levels will do, of a FIFO about as deep; they are looked for when left out.
    """
    refuse(scenario)
    plan = spans(scenario, conversions, branches)
    if like is None:
        plan = find_levels(scenario, plan)
    else:
        levels = tuple(level for level in like.levels if level <= scenario.fifo.depth)
        plan = replace(plan, levels=levels, ring=like.ring)
    nothing = SplitLoss(
        None, None, None, confidence, 0, plan, conversions, _recordings(scenario)
    )  # fmt: skip
    return _over(scenario, nothing, range(rounds), workers, executor)


def rounds_for(
    pilot: SplitLoss,
    error: float,
    most: int = _MOST,
    sure: float = _SURE,
    fewest: int = _FEWEST,
) -> int:
    """Return how many rounds bring half the interval to a share of the value.

    As likely as ``sure``, were the logarithms of rounds normal: the variance that n of them show
    is then that of all times chi-square over n - 1.
    """
    if pilot.spread is None:
        return most
    needed = (_student(1000.0, pilot.confidence) * pilot.spread / error) ** 2
    free = pilot.rounds - 1
    return max(min(math.ceil(needed * free / chdtri(free, sure)), most), min(fewest, most))


def more_rounds(
    scenario: Scenario,
    pilot: SplitLoss,
    many: int,
    *,
    workers: int = 1,
    executor: Executor | None = None,
) -> SplitLoss:
    """Return what so many rounds beside the pilot's find."""
    return _over(scenario, pilot, range(PILOT, PILOT + many), workers, executor)


def _over(
    scenario: Scenario, before: SplitLoss, rounds: range, workers: int, executor: Executor | None
) -> SplitLoss:
    """Return what some rounds find, each with the plan of an earlier answer."""
    task = partial(one_round, scenario, before.plan)
    losses = np.array(list(spread(task, rounds, workers=workers, executor=executor)))
    value = float(losses.mean())
    if not value:
        return replace(before, value=None, low=None, high=None, rounds=len(rounds), spread=None)
    spread_of_one = float(losses.std(ddof=1)) / value
    reach = _student(degrees(losses - value), before.confidence) / math.sqrt(len(losses))
    factor = math.exp(min(reach * spread_of_one, _WIDEST))
    low, high = value / factor, min(value * factor, 1.0)
    return replace(
        before, value=value, low=low, high=high, rounds=len(rounds), spread=spread_of_one
    )


def _student(free: float, confidence: float) -> float:
    return float(stdtrit(free, (1 + confidence) / 2))


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
