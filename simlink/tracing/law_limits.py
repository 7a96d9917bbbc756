"""The limits of intervals that a scenario's laws leave, apart from what was seen of them.

Only what one or two laws fix is bounded here: latencies that depend on queues, retries or another
part's timing are left to what was seen and to `simlink.proofs`. Times are rounded to the
femtosecond edge by edge, so that a difference of two may be one femtosecond off.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING

from simlink.base.instants import FS_PER_SECOND
from simlink.base.wording import many, rate_text
from simlink.link.channel import fixed_part
from simlink.link.fault_line import has_line
from simlink.scenario.quantities import PARTS

if TYPE_CHECKING:
    from collections.abc import Iterator

    from simlink.scenario.distributions import Distribution
    from simlink.scenario.schema import Scenario
    from simlink.scenario.sections import Direction


@dataclass(frozen=True)
class Range:
    """A time between two ends, in fs; ``typical`` from the means, an end infinite if unbounded."""

    low: float
    typical: float
    high: float

    def __add__(self, other: Range) -> Range:
        return Range(self.low + other.low, self.typical + other.typical, self.high + other.high)

    def __sub__(self, other: Range) -> Range:
        return Range(self.low - other.high, self.typical - other.typical, self.high - other.low)

    def rounded(self) -> Range:
        """Return it a femtosecond wider at each end."""
        return Range(self.low - 1, self.typical, self.high + 1)


@dataclass(frozen=True)
class LawLimit:
    """What the laws leave one interval.

    Attributes
    ----------
    symbol : str
        One of `simlink.tracing.measured.RULES`.
    part : str
        Of which bits, where they differ: ``"first bit"`` or ``"later bits"``; else empty.
    conditions : str
        What it holds at, for people.
    range : Range or None
        None where no single law fixes it.
    """

    symbol: str
    part: str
    conditions: str
    range: Range | None


def _of(law: Distribution) -> Range:
    low, high = law.support
    return Range(low, law.mean, high)


def law_limits(scenario: Scenario) -> dict[tuple[str, str], LawLimit]:
    """Return what the laws of a scenario leave each interval that they fix, by symbol and part."""
    master = scenario.link.scheme == "remote_master"
    found = [
        *_of_triggers(scenario),
        *_of_conversions(scenario),
        *(_of_master(scenario) if master else ()),
        *_of_host(scenario, master),
        *(_of_fault_line(scenario) if has_line(scenario) else ()),
    ]
    return {(one.symbol, one.part): one for one in found}


def _of_triggers(scenario: Scenario) -> Iterator[LawLimit]:
    trigger = scenario.trigger
    if trigger.source != "host":
        return
    jitter, closest = _of(trigger.jitter), 0.0
    if trigger.pattern == "periodic" and trigger.rate is not None:
        period = _period(float(trigger.rate.value), trigger.tolerance)
        closest = period.low
        rate = rate_text(trigger.rate.value, "Hz")
        yield LawLimit("t_CYC", "", rate, (period + jitter - jitter).rounded())
    forward = scenario.barrier.direction("forward")
    crossing = _crossing(forward)
    if jitter.high - jitter.low > closest:
        # A trigger that leaves ahead of the one before it waits for that in the barrier.
        crossing = Range(crossing.low, crossing.typical, math.inf)
    yield LawLimit("t_PD", "", "", crossing)


def _crossing(way: Direction) -> Range:
    """Return the range of a rising edge's crossing of a channel that has no share of a skew."""
    delay, spread, jitter = _of(way.delay), _of(way.part_to_part_skew), _of(way.jitter)
    ends = (delay.low, delay.high, spread.low, spread.high)
    low, high = -math.inf, math.inf
    if all(map(math.isfinite, ends)):
        low = float(fixed_part(way, round(delay.low), round(spread.low))) + jitter.low
        high = float(fixed_part(way, round(delay.high), round(spread.high))) + jitter.high
    elif not way.delay_covers:
        low = delay.low + spread.low + jitter.low
        high = delay.high + spread.high + jitter.high
    return Range(low, delay.typical + spread.typical + jitter.typical, high)


