"""What breaks a limit: the quantity whose cure cures it.

The quantities that a limit rests on are tried one after another: each at its best, alone, with all
draws as they were. The first with which the limit holds is the cause. First of all come what makes
triggers come close together, a host that hears of edges only, a release ahead of the whole frame:
without them there would be nothing to take up. Then come the quantities by what they take, the
largest first, and the depth of a FIFO last of all, for a FIFO deep enough hides whatever fills it.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from fractions import Fraction
from typing import Any

from simlink.base.instants import FS_PER_SECOND
from simlink.base.wording import many, number, rate_text, ratio_text, short_time, slew_text
from simlink.figures.cycle import periods
from simlink.running.run import Run
from simlink.scenario.distributions import Distribution
from simlink.scenario.quantities import SLEW, Rate
from simlink.scenario.schema import Scenario
from simlink.verdict.limit import EASED_BY_CLOCK, Cause, Limit, Remedy
from simlink.verdict.remedy import remedies_of
from simlink.verdict.what_if import Values, WhatIf, value_at

#: How quantities are called in a sentence.
NAMES = {
    "converter.conversion_time": "the conversion time",
    "converter.acquisition_time": "the acquisition time",
    "converter.data_valid": "the converter's data-valid time",
    "converter.data_hold": "the converter's data hold",
    "converter.msb_valid": "the first bit's data-valid time",
    "converter.min_clock_period": "the converter's shortest clock period",
    "converter.min_clock_high": "the converter's shortest clock high time",
    "converter.min_clock_low": "the converter's shortest clock low time",
    "remote_clock.frequency": "the remote clock",
    "remote_clock.tolerance": "the remote clock's tolerance",
    "remote_clock.start_delay": "the start delay",
    "remote_clock.setup": "the remote master's setup time",
    "remote_clock.hold": "the remote master's hold time",
    "host.clock": "the host's clock",
    "host.service_latency": "the service latency",
    "host.setup": "the host's setup time",
    "host.hold": "the host's hold time",
    "host.timeout": "the timeout",
    "host.watermark": "the host's watermark",
    "fifo.sync_delay": "the synchroniser delay",
    "fifo.depth": "the FIFO's depth",
    "fifo.release_bits": "the release",
    "trigger.jitter": "the trigger's jitter",
    "trigger.rate": "the trigger rate",
    "trigger.tolerance": "the trigger's tolerance",
    "barrier.channels": "the number of isolation channels at hand",
    "barrier.slew_immunity": "the slew immunity",
}
_CHANNEL = {
    "delay": "delay",
    "part_to_part_skew": "part-to-part skew",
    "channel_skew": "channel-to-channel skew",
    "jitter": "jitter",
    "pulse_width_distortion": "pulse-width distortion",
    "min_pulse": "shortest pulse",
    "line_rate": "line rate",
    "overhead_bits": "packets' overhead",
    "packet_bits": "packets' size",
}
#: Of these more is better, so that their best is no zero.
_WANTED = {
    ("hold", "converter.data_hold"),
    ("first_bit", "remote_clock.start_delay"),
    ("first_bit", "host.service_latency"),
    ("first_bit", "fifo.sync_delay"),
    ("early_read", "host.service_latency"),
    ("early_read", "fifo.sync_delay"),
}
#: Where a slower clock is the better one.
_SLOWER = (*EASED_BY_CLOCK, "early_read")
_DEEP = 4096
#: How many times as long a timeout is that is long.
_LONGER = 64
CLOCKS = ("remote_clock.frequency", "host.clock")


def explained(run: Run, limits: tuple[Limit, ...]) -> tuple[tuple[Cause, ...], tuple[Remedy, ...]]:
    """Return the cause of each limit of a run that does not hold, and what would mend it."""
    causes: list[Cause] = []
    remedies: list[Remedy] = []
    for limit in limits:
        if limit.holds:
            continue
        what_if = WhatIf(run, limit.key)
        causes.append(cause_of(run.scenario, limit, what_if))
        remedies += remedies_of(run.scenario, limit, what_if)
    return tuple(causes), tuple(remedies)


def cause_of(scenario: Scenario, limit: Limit, what_if: WhatIf) -> Cause:
    """Return what breaks a limit that does not hold, by repeating a stretch of the run."""
    tried = list(candidates(scenario, limit))
    for key, values, text, best in tried if what_if.shown else ():
        if what_if.mends(values):
            said = f"{text[0].upper()}{text[1:]} is at fault: {best}, the same draws keep the limit"
            return Cause(limit.key, key, f"{said} of {limit.what}.", True)
    if not tried:
        said = "No one quantity by itself mends it" if what_if.shown else limit.evidence
        return Cause(limit.key, limit.keys[0] if limit.keys else "", f"{said}.", False)
    key, _, text, _ = tried[0]
    if what_if.shown:
        said = f"No one quantity by itself mends it; {text} weighs most."
    else:
        said = f"{text[0].upper()}{text[1:]} weighs most; a shorter run does not show it."
    return Cause(limit.key, key, said, False)


def candidates(scenario: Scenario, limit: Limit) -> Iterator[tuple[str, Values, str, str]]:
    """Give what a limit may be laid to, each at its best.

    A key of the scenario, keys with their best values as `Scenario.with_values` takes them, the
    name with its value, and the best in words.
    """
    yield from _structural(scenario, limit)
    keys = [key for key in _rests_on(scenario, limit) if key != "fifo.depth"]
    for key in keys:
        if (limit.key, key) in _WANTED:
            continue
        best = _best(scenario, limit, key)
        if best is not None:
            value, said = best
            yield key, {key: value}, named(scenario, key), said
    if limit.key == "fifo_depth":
        depth = scenario.fifo.depth
        text = f"a FIFO of {many(depth, 'slot')}"
        yield "fifo.depth", {"fifo.depth": max(_DEEP, 2 * depth)}, text, "with one that is deep"


def _structural(scenario: Scenario, limit: Limit) -> Iterator[tuple[str, Values, str, str]]:
    pattern, host = scenario.trigger.pattern, scenario.host
    if pattern in ("burst", "poisson") and limit.key in ("period", "acquisition", "fifo_depth"):
        even = evenly(scenario)
        if even is not None:
            said = "triggers in bursts" if pattern == "burst" else "triggers at random"
            text = f"the pattern of the triggers ({said})"
            yield "trigger.pattern", even, text, "with evenly spaced ones at the same mean rate"
    if limit.key in ("interrupt", "fifo_depth", "host_rate") and host.interrupt == "edge":
        text = "a host that is told of falling edges of busy only"
        yield "host.interrupt", {"host.interrupt": "level"}, text, "told how many frames wait"
    if limit.key == "early_read" and scenario.fifo.release_bits < scenario.bits_per_lane:
        bits = scenario.bits_per_lane
        text = f"a release after {scenario.fifo.release_bits} of {bits} bits"
        yield "fifo.release_bits", {"fifo.release_bits": bits}, text, "released when all are in"


def evenly(scenario: Scenario) -> dict[str, Any] | None:
    """Return what makes triggers come evenly, at the same mean rate."""
    _, average = periods(scenario)
    if not average:
        return None
    hertz = FS_PER_SECOND / average
    return {
        "trigger.pattern": "periodic",
        "trigger.rate": _hertz(hertz),
        "trigger.gap": None,
        "trigger.burst_length": None,
    }


def _hertz(value: Fraction) -> str:
    return f"{number(value, 9)} Hz"


def _rests_on(scenario: Scenario, limit: Limit) -> list[str]:
    """Return the keys that a limit rests on, the one that takes most first."""
    keys = list(limit.keys)
    if limit.key in ("fifo_depth", "host_rate"):
        keys += ["host.service_latency", "fifo.sync_delay", "host.clock", "host.watermark"]
    if limit.key == "timeout":
        keys += ["fifo.sync_delay", "remote_clock.frequency", "host.timeout"]
    found = dict.fromkeys(keys)
    # A slower clock gives every capture time; the parts are asked first.
    last = limit.key in _SLOWER
    return sorted(found, key=lambda key: (last and key in CLOCKS, -_takes(scenario, key)))


def _takes(scenario: Scenario, key: str) -> float:
    """Return how much time a quantity takes, in fs; 0 for what is no time."""
    value = value_at(scenario, key)
    if isinstance(value, tuple):
        return max((abs(law.support[1]) for law in value), default=0.0)
    if isinstance(value, Distribution):
        if key.endswith("tolerance"):
            return 0.0
        low, high = value.support
        most = max(abs(low), abs(high))
        return most if math.isfinite(most) else 50 * abs(value.mean)
    if key in CLOCKS and isinstance(value, Rate):
        return float(scenario.bits_per_lane * FS_PER_SECOND / value.value)
    return 0.0


def _best(scenario: Scenario, limit: Limit, key: str) -> tuple[Any, str] | None:
    """Return a quantity at its best, as the file would hold it, and that in words."""
    value, last = value_at(scenario, key), key.rsplit(".", 1)[-1]
    if key in (*CLOCKS, "trigger.rate"):
        if not isinstance(value, Rate):
            return None
        slower = limit.key in _SLOWER or key == "trigger.rate"
        factor = Fraction(1, 8) if slower else Fraction(64)
        said = "with a slower one" if slower else "with a much faster one"
        return _hertz(value.value * factor), said
    if key == "host.watermark":
        return (1, "with a watermark of 1") if value > 1 else None
    if key == "host.timeout":
        longer = f"{_LONGER * value.constant_value} fs"
        return (longer, "with a longer one") if scenario.trigger.pattern != "after_read" else None
    if last == "overhead_bits":
        return 0, "with none"
    if last == "packet_bits":
        return scenario.bits_per_lane, "with the whole frame in one packet"
    if last == "line_rate":
        fast = isinstance(value, Rate)
        return (f"{number(64 * value.value, 9)} bit/s", "with a much faster one") if fast else None
    if last == "slew_immunity":
        return SLEW.most_text, "with one above every slew"
    if last == "channels":
        return None if value is None else (None, "without that limit")
    if isinstance(value, tuple):
        return ["0 s"] * len(value), "with none"
    if isinstance(value, Distribution):
        if value.is_constant and not value.constant_value:
            return None
        return ("0 ppm" if last == "tolerance" else "0 s"), "with none"
    return None


def named(scenario: Scenario, key: str) -> str:
    """Return the name of a quantity with its value, such as ``"the start delay (20 ns)"``."""
    value = value_at(scenario, key)
    name = NAMES.get(key)
    if name is None:
        *path, last = key.split(".")
        way = {"forward": "forward ", "return": "return "}.get(path[-1], "")
        name = f"the barrier's {way}{_CHANNEL.get(last, last.replace('_', ' '))}"
    if key.endswith("slew_immunity"):
        return f"{name} ({slew_text(value.support[0])})"
    said = value_of(value, ratio=key.endswith("tolerance"), line=key.endswith("line_rate"))
    return f"{name} ({said})" if said else name


def value_of(value: Any, *, ratio: bool = False, line: bool = False) -> str:
    """Return a value in words: a constant as it is, a law by its largest value or its mean."""
    if isinstance(value, Rate):
        return rate_text(value.value, "bit/s" if line else "Hz")
    if isinstance(value, tuple):
        return f"up to {short_time(max(law.support[1] for law in value))}" if value else ""
    if isinstance(value, Distribution):
        text = ratio_text if ratio else short_time
        if value.is_constant:
            return text(value.constant_value)
        low, high = value.support
        if math.isfinite(high):
            return f"{text(Fraction(low))} to {text(Fraction(high))}"
        return f"{text(Fraction(value.mean))} on average"
    return "" if value is None else str(value)
