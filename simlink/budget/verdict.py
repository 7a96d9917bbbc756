"""Which scheme meets the rate, and which term is at fault, by how much, where one does not."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from simlink.base.instants import FS_PER_SECOND
from simlink.budget import rates, units, wording
from simlink.budget.terms import Margin

if TYPE_CHECKING:
    from simlink.budget.compare import SchemeBudget
    from simlink.scenario.schema import Scenario


@dataclass(frozen=True)
class Judgement:
    """Whether a scheme meets the scenario's rate (None: it asks for none), and why."""

    meets: bool | None
    why: str


def judge(budget: SchemeBudget) -> Judgement:
    """Judge a scheme at its own clock or, where that is too fast, at the highest that will do."""
    missing = budget.signals.missing
    if budget.used is None:
        return Judgement(False, _no_clock(budget))
    if missing:
        return Judgement(
            False,
            f"it isolates {budget.signals.count} signals and barrier.signals is "
            f"{budget.signals.at_hand}, {missing} too few",
        )
    periods = trigger_periods(budget.scenario)
    if periods is None:
        assert budget.sample_rate is not None
        return Judgement(None, f"up to {wording.clock(budget.sample_rate)} {_at(budget)}")
    cycles = budget.cycles()
    over = [one for one in cycles if one.decisive > periods[one.buffered]]
    if over:
        worst = max(over, key=lambda one: one.decisive - periods[one.buffered])
        return Judgement(False, _too_long(budget, worst, periods[worst.buffered]))
    for one in cycles:
        if one.buffered or not one.unbounded:
            continue
        # Nothing waits in front of the converter: a cycle that is too long costs a trigger.
        kept = one.in_time(periods[0], budget.scenario.seed)
        said = f"{one.unbounded[0]} has no bound, and {wording.share(kept)} of cycles fit"
        if kept < budget.wanted:
            return Judgement(False, f"{_at(budget)} {said} the trigger period")
        return Judgement(True, f"{_at(budget)} ({said})")
    return Judgement(True, _at(budget))


def trigger_periods(scenario: Scenario) -> tuple[Fraction, Fraction] | None:
    """Return the time for one frame, in fs: between triggers, and on average.

    None when triggers wait for the host, so that no rate is asked for.
    """
    trigger = scenario.trigger
    if trigger.rate is None:
        return None
    fastest = trigger.rate.value * (1 + Fraction(trigger.tolerance.support[1]) / 10**12)
    spacing = average = FS_PER_SECOND / fastest
    if trigger.pattern == "burst" and trigger.burst_length and trigger.gap is not None:
        whole = spacing * (trigger.burst_length - 1) + Fraction(trigger.gap.mean)
        average = whole / trigger.burst_length
    return spacing, average


def sentence(budgets: list[SchemeBudget]) -> str:
    """Return in one sentence which scheme meets the rate and why the others do not."""
    found = [(one.name, judge(one)) for one in budgets]
    rate = budgets[0].scenario.trigger.rate
    if rate is None:
        said = []
        for name, one in found:
            said.append(f"the {name} {'works' if one.meets is None else 'does not'}: {one.why}")
        return f"No rate is asked for, since triggers wait for the host; {'; '.join(said)}."
    good = [f"the {name} meets {{rate}} {one.why}" for name, one in found if one.meets]
    bad = [f"the {name} does not: {one.why}" for name, one in found if not one.meets]
    start = "; ".join(good) if good else "no scheme meets {rate}"
    text = "; ".join([start, *bad]).replace("{rate}", wording.clock(rate.value)) + "."
    return text[0].upper() + text[1:]


def refusals(budget: SchemeBudget, clock: Fraction) -> list[str]:
    """Return all that a clock in Hz breaks, each with the term at fault and by how much."""
    found = []
    never = budget.worst.never if budget.has_worst_case else ()
    for margin in budget.margins:
        short = shortfall(budget, margin, clock)
        if short <= 0:
            continue
        cure = ""
        if margin.name in never:
            cure = ", and no clock cures it"
        elif margin.periods < 0:
            cure = ", and a faster clock is needed"
        found.append(
            f"{margin.name} is {wording.time(short)} short at {wording.clock(clock)}{cure}: "
            f"{_fault(budget, margin)}; {margin.means}"
        )
    for rule in budget.rules:
        refusal = rule.refusal(clock)
        if refusal is not None:
            found.append(refusal)
    signals = budget.signals
    if signals.missing:
        found.append(
            f"{signals.count} isolated signals are {signals.missing} more than barrier.signals = "
            f"{signals.at_hand}"
        )
    return found


