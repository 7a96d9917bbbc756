"""Parts for the tests of budgets: a plain set for each scheme, random ones, and their corners."""

from __future__ import annotations

import copy
from fractions import Fraction

import numpy as np

from simlink.budget import budget
from simlink.engines.event import EventEngine
from simlink.records import Fate
from simlink.scenario.loading import from_dict

SCHEMES = ("forwarded_clock", "returned_clock", "remote_master")

#: Two conversions of five bits, so far apart that no trigger is missed.
PLAIN = {
    "conversions": 2,
    "trials": 1,
    "link": {"scheme": "forwarded_clock"},
    "trigger": {"rate": "20 kHz"},
    "frame": {"word_bits": 5},
    "converter": {"conversion_time": "500 ns"},
    "remote_clock": {"frequency": "20 MHz"},
    "barrier": {"forward": {}, "return": {}},
    "host": {"clock": "20 MHz", "service_latency": "300 ns"},
}


def made(values=None, base=PLAIN, where="."):
    """Return a scenario with some dotted keys changed."""
    raw = copy.deepcopy(base)
    for key, value in (values or {}).items():
        *above, last = key.split(".")
        table = raw
        for step in above:
            table = table.setdefault(step, {})
        if value is None:
            table.pop(last, None)
        else:
            table[last] = value
    return from_dict(raw, where)


def clock_key(scheme):
    return "remote_clock.frequency" if scheme == "remote_master" else "host.clock"


def passes(scenario):
    """Tell whether a simulation of a scenario delivers every frame."""
    good = True
    for block in EventEngine().run(scenario, range(scenario.trials), words=False):
        sent = block.fate[block.fate != Fate.NOT_SENT]
        assert np.isin(sent, (Fate.DELIVERED, Fate.CORRUPTED)).all()
        good = good and bool((sent == Fate.DELIVERED).all())
    return good


def fixed(text):
    """Return the law of a skew that all channels have: a plain duration would be shared out."""
    return {"shape": "constant", "value": text}


def uniform(low, high):
    return {"shape": "uniform", "low": f"{low} ps", "high": f"{high} ps"}


def random_parts(rng, scheme):
    """Return dotted keys of a random set of parts with bounded spreads and no jitter."""

    def ps(low, high):
        return int(rng.integers(low, high + 1))

    def about(low, high, width, signed=False):
        middle, half = ps(low, high), ps(0, width)
        least = middle - half if signed else max(0, middle - half)
        kind = rng.integers(3)
        if kind == 0:
            return fixed(f"{middle} ps")
        if kind == 1:
            return uniform(least, middle + half)
        typical = ps(least, middle + half)
        return {
            "shape": "limits",
            "low": f"{least} ps",
            "typical": f"{typical} ps",
            "high": f"{middle + half} ps",
        }

    lanes = ps(1, 3)
    remote = scheme == "remote_master"
    capture = str(rng.choice(["half", "whole"]))
    if scheme == "forwarded_clock" and rng.random() < 0.3:
        capture = int(rng.integers(3, 6))
    found = {
        "link.scheme": scheme,
        "frame.word_bits": ps(3, 6),
        "frame.lanes": lanes,
        "converter.msb_valid": about(0, 3000, 1000),
        "converter.data_valid": about(2000, 10_000, 2500),
        # Long enough for a capture at the falling edge, whatever the skews are.
        "converter.data_hold": about(6500, 8000, 500),
        "barrier.forward.delay": about(5000, 20_000, 1000),
        "barrier.return.delay": about(5000, 20_000, 1000),
        "barrier.forward.part_to_part_skew": about(0, 0, 2000, signed=True),
        "barrier.return.part_to_part_skew": about(0, 0, 2000, signed=True),
    }
    section = "remote_clock" if remote else "host"
    found[f"{section}.capture"] = capture
    found[f"{section}.setup"] = about(500, 3000, 500)
    found[f"{section}.hold"] = about(0, 700, 200)
    if remote:
        found["remote_clock.start_delay"] = about(0, 4000, 1000)
        if rng.random() < 0.3:
            found["barrier.return.style"] = "packets"
            found["barrier.return.packet_bits"] = 3
            found["barrier.return.line_rate"] = "10 Gbit/s"
            return found
        found["barrier.return.delay"] = about(12_000, 20_000, 1000)
    # Lanes and strobe share nothing that a remote master's other margins ask for.
    skew = 5000 if remote else 900
    # The same for every edge: it moves the edges and leaves nothing to chance.
    for way in ("forward", "return"):
        found[f"barrier.{way}.jitter"] = f"{ps(-400, 400)} ps"
    found["barrier.forward.channel_skew"] = about(0, 0, 900, signed=True)
    if rng.random() < 0.5:
        found["barrier.return.channel_skew"] = [f"{ps(-skew, skew)} ps" for _ in range(lanes)]
    else:
        found["barrier.return.channel_skew"] = about(0, 0, skew, signed=True)
    found["barrier.forward.pulse_width_distortion"] = about(0, 500, 1500, signed=True)
    found["barrier.return.pulse_width_distortion"] = about(0, 500, 1500, signed=True)
    for way in ("forward", "return"):
        if rng.random() < 0.5:
            found[f"barrier.{way}.min_pulse"] = about(3000, 25_000, 1000)
    return found


