"""Sizing a link: the smallest FIFO, the earliest release or the highest rate that meets a target.

This is the public way in: ``size(scenario, at_most=1e-6).answer``.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import Executor
from contextlib import closing
from functools import partial

from simlink.base.errors import InputError
from simlink.engines.choice import choose, remark
from simlink.link.transient import upsets
from simlink.proofs import bounds
from simlink.proofs.ends import UnboundedError
from simlink.proofs.release import release_bound
from simlink.scenario.needs import need_fifo
from simlink.scenario.require import CONFIDENCE, is_confidence
from simlink.scenario.schema import Scenario
from simlink.studies.cycles_seen import Counter, Losses, cycles_are_independent
from simlink.studies.interrupt import frames_pile_up, may_pile_up
from simlink.studies.ladder import Ladder, Point
from simlink.studies.lagging import lag_of
from simlink.studies.sizing import Search
from simlink.studies.sizing_jobs import Runs
from simlink.studies.sizing_rates import Rates
from simlink.studies.sizing_result import KINDS, Sizing

#: Conversions for one value unless said, as multiples of 1 / target, and the most and least.
_BUDGET, _MOST_BUDGET, _LEAST_BUDGET = 1000, 10**9, 10**6
_DEEPEST = 10**6

Progress = Callable[[str, int], object]
Report = Callable[[str], object]
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
    report: Report | None = None,
    beyond_proof: bool = False,
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
        (release-bits), to anything at all, bits read early or wrong and a cut acquisition
        included (trigger-rate).
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
    report : callable, optional
        Called with a line before the search, saying what it will cost, and one for each value.
    beyond_proof : bool
        Whether to go on by simulation where a value is proven to do: to a smaller one, or a
        higher rate, that meets the target. Without it a proof is the answer, and nothing is
        simulated.

    Returns
    -------
    Sizing
        Interrupted (Ctrl-C), it holds what was found so far.

    Raises
    ------
    InputError
        If the question makes no sense for the scenario.
    """
    _check(scenario, sought, at_most, confidence, budget, trials)
    chosen, _ = choose(engine, scenario, runs=MANY)
    rate = sought == "trigger-rate"
    # A missed trigger or a cut acquisition belongs to the cycle before too.
    by_cycle = cycles_are_independent(scenario) and not (
        rate and scenario.trigger.pattern == "poisson"
    )
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

    def decided(point: Point) -> None:
        if report is not None:
            found.values.setdefault(point.at, build(point.at)[0])
            report(found.line_of(point))

    search = Search(
        observe,
        ladder,
        target=at_most,
        confidence=confidence,
        conversions=scenario.conversions,
        most_units=most_units,
        by_cycle=by_cycle,
        exact=exact,
        beyond=beyond_proof,
        decided=decided,
    )
    if report is not None:
        report(found.cost_line(search.cost))
        said = remark(chosen.name, scenario) if search.cost else None
        if said is not None:
            report(said)
    counter = partial(Counter, fates=found.kind.fates, by_cycle=by_cycle, unsettled=rate)
    with closing(Runs(chosen.name, counter, workers, executor)) as runs:
        try:
            search.run()
        except KeyboardInterrupt:
            found.interrupted = True
    _fill(found, search, build)
    if found.at is not None and not found.is_proven and sought != "release-bits":
        candidate = build(found.at)[1]
        if may_pile_up(candidate) and frames_pile_up(candidate, chosen.name):
            found.piles_up = True
            found.at = found.answer = None
    if sought == "depth" and found.at is not None and not found.is_proven:
        found.lag = lag_of(build(found.at)[1], chosen.name)
    return found


def _fill(found: Sizing, search: Search, build: Build) -> None:
    found.points = [search.points[at] for at in sorted(search.points)]
    for point in found.points:
        found.values.setdefault(point.at, build(point.at)[0])
    found.at = search.answer
    found.answer = None if search.answer is None else found.values[search.answer]
    found.settled = search.settled
    found.none_will = search.guess is None and not found.interrupted and not found.meets
    found.supported = search.supported or search.answer is not None
    if search.answer is None:
        needed = search.needed
        # As many as there were, and they were not enough, would not do another time.
        enough = needed is not None and found.supported and needed <= found.budget
        found.needed = None if enough else needed


def _check(
    scenario: Scenario,
    sought: str,
    at_most: float,
    confidence: float,
    budget: int | None,
    trials: int | None,
) -> None:
    name = scenario.name
    if sought not in KINDS:
        raise InputError("--for", None, f'"{sought}"', f"one of {', '.join(KINDS)}")
    if KINDS[sought].of_fifo:
        need_fifo(scenario)
    if upsets(scenario):
        said = "sizing asks for none that can upset a channel: what they lose, no size gives back"
        raise InputError(name, "transient", None, said)
    if not 0 < at_most < 1:
        raise InputError("the target", None, f"{at_most}", "a share above 0 and below 1")
    if not is_confidence(confidence):
        raise InputError("--confidence", None, f"{confidence}", CONFIDENCE)
    for option, value in (("--budget", budget), ("--trials", trials)):
        if value is not None and value < 1:
            raise InputError(option, None, str(value), "a whole number from 1")
    if sought == "depth" and scenario.fifo.when_full == "stall":
        said = "nothing overruns, so there is no depth to find; size the trigger-rate instead"
        raise InputError(name, "fifo.when_full", '"stall"', said)
    if sought == "trigger-rate" and scenario.trigger.rate is None:
        raise InputError(name, "trigger.rate", None, "after_read has no rate to size")
    if sought == "trigger-rate" and scenario.trigger.burst_length == 1:
        said = "trigger.gap alone spaces such bursts, not the rate"
        raise InputError(name, "trigger.burst_length", "1", said)


def _ladder(scenario: Scenario, sought: str, found: Sizing) -> tuple[Ladder, Build]:
    """Return the ladder of a question, and what makes a scenario of one of its values."""
    if sought == "trigger-rate":
        rates = Rates(scenario, found.target)
        if rates.proven is None:
            found.no_bound = rates.no_bound
        else:
            found.bound = float(rates.rate(rates.proven))
        return Ladder(rates.low, rates.high, max(rates.low, 0), rates.proven), rates.build
    key = KINDS[sought].key

    def whole(at: int) -> tuple[int, Scenario]:
        return at, scenario.with_value(key, at)

    proven = None
    try:
        if sought == "depth":
            found.bound = bound = bounds.depth_bound(scenario)
            proven = bound.depth
        else:
            found.bound = proven = release_bound(scenario)
    except UnboundedError as why:
        found.no_bound = str(why)
    if sought == "depth":
        low = scenario.host.watermark
        return Ladder(low, _DEEPEST, low, proven), whole
    return Ladder(1, scenario.bits_per_lane, 1, proven), whole