def _of_conversions(scenario: Scenario) -> Iterator[LawLimit]:
    converter = scenario.converter
    conversion = _of(converter.conversion_time)
    yield LawLimit("t_CONV", "", "", conversion)
    busy = conversion - _of(converter.busy_delay)
    yield LawLimit("t_BUSY", "", "", Range(max(busy.low, 0.0), busy.typical, busy.high))
    yield LawLimit("t_MSB", "", "first bit", _of(converter.msb_valid))


def _of_master(scenario: Scenario) -> Iterator[LawLimit]:
    """Give what the remote master's clock and the converter's output register fix."""
    remote, converter = scenario.remote_clock, scenario.converter
    period = _period(float(remote.frequency.value), remote.tolerance)
    half = Range(period.low / 2, period.typical / 2, period.high / 2)
    start = _of(remote.start_delay)
    if scenario.fifo.when_full == "stall":
        start = Range(start.low, start.typical, math.inf)
    clock = rate_text(remote.frequency.value, "Hz")
    yield LawLimit("t_BCK", "", clock, (start + half).rounded())
    for symbol in ("t_CH", "t_CL"):
        yield LawLimit(symbol, "", clock, half.rounded())
    valid, msb = _of(converter.data_valid), _of(converter.msb_valid)
    kept = _of(converter.data_hold)
    # The following bit ends a hold that is longer than it takes to come.
    hold = Range(min(kept.low, valid.low), min(kept.typical, valid.typical), kept.high)
    told = f"{clock}, {remote.capture}-period capture"
    captured = half if remote.capture == "half" else period
    if max(valid.high, kept.high) < half.low:
        # Later, an edge further on would be taken for the cause.
        yield LawLimit("t_DV", "", clock, valid)
        for part in ("first bit", "later bits"):
            yield LawLimit("t_DH", part, clock, hold)
    yield LawLimit("t_SU", "first bit", told, (start + captured - msb).rounded())
    yield LawLimit("t_SU", "later bits", told, (captured - valid).rounded())
    after = half if remote.capture == "half" else Range(0.0, 0.0, 0.0)
    yield LawLimit("t_H", "", told, (after + hold).rounded())


def _of_host(scenario: Scenario, master: bool) -> Iterator[LawLimit]:
    host = scenario.host
    clock = rate_text(host.clock.value, "Hz")
    exact = FS_PER_SECOND / float(host.clock.value)
    half = Range(exact / 2, exact / 2, exact / 2).rounded()
    yield LawLimit("t_SVC", "", "", _of(host.service_latency))
    for symbol in ("t_RCH", "t_RCL"):
        yield LawLimit(symbol, "", clock, half)
    if master:
        bits = scenario.bits_per_lane
        whole = bits * exact
        told = f"{many(bits, 'bit')} at {clock}"
        yield LawLimit("t_READ", "", told, Range(whole, whole, whole).rounded())


def _of_fault_line(scenario: Scenario) -> Iterator[LawLimit]:
    back = scenario.barrier.direction("return")
    skew = back.channel_skew
    # A report that has another ahead of it finds the line high.
    if isinstance(skew, tuple) or skew.support == (0, 0):
        yield LawLimit("t_FLT", "", "", _of(scenario.fault.response) + _crossing(back))


def _period(hertz: float, tolerance: Distribution) -> Range:
    """Return the range of a period; a clock that is quicker has a shorter one."""
    slow, quick = (end / PARTS for end in tolerance.support)
    exact = FS_PER_SECOND / hertz
    longest = exact / (1 + slow) if slow > -1 else math.inf
    return Range(exact / (1 + quick), exact / (1 + tolerance.mean / PARTS), longest)
