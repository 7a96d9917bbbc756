"""What a scenario's output says about its input: what was assumed, and what is worth a note."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from simlink.base.wording import rate_text, ratio_text
from simlink.scenario.distributions import Distribution
from simlink.scenario.faults import written
from simlink.scenario.sections import COMMON, Keys
from simlink.scenario.writing import every_key, look_up, resolved

# Keys whose default changes nothing in a remote-master scenario.
_IDLE = {
    "host.setup",
    "host.hold",
    "host.capture",
    "barrier.return.check",
    "title",
    "frame.content",
}
# Keys and tables whose default changes nothing where there is no remote master.
_IDLE_WITHOUT_MASTER = {
    "remote_clock",
    "fifo.depth",
    "fifo.release_bits",
    "fifo.when_full",
    "barrier.return.style",
    "barrier.return.strobe",
    "barrier.return.check",
    "host.read_all",
    "host.watermark",
    "title",
    "frame.content",
}

_WHY = {
    "converter.busy_delay": "busy rises with the trigger",
    "converter.data_hold": "the least that a converter holds its data",
    "converter.aperture_jitter": "as if the aperture added none",
    "remote_clock.start_delay": "clocks as soon as busy falls",
    "remote_clock.setup": "the capturing flip-flop needs none",
    "remote_clock.hold": "the capturing flip-flop needs none",
    "barrier.skew": "all channels of a part alike",
    "barrier.pulse_width_distortion": "both edges delayed alike",
    "barrier.min_pulse": "any pulse passes",
    "fifo.sync_delay": "no synchroniser",
    "seed": "any number does; the same one gives the same draws",
    "trials": "one unit unless more are asked for",
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
    "host.read_all": "one service reads no more than the watermark",
    "host.watermark": "the host is told of every frame",
    "host.notice": "the host sees the level of the FIFO",
}


@dataclass(frozen=True)
class Assumption:
    """A default that was used because the file did not say.

    Parameters
    ----------
    key : str
        The dotted key.
    value : object
        The value that was used, as it would be written in the file.
    why : str
        What it means.
    """

    key: str
    value: Any
    why: str


def assumed(raw: Mapping[str, Any], release_bits: int) -> list[Assumption]:
    """Return the defaults that were used and matter, in the order of the format.

    Parameters
    ----------
    raw : mapping
        What the file holds.
    release_bits : int
        The default of fifo.release_bits.
    """
    found = []
    scheme = look_up(raw, "link.scheme")
    idle = _IDLE if scheme == "remote_master" else _IDLE_WITHOUT_MASTER
    for section, values in resolved(raw, release_bits).items():
        for name, value in values.items():
            key = f"{section}.{name}" if section else name
            if look_up(raw, key) is not None or key in idle or section in idle:
                continue
            if section == "barrier" and name in COMMON and _both_given(raw, name):
                continue
            found.append(Assumption(key, value, _WHY.get(key, "none unless given")))
    if look_up(raw, "host.timeout") is None and look_up(raw, "trigger.source") != "remote":
        found.append(Assumption("host.timeout", "none", "the host waits for ever"))
    rates = ("barrier.line_rate", "barrier.return.line_rate")
    if all(look_up(raw, key) is None for key in rates):
        found.append(Assumption("barrier.line_rate", "none", "a channel passes any rate"))
    order = {key: i for i, key in enumerate(every_key())}
    return sorted(found, key=lambda one: order[one.key])


def _both_given(raw: Mapping[str, Any], name: str) -> bool:
    return all(look_up(raw, f"barrier.{way}.{name}") is not None for way in ("forward", "return"))


def notes(scenario: Keys) -> list[str]:
    """Return what a user may not have meant, one line each."""
    found = []
    for key, law in (
        ("trigger.tolerance", scenario.trigger.tolerance),
        ("remote_clock.tolerance", scenario.remote_clock.tolerance),
    ):
        if law.is_constant and law.constant_value:
            found.append(f"{key}: {_fixed_tolerance(law)}")
    line = scenario.barrier.direction("return").line_rate
    clock = scenario.remote_clock.frequency
    back = scenario.barrier.return_
    by_remote = scenario.link.scheme == "remote_master"
    if by_remote and back.has_strobe and line is not None and line.value < 2 * clock.value:
        key = "barrier.line_rate" if back.line_rate is None else "barrier.return.line_rate"
        found.append(
            f"{key}: the strobe asks for 2 f = "
            f"{rate_text(2 * clock.value, 'bit/s')}, "
            f"{rate_text(2 * clock.value - line.value, 'bit/s')} more than the line has; lanes "
            f"that are self-clocked have barrier.return.strobe = false"
        )
    return found


def _fixed_tolerance(law: Distribution) -> str:
    value = law.constant_value
    size = ratio_text(abs(value))
    either = f'{{ shape = "uniform", low = {written("-" + size)}, high = {written(size)} }}'
    return f"fixed at {ratio_text(value, sign=True)} in every unit; for ±{size} write {either}"
