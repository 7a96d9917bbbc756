"""What has to hold between the keys of a scenario."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Mapping
from fractions import Fraction
from typing import Any

from simlink.base.instants import FS_PER_SECOND
from simlink.base.wording import many, rate_text, time_text
from simlink.scenario import analog, transient
from simlink.scenario.distributions import reach
from simlink.scenario.extent import BEYOND, period, terms
from simlink.scenario.faults import Fault, written
from simlink.scenario.kinds import kind_of
from simlink.scenario.quantities import LONGEST, PARTS
from simlink.scenario.sections import WAYS, Direction, Keys
from simlink.scenario.writing import (
    BESIDE,
    ONLY_WITH,
    applies,
    default,
    field_at,
    fits,
    look_up,
    steps,
)

#: The most bits of a frame, on all lanes: so many that a short run takes seconds.
MOST_BITS = 2048


def faults_between(scenario: Keys, raw: Mapping[str, Any]) -> Iterator[Fault]:
    """Give every fault between keys that each fit their own kind; `raw` is what the file holds."""

    def fault(key: str, allowed: str) -> Fault:
        value = look_up(raw, key)
        return Fault(tuple(steps(key)), None if value is None else written(value), allowed)

    for key, (other, values) in ONLY_WITH.items():
        if look_up(raw, key) is not None and not fits(raw, key):
            yield fault(key, f"only with {other} = {' or '.join(written(v) for v in values)}")
    for key, other in BESIDE.items():
        if look_up(raw, key) is not None and look_up(raw, other) is None:
            yield fault(key, f"only with {other}")
    yield from transient.faults(raw.get("transient"), scenario.trigger.pattern)
    yield from analog.faults(scenario.analog, scenario.words)
    wanting = list(_needed(raw, fault))
    wanting += _required(scenario, fault)
    yield from wanting
    checks = [_limits, _covers, _order, _line_rate, _hold, _realign, _check]
    if scenario.link.scheme != "remote_master":
        checks = [_limits, _covers, _order, _without_fifo, _clock_rate, _check]
    for check in checks:
        yield from check(scenario, fault)
    if not wanting:
        yield from _length(scenario, fault)


Make = Callable[[str, str], Fault]


def _needed(raw: Mapping[str, Any], fault: Make) -> Iterator[Fault]:
    """Check that what may be given has been, where it has no default."""
    for key, (other, _) in ONLY_WITH.items():
        if applies(raw, key) and default(key) is None and look_up(raw, key) is None:
            choice = look_up(raw, other) or default(other)
            said = f"{other.rpartition('.')[2]} = {written(choice)}"
            yield fault(key, f"missing; {said} needs {kind_of(field_at(key)).allowed}")


def _required(scenario: Keys, fault: Make) -> Iterator[Fault]:
    """Check what one choice makes necessary, or rules out."""
    trigger, host, back = scenario.trigger, scenario.host, scenario.barrier.return_
    if trigger.pattern == "after_read":
        if trigger.source == "remote":
            yield fault("trigger.source", 'pattern = "after_read" needs source = "host"')
        if host.timeout is None:
            needs = 'missing; pattern = "after_read" needs a fixed duration, such as "50 us"'
            yield fault("host.timeout", needs)
    if host.timeout is not None and trigger.source == "remote":
        yield fault("host.timeout", 'only with trigger.source = "host"')
    if back.style == "packets" and scenario.barrier.direction("return").line_rate is None:
        needs = 'missing; style = "packets" needs a line rate, such as "100 Mbit/s"'
        yield fault("barrier.return.line_rate", needs)


def _limits(scenario: Keys, fault: Make) -> Iterator[Fault]:
    """Check the counts that another count limits."""
    bits, lanes = scenario.bits_per_lane, scenario.frame.lanes
    if bits * lanes > MOST_BITS:
        words, each = scenario.frame.words_per_lane, scenario.frame.word_bits
        yield fault(
            "frame",
            f"{many(lanes, 'lane')} of {many(words, 'word')} of {many(each, 'bit')} are "
            f"{bits * lanes} bits; a frame has at most {MOST_BITS}",
        )
    if scenario.fifo.release_bits > bits:
        yield fault(
            "fifo.release_bits",
            f"a whole number from 1 to {bits}, the bits of a frame on each lane",
        )
    if scenario.host.watermark > scenario.fifo.depth:
        yield fault(
            "host.watermark",
            f"a whole number from 1 to {scenario.fifo.depth}, the depth of the FIFO",
        )
    back = scenario.barrier.return_
    if back.header_bits > back.overhead_bits:
        yield fault(
            "barrier.return.header_bits",
            f"at most {back.overhead_bits}, the overhead bits of a packet",
        )
    skew = back.channel_skew
    if isinstance(skew, tuple) and len(skew) != lanes:
        yield fault("barrier.return.channel_skew", f"one value for each of the {lanes} lanes")
    for signal, several in scenario.names.lists():
        if len(several) != lanes:
            yield fault(f"names.{signal}", f"one name for all lanes, or {lanes}, one for each")


def _line_rate(scenario: Keys, fault: Make) -> Iterator[Fault]:
    """Check the line: the data asks for as many bits per second as the clock has periods."""
    line = scenario.barrier.direction("return").line_rate
    clock = scenario.remote_clock.frequency.value
    if scenario.barrier.return_.style == "bits" and line is not None and line.value < clock:
        yield fault(
            scenario.barrier.key("return", "line_rate"),
            f"bits are captured at {rate_text(clock, 'Hz')} and need at least "
            f"{rate_text(clock, 'bit/s')}",
        )


def _realign(scenario: Keys, fault: Make) -> Iterator[Fault]:
    """Check that no two frames follow one another within the gap that ends a frame."""
    back, fifo = scenario.barrier.return_, scenario.fifo
    immunity = scenario.barrier.direction("return").slew_immunity
    if not (scenario.transient and immunity and back.has_strobe and fifo.realign == "gap"):
        return
    clock = scenario.remote_clock
    slow = 2 * min(FS_PER_SECOND / clock.frequency.value, BEYOND)
    gap = slow if fifo.realign_gap is None else Fraction(fifo.realign_gap.constant_value)
    # From the last strobe of one frame to the first of the next.
    shortest = scenario.converter.conversion_time.support[0]
    shortest += period(clock.frequency, clock.tolerance.support[1])
    low, high = reach(back.jitter)
    shortest += clock.start_delay.support[0] - (high - low)
    if gap >= shortest:
        yield fault(
            "fifo.realign_gap",
            f"a gap of {time_text(gap)} would not part frames: their strobes may follow one "
            f"another within {time_text(shortest)}",
        )


def _check(scenario: Keys, fault: Make) -> Iterator[Fault]:
    """Check what stands beside the data, and who makes use of it."""
    law = scenario.check
    if law.over == "packet" and scenario.barrier.return_.style != "packets":
        yield fault("check.over", 'over = "packet" needs barrier.return.style = "packets"')
    if law.kind == "crc" and law.width is not None:
        most = (1 << law.width) - 1
        for key in ("polynomial", "init", "xor_out"):
            if (getattr(law, key) or 0) > most:
                yield fault(
                    f"check.{key}",
                    f"a whole number up to {most}, of {many(law.width, 'bit')} (check.width)",
                )
    yield from _repeat(scenario, fault)
    if law.on_failure != "flag" and not law.tells:
        yield fault("check.on_failure", "only with check.kind, or with check.sequence_bits")
    if scenario.require.repeated is not None and law.on_failure != "repeat":
        yield fault("require.repeated", 'only with check.on_failure = "repeat"')
    if scenario.require.dropped is not None and not law.tells:
        yield fault("require.dropped", "only with check.kind, or with check.sequence_bits")
    if scenario.host.realign == "sequence" and not law.sequence_bits:
        yield fault("host.realign", '"sequence" needs check.sequence_bits of 1 or more')


def _repeat(scenario: Keys, fault: Make) -> Iterator[Fault]:
    """Check that a frame which is to be sent again is kept, and known as what it is."""
    if scenario.check.on_failure != "repeat":
        return
    scheme = scenario.link.scheme
    if scheme != "remote_master":
        said = f'with scheme = "{scheme}" only "drop" or "flag": a converter that the host clocks '
        yield fault("check.on_failure", f"{said}keeps no frame to send again")
    elif scenario.barrier.return_.has_strobe and scenario.fifo.realign == "never":
        said = 'only "gap" with check.on_failure = "repeat": a receiver that counts bits alone '
        yield fault("fifo.realign", f"{said}would take a repeated frame for the next one")
    if scenario.barrier.false_edge:
        said = 'only without check.on_failure = "repeat": this version does not ask again for '
        yield fault("barrier.false_edge", f"{said}frames that no trigger asked for")


def _without_fifo(scenario: Keys, fault: Make) -> Iterator[Fault]:
    """Check what the schemes that read the converter itself leave no room for."""
    scheme, host = scenario.link.scheme, scenario.host
    if scenario.barrier.return_.style != "bits":
        yield fault("barrier.return.style", f'with scheme = "{scheme}" only "bits"')
    if host.drain:
        yield fault("host.drain", f'with scheme = "{scheme}" only false: no FIFO keeps frames')
    if host.watermark != 1:
        yield fault("host.watermark", f'with scheme = "{scheme}" only 1: no FIFO keeps frames')
    if scheme == "returned_clock" and host.capture.half_periods not in (1, 2):
        yield fault("host.capture", 'with scheme = "returned_clock" only "half" or "whole"')


def _clock_rate(scenario: Keys, fault: Make) -> Iterator[Fault]:
    """Check the channels that carry the clock, at 2 f, and the data, at f."""
    clock = scenario.host.clock.value
    for name in WAYS:
        carries_clock = name == "forward" or scenario.link.scheme == "returned_clock"
        what, needed = ("clock", 2 * clock) if carries_clock else ("data", clock)
        line = scenario.barrier.direction(name).line_rate
        if line is None or line.value >= needed:
            continue
        yield fault(
            scenario.barrier.key(name, "line_rate"),
            f"the {what} of {rate_text(clock, 'Hz')} on the {name} channel asks for "
            f"{rate_text(needed, 'bit/s')}, {rate_text(needed - line.value, 'bit/s')} more",
        )


def _longest_period(scenario: Keys) -> Fraction:
    """Return the longest period of the remote clock, in femtoseconds."""
    low = scenario.remote_clock.tolerance.support[0]
    return FS_PER_SECOND / (scenario.remote_clock.frequency.value * (1 + Fraction(low) / PARTS))


def _hold(scenario: Keys, fault: Make) -> Iterator[Fault]:
    """Check that a bit can outlast its capture by the hold time."""
    kept, needed = scenario.converter.data_hold.support, scenario.remote_clock.hold.support
    if scenario.remote_clock.capture == "whole":
        if kept[0] < needed[1]:
            yield fault(
                "remote_clock.hold",
                f'a race that no clock cures: with capture = "whole" the next launch takes the '
                f"bit away {time_text(kept[0])} after its capture at the earliest "
                f"(converter.data_hold), {_short(needed[1], kept[0])} of a hold of "
                f"{time_text(needed[1])}",
            )
        return
    half = _longest_period(scenario) / 2
    latest = math.inf if math.isinf(kept[1]) else half + Fraction(kept[1])
    if latest < needed[0]:
        yield fault(
            "remote_clock.hold",
            f"a bit is gone {time_text(latest)} after its capture at the latest (half a period "
            f"plus converter.data_hold), {_short(needed[0], latest)} of a hold of "
            f"{time_text(needed[0])}",
        )


def _short(needed: float, kept: float | Fraction) -> str:
    if math.isinf(needed):
        return "without bound short"
    return f"{time_text(Fraction(needed) - Fraction(kept))} short"


def _order(scenario: Keys, fault: Make) -> Iterator[Fault]:
    """Check that nothing arrives before it was sent, neither a rising edge nor a falling one."""
    for name in WAYS:
        way = scenario.barrier.direction(name)
        for falling in (False, True):
            what, more = ("falling edge", ", pulse-width distortion") if falling else ("symbol", "")
            fixed = _least_fixed(way, scenario.frame.lanes, falling)
            # Jitter without bound is cut off where it would have an edge come too soon.
            jitter = way.jitter.support[0]
            low = fixed if math.isinf(jitter) else fixed + jitter
            if low < 0 and not math.isinf(low):
                yield fault(
                    f"barrier.{name}.delay",
                    f"a {what} would arrive before it was sent: delay, part-to-part skew, channel "
                    f"skew{more} and jitter come to {time_text(low)} at the least",
                )
                break


def least_beside(way: Direction, lanes: int, falling: bool) -> dict[str, float]:
    """Return the least that each part of a crossing adds to its delay, in fs, but for jitter."""
    return {
        "part_to_part_skew": way.part_to_part_skew.support[0],
        "channel_skew": min(skew.support[0] for skew in way.lane_skews(lanes)),
        "pulse_width_distortion": way.pulse_width_distortion.support[0] if falling else 0.0,
    }


def _least_fixed(way: Direction, lanes: int, falling: bool) -> float:
    """Return the least that a crossing can take but for jitter, in fs; negative if nonsense."""
    lows = least_beside(way, lanes, falling)
    covered = sum(low for key, low in lows.items() if key in way.delay_covers)
    beside = sum(low for key, low in lows.items() if key not in way.delay_covers)
    # What the delay covers takes no symbol out of its limits.
    least, most = way.delay.support
    return min(least + max(covered, 0), most) + beside


def _covers(scenario: Keys, fault: Make) -> Iterator[Fault]:
    """Check that a delay that is to contain something has limits."""
    for name in WAYS:
        way = scenario.barrier.direction(name)
        if way.delay_covers and math.isinf(way.delay.support[1]):
            yield fault(
                scenario.barrier.key(name, "delay_covers"),
                f"only where barrier.{name}.delay has an upper limit, which the sum stays within",
            )


def _length(scenario: Keys, fault: Make) -> Iterator[Fault]:
    """Check that all instants of a trial fit in 2.5 h, and so in int64 femtoseconds."""
    found = list(terms(scenario))
    longest = math.fsum(term.time for term in found)
    if longest <= LONGEST:
        return
    largest = max(found, key=lambda term: term.time)
    said = f"a trial of {many(scenario.conversions, 'conversion')} may last {time_text(longest)}"
    if largest.each:
        key = "conversions" if "conversions" in scenario.model_fields_set else largest.key
        yield fault(key, f"{said}, and 2.5 h is the most: ask for fewer conversions")
    else:
        yield fault(
            largest.key,
            f"{said} with every time at its longest, and 2.5 h is the most; this key alone may "
            f"add {time_text(largest.time)}",
        )
