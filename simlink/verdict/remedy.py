"""What to change so that a broken limit holds, and to which value; each is run before it is told.

What a designer can set comes first: a depth, a threshold, a clock, a capture, a timeout; the
trigger rate comes last, for it is what was asked for. A value is sought on the draws of the run,
rounded to the safe side to what one would write, and run: it has to mend the limit and to break
none that held.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from simlink.base.instants import FS_PER_SECOND
from simlink.base.wording import quantity, slew_text
from simlink.link.transient import enough, most_slew
from simlink.scenario.faults import written
from simlink.scenario.quantities import Rate
from simlink.scenario.schema import Scenario
from simlink.verdict.limit import EASED_BY_CLOCK, Limit, Remedy
from simlink.verdict.what_if import WhatIf, value_at

#: Remedies of one limit at the most.
_MOST = 2
#: How often a value is doubled, or halved, in search of one that mends.
_DOUBLINGS = 8
#: Halvings of what is left between a value that mends and one that does not, but for counts.
_HALVINGS = 6
#: How often a value goes further that holds over a short stretch only.
_WIDER = 6
_DIGITS = 3


@dataclass(frozen=True)
class Knob:
    """Something that can be set: a count, a clock, a time or a choice.

    `up` says whether more of it helps, `most` how much a count may be, `choice` what a choice is
    set to.
    """

    key: str
    kind: str
    up: bool = True
    most: int = 10**6
    choice: Any = None


def remedies_of(scenario: Scenario, limit: Limit, what_if: WhatIf) -> list[Remedy]:
    """Return what would mend a limit that does not hold, the cheapest first.

    Empty where nothing in reach does, or the stretch that can be repeated does not show it broken.
    """
    found: list[Remedy] = []
    if not what_if.shown:
        return found
    for knob in _knobs(scenario, limit):
        if len(found) == _MOST or (found and knob.key == "trigger.rate"):
            break
        value = _sought(scenario, knob, what_if)
        # What holds over a short stretch is run over a long one, before it is told.
        for _ in range(_WIDER):
            if value is None or what_if.cures({knob.key: value}):
                break
            value = _wider(knob, value, what_if)
        else:
            value = None
        if value is not None:
            text = f"{knob.key} = {written(value)}"
            proven = what_if.proves({knob.key: value})
            how = "is proven to hold" if proven else f"holds on {what_if.longest}"
            said = f"With {text} the limit of {limit.what} {how}, and none breaks that held"
            if knob.key == "fifo.depth" and not proven:
                said += "; other draws may need more: simlink size"
            said += "."
            found.append(Remedy(limit.key, ((knob.key, written(value)),), said, True))
    return found


def _knobs(scenario: Scenario, limit: Limit) -> Iterator[Knob]:
    """Give what may be set to mend a limit."""
    remote = scenario.link.scheme == "remote_master"
    clock = "remote_clock.frequency" if remote else "host.clock"
    key, host = limit.key, scenario.host
    slower = Knob(clock, "clock", up=False)
    if key == "upset":
        slew = most_slew(scenario)
        if limit.keys == ("barrier.slew_immunity",) and math.isfinite(slew):
            yield Knob(*limit.keys, "choice", choice=slew_text(enough(slew)))
        return
    if key == "fifo_depth":
        yield Knob("fifo.depth", "count")
    if key in ("fifo_depth", "host_rate"):
        if not host.drain:
            yield Knob("host.drain", "choice", choice=True)
        yield Knob("host.clock", "clock")
    if key == "interrupt":
        yield Knob("host.interrupt", "choice", choice="level")
    if key == "timeout" and host.timeout is not None:
        yield Knob("host.timeout", "time")
    if key == "early_read":
        yield Knob("fifo.release_bits", "count", most=scenario.bits_per_lane)
        yield Knob("host.clock", "clock", up=False)
    if key == "packet_rate" and scenario.barrier.return_.packet_bits is not None:
        yield Knob("barrier.return.packet_bits", "count", most=scenario.bits_per_lane)
    if key == "period":
        yield Knob(clock, "clock")
    if key == "first_bit" and remote:
        yield Knob("remote_clock.start_delay", "time")
    if key in ("setup", "first_bit"):
        capture = "remote_clock.capture" if remote else "host.capture"
        yield Knob(capture, "choice", choice="whole")
    if key == "hold":
        capture = "remote_clock.capture" if remote else "host.capture"
        yield Knob(capture, "choice", choice="half")
    if key in EASED_BY_CLOCK:
        yield slower
    if scenario.trigger.pattern == "poisson":
        yield Knob("trigger.pattern", "choice", choice="periodic")
    if scenario.trigger.rate is not None:
        yield Knob("trigger.rate", "clock", up=False)


def _sought(scenario: Scenario, knob: Knob, what_if: WhatIf) -> Any:
    """Return the value nearest to the present one that mends, as the file would hold it."""
    if knob.kind == "choice":
        return knob.choice if what_if.mends({knob.key: knob.choice}) else None
    now = _present(scenario, knob)
    if now is None:
        return None
    if knob.kind == "count":
        return _count(knob, int(now), what_if)
    bad, good = now, now
    utmost = now * 2**_DOUBLINGS if knob.up else now / 2**_DOUBLINGS
    if not what_if.mends({knob.key: _written(knob, utmost)}):
        return None
    for _ in range(_DOUBLINGS):
        good = good * 2 if knob.up else good / 2
        if what_if.mends({knob.key: _written(knob, good)}):
            break
        bad = good
    for _ in range(_HALVINGS):
        middle = (bad + good) / 2
        if what_if.mends({knob.key: _written(knob, middle)}):
            good = middle
        else:
            bad = middle
    return _written(knob, good)


def _wider(knob: Knob, value: Any, what_if: WhatIf) -> Any:
    """Return a value that goes further, None where there is none."""
    if knob.kind == "choice":
        return None
    if knob.kind == "count":
        further = min(value + max(1, value // 4), knob.most)
        return further if further > value else None
    now = _present(what_if.scenario.with_value(knob.key, value), knob)
    assert now is not None
    return _written(knob, now * Fraction(5, 4) if knob.up else now * Fraction(4, 5))


def _count(knob: Knob, now: int, what_if: WhatIf) -> int | None:
    bad, good = now, now
    while True:
        good = min(2 * good, knob.most)
        if good <= bad:
            return None
        if what_if.mends({knob.key: good}):
            break
        if good >= 64 * max(now, 4):
            return None
        bad = good
    while good - bad > 1:
        middle = (bad + good) // 2
        if what_if.mends({knob.key: middle}):
            good = middle
        else:
            bad = middle
    return good


def _present(scenario: Scenario, knob: Knob) -> Fraction | None:
    value = value_at(scenario, knob.key)
    if isinstance(value, Rate):
        return value.value
    if knob.kind == "time":
        if not value.is_constant:
            return None
        # From nothing there is nothing to double.
        return Fraction(max(value.constant_value, 10**6))
    return Fraction(value)


def _written(knob: Knob, value: Fraction) -> str:
    """Return a value as one would write it, rounded to the side that helps."""
    rounding = "ROUND_UP" if knob.up else "ROUND_DOWN"
    if knob.kind == "clock":
        return quantity(value, "Hz", _DIGITS, rounding)
    return quantity(value / FS_PER_SECOND, "s", _DIGITS, rounding)
