"""Rows of the barrier's channels: what they carry, and how many of them there are."""

from __future__ import annotations

from fractions import Fraction

from simlink.base.wording import many
from simlink.scenario.quantities import PARTS
from simlink.verdict.limit import Limit
from simlink.verdict.seen import Seen, row, unique
from simlink.verdict.wording import boards_that


def rows(seen: Seen) -> list[Limit]:
    """Return the rows of the line rate and of the isolation channels."""
    return [*_line_rate(seen), *_signals(seen)]


def _signals(seen: Seen) -> list[Limit]:
    """Return whether there are as many channels as the scheme isolates signals, if that is said."""
    signals = seen.budget.signals
    if signals.at_hand is None:
        return []
    named = [f"{many} {name}" for name, many in {**signals.forward, **signals.back}.items()]
    return [
        row(
            "channels",
            keys=("barrier.channels", "frame.lanes"),
            limit=Fraction(signals.at_hand),
            worst=Fraction(signals.count),
            broken=f"it isolates {', '.join(named)}" if signals.missing else "",
            proven="" if signals.missing else "counted",
        )
    ]


def _line_rate(seen: Seen) -> list[Limit]:
    """Return the row of the channel that is asked for most of its line rate, if any has one."""
    budget = seen.budget
    if not budget.rules:
        return []
    law = seen.scenario.remote_clock.tolerance
    off = Fraction(law.support[1]) if seen.remote else Fraction(0)
    fastest = budget.clock * (1 + off / PARTS)
    rule = max(budget.rules, key=lambda rule: rule.per_clock / rule.line_rate)
    worst = rule.per_clock * fastest
    broken = possible = ""
    if worst > rule.line_rate:
        drawn = seen.drawn(law, "remote_clock.tolerance")
        over = rule.per_clock * float(budget.clock) * (1 + drawn / PARTS) > float(rule.line_rate)
        if over.any():
            broken = f"{boards_that('break', over)} it"
        else:
            possible = f"at the fastest clock, which none of {many(len(over), 'board')} has"
    return [
        row(
            "line_rate",
            f"{rule.name.removeprefix('the ')} line rate",
            keys=unique(rule.key, budget.clock_key),
            limit=rule.line_rate,
            worst=worst,
            broken=broken,
            proven="from the clock at its fastest" if worst <= rule.line_rate else "",
            possible=possible,
        )
    ]
