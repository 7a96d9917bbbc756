"""What a scenario's output says about its input: what was assumed, and what is worth a note."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any

from simlink.base.wording import rate_text, ratio_text, time_text
from simlink.scenario import analog, transient
from simlink.scenario.composite import Mixture, TwoState
from simlink.scenario.distributions import Distribution, Limits
from simlink.scenario.faults import written
from simlink.scenario.sections import COMMON, WAYS, Keys
from simlink.scenario.writing import every_key, look_up, resolved

# Keys and tables whose default changes nothing.
_IDLE = {"barrier.return.check", "title", "frame.content", "check"}
# Nor these, where there is a remote master and where there is none.
_IDLE_WITH_MASTER = _IDLE | {"host.setup", "host.hold", "host.capture"}
_IDLE_WITHOUT_MASTER = _IDLE | {
    "remote_clock",
    "fifo.depth",
    "fifo.release_bits",
    "fifo.when_full",
    "fifo.realign",
    "fifo.credit_refresh",
    "barrier.return.style",
    "barrier.return.strobe",
    "host.drain",
    "host.watermark",
}

_WHY = {
    "converter.busy_delay": "busy rises with the trigger",
    "converter.data_hold": "the least that a converter holds its data",
    "converter.aperture_jitter": "as if the aperture added none",
    "converter.min_clock_period": "its serial clock may be as fast as it likes",
    "converter.min_clock_high": "any high time of the serial clock will do",
    "converter.min_clock_low": "any low time of the serial clock will do",
    "remote_clock.start_delay": "clocks as soon as busy falls",
    "remote_clock.setup": "the capturing flip-flop needs none",
    "remote_clock.hold": "the capturing flip-flop needs none",
    "barrier.channel_skew": "all channels of a part alike",
    "barrier.pulse_width_distortion": "both edges delayed alike",
    "barrier.delay_covers": "skews and distortion come on top of the delay",
    "barrier.min_pulse": "any pulse passes",
    "fifo.sync_delay": "no synchroniser",
    "seed": "any number does; the same one gives the same draws",
    "trials": "one board unless more are asked for",
    "conversions": "enough for a first look",
    "trigger.pattern": "the plainest",
    "trigger.source": "the host times the triggers",
    "frame.lanes": "one lane",
    "frame.words_per_lane": "one converter on a lane",
    "frame.word_bits": "a common resolution",
    "remote_clock.capture": "leaves the hold time alone",
    "barrier.return.style": "each bit as it is captured",
    "barrier.return.strobe": "one strobe beside all lanes takes their bits",
    "barrier.return.overhead_bits": "packets of data alone",
    "fifo.depth": "a small FIFO",
    "fifo.release_bits": "the host is told when the whole frame is in",
    "fifo.when_full": "nothing that is in is lost",
    "host.capture": "at the clock edge that follows the launch",
    "host.drain": "one service reads no more than the watermark",
    "host.watermark": "the host is told of every frame",
    "host.realign": "an idle host waits for no older frame",
    "host.interrupt": "the host sees the level of the FIFO",
    "barrier.recovery": "a channel is right again as the edge ends",
    "barrier.upset": "every symbol that meets an upset is hit",
    "barrier.false_edge": "an upset makes no edge where there is none",
    "fifo.credit_refresh": "a lost credit is lost for good",
    "barrier.return.header_bits": "no packet is lost whole",
    "fifo.realign": "a rest of the strobe ends the frame",
    "check.over": "a check of each lane's whole frame",
    "check.kind": "nothing but the counter tells",
    "check.sequence_bits": "no counter tells of losses",
    "check.on_failure": "the host uses the words, and knows",
    "check.init": "the register starts from zero",
    "check.reflect_in": "most significant bit first",
    "check.reflect_out": "most significant bit first",
    "check.xor_out": "sent as it is",
    "fault.response": "the line tells at once",
    "fault.hold": "the line falls once the host has read a frame",
    "transient.first": "from the first trigger on",
    "transient.every": "at every trigger",
    "transient.tolerance": "none unless given",
    "transient.jitter": "none unless given",
    "transient.duty": "half of the period",
    "transient.dead_time": "none unless given",
    "transient.coupling": "all of the peak falls across the barrier",
    "transient.repetition": "the slower of the two",
}


@dataclass(frozen=True)
class Assumption:
    """A default that was used because the file did not say."""

    key: str  # dotted
    value: Any  # that was used, as it would be written in the file
    why: str  # what it means


def assumed(scenario: Keys, raw: Mapping[str, Any]) -> list[Assumption]:
    """Return the defaults that a silent file left and that matter, in the order of the format."""
    found = []
    scheme = look_up(raw, "link.scheme")
    idle = _IDLE_WITH_MASTER if scheme == "remote_master" else _IDLE_WITHOUT_MASTER
    for section, values in resolved(raw, scenario.bits_per_lane).items():
        for name, value in values.items():
            key = f"{section}.{name}" if section else name
            without = section in idle and not (section == "check" and raw.get("check"))
            if look_up(raw, key) is not None or key in idle or without:
                continue
            if section == "barrier" and name in COMMON and _both_given(raw, name):
                continue
            found.append(Assumption(key, value, _WHY.get(key, "none unless given")))
    if look_up(raw, "host.timeout") is None and look_up(raw, "trigger.source") != "remote":
        found.append(Assumption("host.timeout", "none", "the host waits for ever"))
    rates = ("barrier.line_rate", "barrier.return.line_rate")
    if all(look_up(raw, key) is None for key in rates):
        found.append(Assumption("barrier.line_rate", "none", "a channel passes any rate"))
    for i, one in enumerate(raw.get("transient", ())):
        for name, value in transient.resolved(one).items():
            if name not in one:
                found.append(Assumption(f"transient[{i}].{name}", value, _WHY[f"transient.{name}"]))
    if scenario.analog.tone is not None:
        given = scenario.analog
        for name, (value, why) in analog.ASSUMED.items():
            bent = name == "inl" and given.inl_table is not None
            recorded = given.waveform is not None and name in ("coherent", "amplitude")
            if getattr(given, name) is None and not bent and not recorded:
                found.append(Assumption(f"analog.{name}", value, why))
    order = {key: i for i, key in enumerate(every_key())}
    order["transient"] = len(order)
    for key in order:
        if key not in idle and key.partition(".")[0] not in idle:
            found += _low_ends(key, _value_at(scenario, key))

    def place(one: Assumption) -> int:
        key = one.key
        while key not in order:  # inside of a law
            key = key.partition("[")[0] if key.startswith("transient") else key.rpartition(".")[0]
        return order[key]

    return sorted(found, key=place)


def _value_at(scenario: Keys, key: str) -> Any:
    value: Any = scenario
    for step in key.split("."):
        value = getattr(value, "return_" if step == "return" else step)
    return value


def _low_ends(key: str, law: Any) -> Iterator[Assumption]:
    """Give the low ends that were taken for limits without one, at a key and inside its law."""
    if isinstance(law, Limits) and law.low is None:
        text = ratio_text if key.partition(".")[2].startswith("tolerance") else time_text
        why = "low end taken as far below typical as high is above, since none is given"
        if law.least != 2 * law.typical - law.high:
            why = "low end taken as zero, since none is given"
        yield Assumption(f"{key}.low", text(law.least), why)
    elif isinstance(law, Mixture):
        for i, part in enumerate(law.parts):
            yield from _low_ends(f"{key}.parts[{i}].of", part.of)
    elif isinstance(law, TwoState):
        yield from _low_ends(f"{key}.normal", law.normal)
        yield from _low_ends(f"{key}.stalled", law.stalled)


def _both_given(raw: Mapping[str, Any], name: str) -> bool:
    return all(look_up(raw, f"barrier.{way}.{name}") is not None for way in WAYS)


def notes(scenario: Keys, raw: Mapping[str, Any]) -> list[str]:
    """Return what a user may not have meant by what a file holds, one line each."""
    found = []
    for key, law in (
        ("trigger.tolerance", scenario.trigger.tolerance),
        ("remote_clock.tolerance", scenario.remote_clock.tolerance),
    ):
        if law.is_constant and law.constant_value:
            found.append(f"{key}: {_fixed_tolerance(law)}")
    latest = scenario.converter.busy_delay.support[1]
    soonest = scenario.converter.conversion_time.support[0]
    if not latest < soonest and math.isfinite(latest):
        found.append(
            f"converter.busy_delay: up to {time_text(latest)}, and a conversion may be over after "
            f"{time_text(max(soonest, 0))}: busy does not rise where the conversion is over by then"
        )
    found += _barrier_notes(scenario, raw)
    line = scenario.barrier.direction("return").line_rate
    clock = scenario.remote_clock.frequency
    back = scenario.barrier.return_
    by_remote = scenario.link.scheme == "remote_master"
    if by_remote and back.has_strobe and line is not None and line.value < 2 * clock.value:
        found.append(
            f"{scenario.barrier.key('return', 'line_rate')}: the strobe asks for 2 f = "
            f"{rate_text(2 * clock.value, 'bit/s')}, "
            f"{rate_text(2 * clock.value - line.value, 'bit/s')} more than the line has; lanes "
            f"that are self-clocked have barrier.return.strobe = false"
        )
    lacking = [way for way in WAYS if scenario.barrier.direction(way).slew_immunity is None]
    if scenario.transient and lacking:
        which, what = ("", "") if len(lacking) == 2 else (f".{lacking[0]}", f"{lacking[0]} ")
        found.append(
            f"barrier{which}.slew_immunity: not given, so that no transient upsets any "
            f"{what}channel"
        )
    if scenario.fault.threshold is not None and not scenario.transient:
        found.append("fault.threshold: there is no [[transient]], so that nothing raises the line")
    return found


def _barrier_notes(scenario: Keys, raw: Mapping[str, Any]) -> Iterator[str]:
    """Give what a skew is taken for, and where what the delay covers changes nothing."""
    for key in (
        "barrier.channel_skew",
        "barrier.forward.channel_skew",
        "barrier.return.channel_skew",
    ):
        given, law = look_up(raw, key), _value_at(scenario, key)
        if isinstance(given, str) and not law.is_constant:
            low, high = (time_text(end) for end in law.support)
            yield (
                f"{key}: {given} is taken as the largest difference between any two channels of a "
                f"direction: each draws its share, from {low} to {high}, once a board"
            )
    for name in WAYS:
        way = scenario.barrier.direction(name)
        lost = [
            key
            for key in way.delay_covers
            if any(
                not law.is_constant or law.constant_value
                for law in way.laws(key, scenario.frame.lanes)
            )
        ]
        if way.delay.is_constant and lost:
            yield (
                f"barrier.{name}.delay: one value that is said to contain {' and '.join(lost)}: "
                f"every crossing takes it, and they change nothing; give its limits"
            )


def _fixed_tolerance(law: Distribution) -> str:
    value = law.constant_value
    size = ratio_text(abs(value))
    either = f'{{ shape = "uniform", low = {written("-" + size)}, high = {written(size)} }}'
    return f"fixed at {ratio_text(value, sign=True)} on every board; for ±{size} write {either}"
