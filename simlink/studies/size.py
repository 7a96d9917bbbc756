"""Sizing a link: the smallest FIFO, the earliest release or the highest rate that meets a target.

This is the public way in: ``size(scenario, at_most=1e-6).answer``.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import closing
from fractions import Fraction
from typing import TYPE_CHECKING

from simlink.base.errors import InputError
from simlink.engines.choice import choose
from simlink.proofs import bounds
from simlink.studies.cycles_seen import Losses, cycles_are_independent
from simlink.studies.sizing import Ladder, Search
from simlink.studies.sizing_jobs import Runs
from simlink.studies.sizing_result import KINDS, Kind, Sizing

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from simlink.scenario.schema import Scenario

#: Conversions for one value unless said, as multiples of 1 / target, and the most and least.
_BUDGET, _MOST_BUDGET, _LEAST_BUDGET = 1000, 10**9, 10**6
_DEEPEST = 10**6
#: Neighbouring trigger rates of the ladder differ by this.
RATE_STEP = 0.02
_RATES = 2000

Progress = Callable[[str, int], None]
Build = Callable[[int], "tuple[int | float, Scenario]"]


#: A search is about that many runs, as far as the choice of an engine goes.
MANY = 1000


def size(
    scenario: Scenario,
    sought: str = "depth",
    *,
    at_most: float,
    confidence: float = 0.95,
    budget: int | None = None,
    trials: int | None = None,
    engine: str = "auto",
    workers: int | None = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> Sizing:
    """Find the smallest depth, the smallest release threshold or the highest rate that will do.

    Parameters
    ----------
    scenario : Scenario
        What to size; its own value of the key that is sized does not count.
    sought : {"depth", "release-bits", "trigger-rate"}
        What to size.
    at_most : float
        The share of conversions that may be lost: to overrun (depth), to underrun
        (release-bits), to overrun or missed triggers (trigger-rate).
    confidence : float
        How sure the answer shall be; all looks at the data together keep it.
    budget : int, optional
        The most conversions for one value; when left out 1000 / at_most (or what six units in
        at_most come to, if only whole units count), from 1e6 to 1e9.
    trials : int, optional
        The most units for one value; the budget is then trials x conversions.
    engine : {"auto", "event", "batch"}
        Which engine.
    workers : int, optional
        Processes; as many as there are processors when left out. The result does not depend on
        it.
    executor : concurrent.futures.Executor, optional
        Where to run the units instead.
    progress : callable, optional
        Called with the value under test and the conversions simulated so far.

    Returns
    -------
    Sizing
        Interrupted (Ctrl-C), it holds what was found so far.

    Raises
    ------
    InputError
        If the question makes no sense for the scenario.
    """
    kind = _checked(scenario, sought, at_most, confidence, budget, trials)
    chosen, _ = choose(engine, scenario, runs=MANY)
    by_cycle = cycles_are_independent(scenario)
    if trials is not None:
        budget = trials * scenario.conversions
    elif budget is None:
        # Where only whole units count, it takes about 4 / target of them that lose nothing.
        many = _BUDGET if by_cycle else max(_BUDGET, 6 * scenario.conversions)
        budget = round(min(max(many / at_most, _LEAST_BUDGET), _MOST_BUDGET))
    most_units = trials or max(1, min(budget // scenario.conversions, 10**7))
    exact = not scenario.is_random
    found = Sizing(
        scenario,
        sought,
        kind.figure,
        at_most,
        confidence,
        "exact" if exact else "cycles" if by_cycle else "trials",
        scenario.conversions,
        budget,
        engine=chosen.name,
    )
    ladder, build = _ladder(scenario, sought, found)

    def observe(at: int, start: int, stop: int) -> Losses:
        value, candidate = build(at)
        found.values[at] = value
        whole = Losses()
        for part in runs.spread(candidate, start, stop):
            whole.merge(part)
            found.used += part.sent
            if progress is not None:
                progress(found.text_of(value), found.used)
        return whole

    search = Search(
        observe,
        ladder,
        target=at_most,
        confidence=confidence,
        conversions=scenario.conversions,
        most_units=most_units,
        by_cycle=by_cycle,
        exact=exact,
    )
    with closing(Runs(chosen.name, kind.fates, by_cycle, workers, executor)) as runs:
        try:
            search.run()
        except KeyboardInterrupt:
            found.interrupted = True
    _fill(found, search, build)
    return found


def _fill(found: Sizing, search: Search, build: Build) -> None:
    found.points = [search.points[at] for at in sorted(search.points)]
    for point in found.points:
        found.values.setdefault(point.at, build(point.at)[0])
    found.at = search.answer
    found.answer = None if search.answer is None else found.values[search.answer]
    found.settled = search.settled
    found.supported = search.supported or search.answer is not None
    if search.answer is None:
        found.needed = search.needed


def _checked(
    scenario: Scenario,
    sought: str,
    at_most: float,
    confidence: float,
    budget: int | None,
    trials: int | None,
) -> Kind:
    name = scenario.name
    if sought not in KINDS:
        raise InputError("--for", None, f'"{sought}"', f"one of {', '.join(KINDS)}")
    if not 0 < at_most < 1:
        raise InputError("the target", None, f"{at_most}", "a share above 0 and below 1")
    if not 0.5 <= confidence < 1:
        raise InputError("--confidence", None, f"{confidence}", "from 0.5 to below 1")
    for option, value in (("--budget", budget), ("--trials", trials)):
        if value is not None and value < 1:
            raise InputError(option, None, str(value), "a whole number from 1")
    if sought == "depth" and scenario.fifo.when_full == "stall":
        raise InputError(
            name,
            "fifo.when_full",
            '"stall"',
            "nothing overruns, so there is no depth to find; size the trigger-rate instead",
        )
    if sought == "trigger-rate" and scenario.trigger.rate is None:
        raise InputError(name, "trigger.rate", None, "after_read has no rate to size")
    return KINDS[sought]


def _ladder(scenario: Scenario, sought: str, found: Sizing) -> tuple[Ladder, Build]:
    """Return the ladder of a question, and what makes a scenario of one of its values."""
    if sought == "trigger-rate":
        assert scenario.trigger.rate is not None
        base = scenario.trigger.rate.value
        rates: dict[int, Fraction] = {}

        def rate(at: int) -> tuple[float, Scenario]:
            if at == 0:
                return float(base), scenario
            if at not in rates:
                rates[at] = Fraction(f"{float(base) * (1 + RATE_STEP) ** -at:.4g}")
            text = f"{float(rates[at]):.12g} Hz"
            return float(rates[at]), scenario.with_value("trigger.rate", text)

        proven = _proven_rate(rate, found)
        return Ladder(-_RATES, _RATES, 0, proven), rate
    key = KINDS[sought].key

    def whole(at: int) -> tuple[int, Scenario]:
        return at, scenario.with_value(key, at)

    proven = None
    try:
        if sought == "depth":
            found.bound = bound = bounds.depth_bound(scenario)
            proven = bound.depth
        else:
            found.bound = proven = bounds.release_bound(scenario)
    except bounds.UnboundedError as why:
        found.no_bound = str(why)
    if sought == "depth":
        low = scenario.host.watermark
        return Ladder(low, _DEEPEST, low, proven), whole
    return Ladder(1, scenario.bits_per_lane, 1, proven), whole


def _proven_rate(rate: Build, found: Sizing) -> int | None:
    """Return the first value of the ladder of rates that is proven to lose nothing."""

    def keeps(at: int) -> bool:
        try:
            return bounds.keeps_rate(rate(at)[1])
        except bounds.UnboundedError as why:
            found.no_bound = str(why)
        except InputError:
            pass  # so slow that a trial would be too long
        return False

    step = 1
    if keeps(0):
        good, bad = 0, -step
        while bad > -_RATES and keeps(bad):
            good, step = bad, 2 * step
            bad -= step
    else:
        good, bad = step, 0
        while not keeps(good):
            bad, step = good, 2 * step
            good += step
            if good > _RATES:
                return None
    while good - bad > 1:
        middle = (good + bad) // 2
        good, bad = (middle, bad) if keeps(middle) else (good, middle)
    found.bound, found.no_bound = rate(good)[0], ""
    return good