def shortfall(budget: SchemeBudget, margin: Margin, clock: Fraction) -> Fraction | float:
    """Return how far a margin is from being kept at a clock in Hz, in fs; below 0 if it is kept.

    By the worst case; where a term has no bound, by what all but the lost share of units leave.
    """
    if not margin.unbounded:
        return -margin.left_at_worst(clock, budget.ber)
    return -spread_left(margin, clock, budget.ber, budget.wanted)


def spread_left(margin: Margin, clock: Fraction, ber: float, wanted: float) -> float:
    """Return what a margin leaves in the wanted share of units, by the normal law, in fs."""
    from scipy.special import ndtri

    found = units.moments(margin, ber).at(clock)
    sigma = math.hypot(found.sigma, found.lane_sigma)
    beyond = float(ndtri(wanted ** (1 / found.lanes))) * sigma
    return found.mean - beyond


def _fault(budget: SchemeBudget, margin: Margin) -> str:
    """Name the term that takes the most of a margin."""
    total = margin.worst(budget.ber)
    if margin.unbounded:
        wide = max(margin.unbounded, key=lambda term: sum(law.variance for law in term.laws))
        return f"{wide.name} ({wide.key}) has no bound"
    term, jitter = margin.largest, margin.random(budget.ber)
    if term is None or jitter > term.worst:
        if jitter:
            return f"random jitter takes {wording.time(jitter)} at {budget.ber:g}"
        given = [one for one in margin.terms if one.enters == "minus"]
        least = min(given, key=lambda one: one.worst, default=margin.terms[0])
        return f"{least.name} ({least.key}) gives {wording.time(-least.worst)}"
    of = f" of {wording.time(total)}" if total > term.worst else ""
    return f"{term.name} ({term.key}) takes {wording.time(term.worst)}{of}"


def _at(budget: SchemeBudget) -> str:
    assert budget.used is not None
    if budget.used == budget.clock:
        return f"at {wording.clock(budget.clock)}"
    return f"slowed to {wording.clock(budget.used)} by {_by(budget)}"


def _by(budget: SchemeBudget) -> str:
    """Name what holds a scheme's clock down."""
    if not budget.has_worst_case:
        low = min(budget.yields.normal, key=lambda name: budget.yields.normal[name])
        return f"{low} ({_fault(budget, budget.margin(low))})"
    name = budget.worst.by
    margins = {margin.name: margin for margin in budget.margins}
    return f"{name} ({_fault(budget, margins[name])})" if name in margins else name


def _no_clock(budget: SchemeBudget) -> str:
    """Say why no clock up to the given one will do."""
    if not budget.has_worst_case:
        low = min(budget.yields.normal, key=lambda name: budget.yields.normal[name])
        margin = budget.margin(low)
        left = spread_left(margin, budget.clock, budget.ber, budget.wanted)
        return (
            f"no clock lets {wording.share(budget.wanted)} of units work; {low} is "
            f"{wording.time(max(-left, 0))} short at {wording.clock(budget.clock)}, and "
            f"{_fault(budget, margin)}"
        )
    window = budget.worst
    if window.never:
        margin = budget.margin(window.never[0])
        lacking = margin.reach(budget.ber).short
        assert lacking is not None
        return (
            f"{margin.name} is {wording.time(lacking)} short at any clock: {_fault(budget, margin)}"
        )
    assert window.lowest is not None
    margin = budget.margin(window.low_by)
    at = budget.clock if window.highest is None else min(window.highest, budget.clock)
    short = shortfall(budget, margin, at)
    why = f"{margin.name} is {wording.time(short)} short at {wording.clock(at)}"
    if not window.is_open:
        return f"no clock is slow enough for {window.by} and fast enough for {window.low_by}: {why}"
    return f"it needs at least {wording.clock(window.lowest, upwards=True)}: {why}"


def _too_long(budget: SchemeBudget, cycle: rates.Cycle, period: Fraction) -> str:
    """Say by how much a cycle is too long, and what takes the time."""
    over = cycle.decisive - period
    mean = cycle.decisive == cycle.nominal
    span = max(cycle.spans, key=lambda one: one.nominal if mean else one.worst)
    takes = span.nominal if mean else span.worst
    held, fits = "", ""
    if not cycle.buffered and not mean:
        share = cycle.in_time(period, budget.scenario.seed)
        fits = f" ({wording.share(share)} of cycles fit)" if share > 0 else ""
    assert budget.used is not None
    if budget.used < budget.clock and cycle.side == "converter":
        held = f"held to {wording.clock(budget.used)} by {_by(budget)}, "
    side = {"host": "the host's read", "return line": "the return line"}.get(
        cycle.side, "the converter's cycle"
    )
    upto = "" if mean else "up to "
    return (
        f"{held}{side} takes {upto}{wording.time(cycle.decisive)}, {wording.time(over)} longer "
        f"than the trigger period{fits}; {span.name} is the most of it, {wording.time(takes)}"
    )
