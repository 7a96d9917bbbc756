"""How far the instants of a trial may reach, so that every one, and every sum of them, has room.

Time is int64 femtoseconds, which end at 2.56 h, and nothing in an engine is checked again: so all
that an engine may add up in a trial is added up here, from above, before it begins.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction

from simlink.base.instants import FS_PER_SECOND
from simlink.scenario.composite import Mixture, TwoState
from simlink.scenario.distributions import Exponential, Gamma, Lognormal, reach
from simlink.scenario.law import Distribution
from simlink.scenario.quantities import PARTS, Rate
from simlink.scenario.sections import WAYS, Direction, Keys

#: -ln of how often a draw may pass the bounds of a law without any: less than once in 10^20.
_RARE = 46.1
#: The standard normal draw that is passed as rarely.
_RARE_NORMAL = 9.3
#: Beyond every time; no period is told as longer.
BEYOND = Fraction(10**30)


@dataclass(frozen=True)
class Term:
    """What one key adds to the reach of a trial, in fs, and whether each conversion does."""

    key: str
    time: float
    each: bool = False


def bounds(law: Distribution) -> tuple[float, float]:
    """Return what a draw of a law lies between, certainly or all but certainly, in base units.

    For the gamma law of shape a and scale s, P(X > a s + sqrt(2 a t) s + t s) <= exp(-t):
    Boucheron, Lugosi and Massart, Concentration Inequalities, section 2.4 (from memory).
    """
    low, high = reach(law)
    if isinstance(law, Mixture | TwoState):
        each = [bounds(one) for one in law.laws]
        return min(low for low, _ in each), max(high for _, high in each)
    if math.isinf(high):
        if isinstance(law, Exponential):
            high = law.offset + _RARE * law.given_mean
        elif isinstance(law, Lognormal):
            centre, sigma = law.log_moments
            high = law.offset + math.exp(min(700.0, centre + _RARE_NORMAL * sigma))
        elif isinstance(law, Gamma):
            scale = law.sigma**2 / law.given_mean
            high = law.mean + math.sqrt(2 * _RARE) * law.sigma + _RARE * scale
    return low, high


def extent(law: Distribution) -> float:
    """Return how far apart zero and the draws of a law may lie, in base units."""
    low, high = bounds(law)
    return max(high, 0.0) - min(low, 0.0)


def period(rate: Rate, tolerance: float = 0.0) -> float:
    """Return the period of a rate that is off by this much, in fs."""
    actual = rate.value * (1 + Fraction(tolerance) / PARTS)
    return float(min(FS_PER_SECOND / actual, BEYOND))


def terms(scenario: Keys) -> Iterator[Term]:
    """Give what the reach of a trial is the sum of; each from above, none below zero."""
    yield from _triggers(scenario)
    yield from _barrier(scenario)
    bits, host, remote = scenario.bits_per_lane, scenario.host, scenario.remote_clock
    read = bits * period(host.clock)
    # Frames of which each waits for the one ahead: all that have a slot, and one being read.
    waiting = 1 + min(scenario.conversions, scenario.fifo.depth)
    yield Term("host.clock", waiting * read)
    yield Term("host.service_latency", total(waiting, host.service_latency))
    wait = scenario.check.repeat_timeout
    if wait is not None:
        # Each may be asked for once more, and then is read again.
        yield Term("check.repeat_timeout", waiting * (wait.constant_value + read))
    if host.timeout is not None:
        yield Term("host.timeout", extent(host.timeout))
    halves = host.capture.half_periods
    late = host.capture.delay if halves is None else halves * period(host.clock) / 2
    yield Term("host.capture", float(late or 0))
    # Whether or not that clock is used: the schemes are compared.
    cycles = (bits + 1) * period(remote.frequency, remote.tolerance.support[0])
    yield Term("remote_clock.frequency", cycles)
    for name in ("trigger", "converter", "remote_clock", "fifo", "host"):
        section = getattr(scenario, name)
        for key in type(section).model_fields:
            law = getattr(section, key)
            if f"{name}.{key}" not in _ELSEWHERE and isinstance(law, Distribution):
                yield Term(f"{name}.{key}", extent(law))
    yield from _transients(scenario)
    yield Term("fault.response", extent(scenario.fault.response))
    yield Term("fault.hold", extent(scenario.fault.hold))


#: Laws that are no single time, or are counted by name.
_ELSEWHERE = {
    "trigger.gap",
    "trigger.tolerance",
    "remote_clock.tolerance",
    "host.service_latency",
    "host.timeout",
}


def _triggers(scenario: Keys) -> Iterator[Term]:
    """Give what the triggers of a trial take, from the first to the last."""
    trigger, host, n = scenario.trigger, scenario.host, scenario.conversions
    if trigger.rate is None:
        # A loop waits for each release no longer than the timeout, and for each frame to be read.
        key, read = "trigger.gap", scenario.bits_per_lane * period(host.clock)
        lasts = n * read + total(n, host.service_latency) + n * extent(trigger.jitter)
        if host.timeout is not None:
            lasts += n * host.timeout.mean
        if scenario.check.repeat_timeout is not None:
            lasts += n * (scenario.check.repeat_timeout.mean + read)
        if trigger.gap is not None:
            lasts += total(n, trigger.gap)
        yield Term(key, lasts, each=True)
        return
    each = period(trigger.rate, trigger.tolerance.support[0])
    more = 12 * math.sqrt(n) + 50 if trigger.pattern == "poisson" else 1
    yield Term("trigger.rate", (n + more) * each, each=True)
    if trigger.pattern == "burst" and trigger.gap is not None:
        bursts = -(-n // (trigger.burst_length or 1))
        yield Term("trigger.gap", total(bursts, trigger.gap), each=True)


def _barrier(scenario: Keys) -> Iterator[Term]:
    """Give what the barrier adds: a trigger and a clock or credit cross it, busy and the data."""
    for name in WAYS:
        way = scenario.barrier.direction(name)
        for key in (
            "delay",
            "part_to_part_skew",
            "jitter",
            "channel_skew",
            "pulse_width_distortion",
            "min_pulse",
        ):
            far = max(extent(law) for law in way.laws(key, scenario.frame.lanes))
            yield Term(scenario.barrier.key(name, key), 2 * far)
        if name == "return":
            yield from _packets(scenario, way)
    yield Term("barrier.recovery", extent(scenario.barrier.recovery))


#: The times of a source of transients that its events are moved by. Its periods are none of them:
#: an event that would come after every trial does not come.
_MOVED = ("offset", "jitter", "dead_time", "phase", "start")


def _transients(scenario: Keys) -> Iterator[Term]:
    """Give what the events of common-mode transients are moved by."""
    for i, source in enumerate(scenario.transient):
        if source.times:
            yield Term(f"transient[{i}].times", max(extent(time) for time in source.times))
        for key in _MOVED:
            law = getattr(source, key)
            if isinstance(law, Distribution):
                yield Term(f"transient[{i}].{key}", extent(law))


def _packets(scenario: Keys, way: Direction) -> Iterator[Term]:
    """Give what packets take on the line: where it is too slow, they queue from trigger to end."""
    back, bits = scenario.barrier.return_, scenario.bits_per_lane
    if back.style != "packets" or way.line_rate is None or not back.packet_bits:
        return
    sent = bits + -(-bits // back.packet_bits) * scenario.packet_overhead
    where = scenario.barrier.key("return", "line_rate")
    yield Term(where, scenario.conversions * sent * period(way.line_rate), each=True)


def total(n: int, law: Distribution) -> float:
    """Return what `n` draws come to at the most: certainly, or all but certainly."""
    sigma = math.sqrt(law.variance)
    high = max(bounds(law)[1], 0.0)
    return min(n * high, n * law.mean + 12 * math.sqrt(n) * sigma + 12 * sigma + high)