def pinned(values, one, margin):
    """Return the parts with every spread at the end that takes the most from a margin.

    Parameters
    ----------
    values : dict
        From `random_parts`.
    one : SchemeBudget
        Theirs.
    margin : Margin
        Which margin; what it does not hold is pinned at its mean.
    """
    ends = {}
    skews = {}
    for term in margin.terms:
        laws = [max(law.support, key=lambda end: _taken(term.enters, end)) for law in term.laws]
        source = term.sources[0] if term.sources else term.key
        if source.startswith("barrier.return.skew "):
            skews[source.removeprefix("barrier.return.skew ")] = laws
        else:
            # A quantity that a margin holds twice has its worst at the same end.
            source = source.removesuffix(" clock").replace(".spread", ".part_to_part_skew")
            ends[source.replace(".skew", ".channel_skew")] = laws[0]
    found = dict(values)
    for key, value in values.items():
        if not isinstance(value, dict) or key == "barrier.return.channel_skew":
            continue
        section = one.scenario
        law = section
        for step in key.split("."):
            law = getattr(law, "return_" if step == "return" else step)
        found[key] = fixed(f"{round(ends.get(key, law.mean))} fs")
    if "barrier.return.channel_skew" in values:
        # One law holds for lanes, clock and strobe alike, so their difference goes to the lanes.
        lanes = one.scenario.frame.lanes
        mine = skews.get("lane 0") or [0.0] * lanes
        other = sum(skews.get(name, [0.0])[0] for name in ("clock", "busy", "strobe"))
        found["barrier.return.channel_skew"] = [f"{round(lane - other)} fs" for lane in mine]
    return found


def _taken(enters, value):
    return {
        "plus": value,
        "minus": -value,
        "slower": max(0, value),
        "faster": max(0, -value),
    }[enters]


def highest_passing(values, scheme, about, step=Fraction(1001, 1000), reach=700):
    """Return the highest clock, of a ladder of equal ratios about one, that a simulation passes.

    The ladder reaches `reach` steps either way; it must pass at the bottom and fail at the top.
    """

    def at(rung):
        clock = round(about * step**rung)
        return passes(made({**values, clock_key(scheme): f"{clock} Hz"}))

    low, high = -reach, reach
    assert at(low)
    assert not at(high)
    while high - low > 1:
        middle = (low + high) // 2
        if at(middle):
            low = middle
        else:
            high = middle
    return low


def budget_of(values, **options):
    """Return the budget of a scheme's own parts."""
    scenario = made(values)
    return budget(scenario, trials=options.pop("trials", 1), **options)[scenario.link.scheme]
