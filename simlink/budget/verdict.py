"""Which scheme meets the rate, and which term is at fault, by how much, where one does not."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

from simlink.base.instants import FS_PER_SECOND
from simlink.base.wording import clock_limit, most_of, percent, short_time
from simlink.budget import loop
from simlink.budget.scheme import SchemeBudget
from simlink.budget.window import window_of
from simlink.figures.cycle import Cycle, late_jitter, shortest_spacing


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
            f"it takes {budget.signals.count} channels and barrier.channels is "
            f"{budget.signals.at_hand}, {missing} too few",
        )
    cycles = budget.cycles()
    if cycles[0].shortest is None:
        return _of_loop(budget)
    worst = max(cycles, key=lambda one: _over(budget, one))
    if _over(budget, worst) > 0:
        return Judgement(False, _too_long(budget, worst))
    # Nothing waits in front of the converter: a cycle that is too long costs a trigger.
    converter = cycles[0]
    if budget.scenario.trigger.pattern == "poisson":
        return Judgement(False, _at_random(budget, converter))
    notes = []
    if converter.unbounded:
        kept = converter.in_time(_spacing(budget, converter), budget.scenario.seed)
        said = f"{converter.unbounded[0]} has no bound, and {most_of(kept)} of cycles fit"
        if kept < budget.wanted:
            return Judgement(False, f"{_at(budget)} {said} {_interval(budget, converter)}")
        notes.append(said)
    elif math.isinf(budget.jitter):
        notes.append("the jitter between triggers has no bound, and is left aside")
    if any(one.side == "host" for one in cycles):
        notes.append("the FIFO's depth is judged by a run")
    return Judgement(True, _at(budget) + (f" ({'; '.join(notes)})" if notes else ""))


def complaints(budget: SchemeBudget) -> list[str]:
    """Return why a scheme does not meet the rate: each cycle that is too long, not the worst alone.

    Empty if it does, or if the scenario asks for none and the loop goes round.
    """
    found = judge(budget)
    if found.meets is not False:
        return []
    late = []
    if budget.used is not None and not budget.signals.missing:
        timed = [one for one in budget.cycles() if one.shortest is not None]
        late = [_too_long(budget, one) for one in timed if _over(budget, one) > 0]
    return late or [found.why]


def _of_loop(budget: SchemeBudget) -> Judgement:
    """Judge a scheme whose triggers wait for the host, so that they have no rate to meet."""
    way = budget.latency
    assert way is not None
    if budget.loop_fault:
        return Judgement(False, f"{budget.loop_fault}, {_at(budget)}")
    turn = loop.turn(budget.scenario, way)
    return Judgement(
        None,
        f"one trigger in {short_time(turn)} on average, {clock_limit(FS_PER_SECOND / turn)}, "
        f"{_at(budget)}",
    )


def _spacing(budget: SchemeBudget, cycle: Cycle) -> Fraction:
    """Return the time that a cycle has: between the closest triggers, or on average."""
    assert cycle.shortest is not None
    closest = shortest_spacing(budget.scenario)
    random = budget.scenario.trigger.pattern == "poisson"
    if cycle.buffered or random or closest is None or math.isinf(closest):
        return cycle.shortest
    return Fraction(closest)


def _interval(budget: SchemeBudget, cycle: Cycle) -> str:
    """Name the time that a cycle has; with its length where triggers have no one period."""
    assert cycle.shortest is not None
    assert cycle.period is not None
    left, pattern = _left(budget, cycle), budget.scenario.trigger.pattern
    if cycle.buffered and pattern != "periodic":
        return f"the {short_time(left)} between triggers on average"
    if pattern == "burst" and left > 0:
        return f"the {short_time(left)} that the closest triggers leave"
    if pattern == "burst" or _spacing(budget, cycle) < cycle.shortest:
        return "the closest triggers leave"
    return "the shortest trigger period" if cycle.shortest < cycle.period else "the trigger period"


def _over(budget: SchemeBudget, cycle: Cycle) -> Fraction | float:
    """Return how much longer a cycle is than the time that it has, in fs."""
    return cycle.decisive - _left(budget, cycle)


def _left(budget: SchemeBudget, cycle: Cycle) -> Fraction:
    """Return the time that a cycle has, less what jitter on its way may take, in fs."""
    late = Fraction(0)
    if cycle.decisive == cycle.largest and not cycle.buffered:
        jitter = late_jitter(budget.scenario, budget.scheme)
        late = Fraction(0) if math.isinf(jitter) else Fraction(jitter)
    return _spacing(budget, cycle) - late


def _at_random(budget: SchemeBudget, cycle: Cycle) -> str:
    assert cycle.period is not None
    near = -math.expm1(-float(cycle.mean / cycle.period)) if cycle.period else 1.0
    return (
        f"{_at(budget)} triggers at random come arbitrarily close together: about {percent(near)} "
        f"come within {short_time(cycle.mean)} of the one before"
    )


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
    text = "; ".join([start, *bad]).replace("{rate}", clock_limit(rate.value)) + "."
    return text[0].upper() + text[1:]


def _at(budget: SchemeBudget) -> str:
    assert budget.used is not None
    if budget.used == budget.clock:
        return f"at {clock_limit(budget.clock)}"
    return f"slowed to {clock_limit(budget.used)} by {_by(budget)}"


def _by(budget: SchemeBudget) -> str:
    """Name what holds a scheme's clock down."""
    lines = window_of((), budget.rules, None)
    if budget.used == lines.highest:
        return lines.by
    if not budget.has_worst_case:
        low = min(budget.yields.normal, key=lambda name: budget.yields.normal[name])
        return f"{low} ({budget.fault(budget.margin(low))})"
    name = budget.worst.by
    margins = {margin.name: margin for margin in budget.margins}
    return f"{name} ({budget.fault(margins[name])})" if name in margins else name


