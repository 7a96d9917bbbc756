"""Rows of the barrier's channels: what they carry, and how many of them there are."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from simlink.budget.terms import Term
from simlink.scenario.quantities import PARTS
from simlink.verdict.limit import Limit
from simlink.verdict.seen import Seen, row, unique

if TYPE_CHECKING:
    from simlink.budget.channels import Rule


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
            "isolation channels",
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
    tolerance = law if seen.remote else None
    off = Fraction(0) if tolerance is None else Fraction(tolerance.support[1])
    fastest = budget.clock * (1 + off / PARTS)

    def asked(rule: Rule) -> Fraction:
        return rule.per_clock * fastest / rule.line_rate

    rule = max(budget.rules, key=asked)
    worst = rule.per_clock * fastest
    broken = possible = ""
    if worst > rule.line_rate:
        key = "remote_clock.tolerance"
        term = Term("clock tolerance", key, (law,), (key,))
        drawn = np.asarray(term.of(seen.built.values([term])))
        over = rule.per_clock * float(budget.clock) * (1 + drawn / PARTS) > float(rule.line_rate)
        count = int(np.broadcast_to(over, (seen.built.count,)).sum())
        if count:
            broken = f"{count} of {seen.built.count} boards break it"
        else:
            possible = f"at the fastest clock, which none of {seen.built.count} boards has"
    return [
        row(
            "line_rate",
            f"{rule.name.removeprefix('the ')} line rate",
            "bit/s",
            keys=unique(rule.key, budget.clock_key),
            limit=rule.line_rate,
            worst=worst,
            broken=broken,
            proven="from the clock at its fastest" if worst <= rule.line_rate else "",
            possible=possible,
        )
    ]