def _no_clock(budget: SchemeBudget) -> str:
    """Say why no clock up to the given one will do."""
    if not budget.has_worst_case:
        low = min(budget.yields.normal, key=lambda name: budget.yields.normal[name])
        margin = budget.margin(low)
        left = budget.spread_left(margin, budget.clock)
        return (
            f"no clock up to {clock_limit(budget.clock)} lets {most_of(budget.wanted)} of boards "
            f"work; {low} is {short_time(max(-left, 0))} short there, and {budget.fault(margin)}"
        )
    window = budget.worst
    if window.never:
        margin = budget.margin(window.never[0])
        lacking = margin.reach(budget.ber).short
        assert lacking is not None
        return f"{margin.name} is {short_time(lacking)} short at any clock: {budget.fault(margin)}"
    assert window.lowest is not None
    margin = budget.margin(window.low_by)
    at = budget.clock if window.highest is None else min(window.highest, budget.clock)
    short = budget.shortfall(margin, at)
    why = f"{margin.name} is {short_time(short)} short at {clock_limit(at)}"
    if not window.is_open:
        return f"no clock is slow enough for {window.by} and fast enough for {window.low_by}: {why}"
    return f"it needs at least {clock_limit(window.lowest, upwards=True)}: {why}"


def _too_long(budget: SchemeBudget, cycle: Cycle) -> str:
    """Say by how much a cycle is too long, and what takes the time."""
    over = _over(budget, cycle)
    mean = cycle.decisive == cycle.mean
    piece = max(cycle.pieces, key=lambda one: one.mean if mean else one.largest)
    takes = piece.mean if mean else piece.largest
    held, fits = "", ""
    if not cycle.buffered and not mean and cycle.shortest is not None:
        share = cycle.in_time(_spacing(budget, cycle), budget.scenario.seed)
        fits = f" ({most_of(share)} of cycles fit)" if share > 0 else ""
    assert budget.used is not None
    if budget.used < budget.clock and not cycle.buffered:
        held = f"held to {clock_limit(budget.used)} by {_by(budget)}, "
    side = {"host": "the host's read", "return line": "the return line"}.get(
        cycle.side, "the converter's cycle"
    )
    upto = "" if mean else "up to "
    return (
        f"{held}{side} takes {upto}{short_time(cycle.decisive)}, {short_time(over)} longer "
        f"than {_interval(budget, cycle)}{fits}; {piece.name} is the most of it, "
        f"{short_time(takes)}"
    )
