"""Delays whose limits cover spread, skew and distortion, and what the converter asks of its clock.

By hand, against every possible draw, and against the units that are simulated.
"""

from __future__ import annotations

import itertools
import os
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simlink.budget.held import Held
from simlink.budget.schemes import margins
from simlink.engines.event import EventEngine
from simlink.records import Fate
from tests.budget.budget_cases import budget_of, made, random_parts, uniform
from tests.budget.test_budget_simulated import RANDOM, assert_units_agree

#: How many random sets of parts are compared; raise it by hand.
PART_SETS = int(os.environ.get("SIMLINK_MANY") or 40)
NS = 10**6
SECOND = 10**15
ALL = ["part_to_part_skew", "channel_skew", "pulse_width_distortion"]
LIMITS = {"shape": "limits", "low": "9 ns", "typical": "11 ns", "high": "14 ns"}

#: A whole period for the round trip, 6 ns of the converter and 4 of setup.
PARTS = {
    "host.capture": "whole",
    "converter.data_valid": "6 ns",
    "host.setup": "4 ns",
    "barrier.forward.delay": LIMITS,
    "barrier.return.delay": LIMITS,
    "barrier.forward.part_to_part_skew": uniform(-2000, 2000),
    "barrier.return.part_to_part_skew": uniform(-2000, 2000),
    "barrier.channel_skew": "1.5 ns",
    "barrier.pulse_width_distortion": uniform(-1000, 1000),
}


@pytest.mark.parametrize(
    ("covers", "each_way"),
    [
        # 14, 2 of spread, 1.5 of skew and 1 of distortion.
        ([], 18_500_000),
        (["channel_skew"], 17_000_000),
        (["part_to_part_skew", "pulse_width_distortion"], 15_500_000),
        (ALL, 14_000_000),
    ],
)
def test_the_highest_clock_is_that_of_the_limits_where_they_cover_the_rest(covers, each_way):
    """1 / (2 x 14 + 6 + 4 ns) is 26.3 MHz; with all of it on top 1 / (2 x 18.5 + 10 ns), 21.3."""
    one = budget_of(PARTS | {"barrier.delay_covers": covers})
    assert one.worst.highest == Fraction(SECOND, 2 * each_way + 10 * NS)
    assert one.worst.by == "setup"
    # At the means, 34 / 3 each way: half the skew more unless it is covered, distortion none.
    mean = Fraction(34 * NS, 3) + 750_000
    assert float(one.nominal.highest) == pytest.approx(float(SECOND / (2 * mean + 10 * NS)))
    assert one.worst.highest <= one.statistical <= one.nominal.highest


def test_one_direction_may_cover_what_the_other_does_not():
    """14 out, and 18.5 back."""
    one = budget_of(PARTS | {"barrier.delay_covers": [], "barrier.forward.delay_covers": ALL})
    assert one.worst.highest == Fraction(SECOND, 14 * NS + 18_500_000 + 10 * NS)
    keys = [term.key for term in one.margin("setup").terms]
    assert keys[:2] == ["barrier.forward.delay", "barrier.forward.jitter"]
    assert "barrier.return.part_to_part_skew" in keys


def test_what_is_held_is_named_a_crossing_or_the_difference_of_two():
    """The data come back after the clock has left; the first bit is against the fall of busy."""
    one = budget_of(PARTS | {"barrier.delay_covers": ALL})
    held = {
        name: [term.name for term in one.margin(name).terms if isinstance(term, Held)]
        for name in ("setup", "first bit")
    }
    assert held == {
        "setup": ["forward crossing", "return crossing"],
        "first bit": ["difference of return crossings"],
    }


def test_the_earliest_edge_keeps_the_lower_limit():
    """9 out and 9 back give 18 to a hold of 0 T; less 2 of spread and 1 of distortion each, 12."""
    for covers, gives in ((ALL, 18), ([], 12)):
        hold = budget_of(PARTS | {"barrier.delay_covers": covers}).margin("hold")
        assert hold.worst(1e-12) == -gives * NS


@pytest.mark.parametrize(("more", "fate"), [(0, Fate.DELIVERED), (1, Fate.CORRUPTED)])
@pytest.mark.parametrize("covers", [ALL, []])
def test_the_simulation_holds_a_crossing_to_the_femtosecond(covers, more, fate):
    """Units at the upper limit: 2 x 14 + 8 + 4 ns are 40, a period of 25 MHz.

    A spread of 2 ns and a distortion of 1 change nothing, or spoil all.
    """
    values = {
        "host.capture": "whole",
        "host.clock": "25 MHz",
        "converter.data_valid": "8 ns",
        "host.setup": f"{4 * NS + more} fs",
        "barrier.delay_covers": covers,
        "barrier.pulse_width_distortion": "1 ns",
    }
    for way in ("forward", "return"):
        values |= {f"barrier.{way}.delay": "14 ns", f"barrier.{way}.part_to_part_skew": "2 ns"}
    one = budget_of(values)
    (block,) = EventEngine().run(one.scenario, range(1), words=False)
    assert (block.fate == (fate if covers else Fate.CORRUPTED)).all()
    short = -one.margin("setup").left_at_worst(Fraction(25 * 10**6), 1e-12)
    assert short == more + (0 if covers else 6 * NS)


def test_skews_of_a_returned_clock_differ_by_no_more_than_the_limits():
    """Data 6 ns behind the clock by skew; by the limits 9 to 14 ns, 5; without skew, nothing."""
    base = {
        "link.scheme": "returned_clock",
        "host.capture": "whole",
        "barrier.return.delay": LIMITS,
    }
    for skew, covers, apart in (
        ("6 ns", ["channel_skew"], 5),
        ("6 ns", [], 6),
        ("5 ns", ["channel_skew"], 5),
        ("4 ns", ["channel_skew"], 4),
        ("0 ns", ["channel_skew"], 0),
        ("0 ns", ["part_to_part_skew"], 0),
        # The spread moves both alike.
        ("4 ns", ["part_to_part_skew", "channel_skew"], 4),
    ):
        values = {
            "barrier.return.channel_skew": skew,
            "barrier.return.part_to_part_skew": uniform(-9000, 9000),
        }
        one = budget_of(base | values | {"barrier.return.delay_covers": covers})
        assert one.margin("setup").worst(1e-12) == apart * NS


# Against every draw there is.


def law(low, width):
    return {"shape": "uniform", "low": f"{low} fs", "high": f"{low + width} fs"}


@settings(max_examples=60)
@given(
    st.integers(0, 3),
    st.tuples(st.integers(-4, 2), st.integers(0, 4)),
    st.tuples(st.integers(-4, 2), st.integers(0, 3)),
    st.tuples(st.integers(-5, 3), st.integers(0, 5)),
    st.lists(st.sampled_from(ALL), min_size=1, unique=True),
    st.sampled_from(["half", "whole"]),
)
def test_the_worst_case_is_that_of_every_possible_draw(width, spread, skew, distortion, covers, at):
    """Laws of a few femtoseconds, all of whose values are tried together."""
    values = {
        "host.capture": at,
        "barrier.delay_covers": covers,
        "barrier.channel_skew": law(*skew),
    }
    values["barrier.pulse_width_distortion"] = law(*distortion)
    for way in ("forward", "return"):
        values |= {
            f"barrier.{way}.delay": law(50, width),
            f"barrier.{way}.part_to_part_skew": law(*spread),
        }
    values["converter.min_clock_high"] = values["converter.min_clock_low"] = "1 ns"
    found = [
        term
        for scheme in ("forwarded_clock", "returned_clock")
        for margin in margins(made(values), scheme)
        for term in margin.terms
        if isinstance(term, Held)
    ]
    assert found
    for term in found:
        ranges = [np.arange(int(law.support[0]), int(law.support[1]) + 1) for law in term.laws]
        drawn = [one.ravel() for one in np.meshgrid(*ranges, indexing="ij")]
        taken = np.asarray(term.of(dict(zip(term.sources, drawn, strict=True))))
        assert term.worst == taken.max()


def test_of_lanes_the_worst_counts():
    """Of shares of 3, 1 and 2 ns out of 9 to 14 the first; without cover of skew, its own term."""
    values = {"frame.lanes": 3, "barrier.return.channel_skew": ["3 ns", "1 ns", "2 ns"]}
    values |= {"barrier.return.delay": uniform(9000, 14000), "host.capture": "whole"}
    for covers, worst in ((["channel_skew"], 14), (["part_to_part_skew"], 17)):
        one = budget_of(values | {"barrier.return.delay_covers": covers})
        assert one.margin("setup").worst(1e-12) == worst * NS
    (held,) = (
        term
        for term in budget_of(values | {"barrier.return.delay_covers": ["channel_skew"]})
        .margin("setup")
        .terms
        if isinstance(term, Held)
    )
    assert held.nominal == 14 * NS  # 11.5 and 3, held
    assert held.of({"barrier.return.delay": np.array([9, 12, 14]) * NS}).tolist() == [
        12 * NS, 14 * NS, 14 * NS,
    ]  # fmt: skip


@pytest.mark.parametrize(
    ("scheme", "clock", "capture"),
    [
        ("forwarded_clock", "14.7 MHz", "half"),
        ("forwarded_clock", "29.5 MHz", "whole"),
        ("forwarded_clock", "44.2 MHz", 3),
        ("returned_clock", "59 MHz", "half"),
        ("returned_clock", "114 MHz", "whole"),
    ],
)
@pytest.mark.parametrize(
    "covers", [ALL, ["part_to_part_skew", "channel_skew"], ["pulse_width_distortion"]]
)
def test_the_units_that_work_are_those_of_the_simulation(scheme, clock, capture, covers):
    """Limits of 1 ns, which most units meet."""
    values = {**RANDOM, "link.scheme": scheme, "host.clock": clock, "host.capture": capture}
    for way in ("forward", "return"):
        values[f"barrier.{way}.delay"] = uniform(12000, 13000)
    assert_units_agree(made(values | {"barrier.delay_covers": covers}))


@pytest.mark.parametrize("scheme", ["forwarded_clock", "returned_clock"])
def test_the_units_of_random_parts_are_those_of_the_simulation(scheme):
    """At clocks about the highest, whatever is covered; both kinds of boards are among them."""
    rng = np.random.default_rng(29)
    worked = []
    for _ in range(PART_SETS):
        values = random_parts(rng, scheme) | {"trials": 6, "seed": int(rng.integers(1000))}
        for way in ("forward", "return"):
            covers = [key for key in ALL if rng.random() < 0.6]
            values[f"barrier.{way}.delay_covers"] = covers
        highest = budget_of(values).nominal.highest
        clock = round(float(highest or 2e7) * rng.uniform(0.75, 1.1))
        one = budget_of(values | {"host.clock": f"{clock} Hz"}, trials=6)
        kept = np.all([one.built.left(m, one.clock, 1e-12) >= 0 for m in one.margins], axis=0)
        runs = EventEngine().run(one.scenario, range(6), words=False)
        assert kept.tolist() == [bool((run.fate == Fate.DELIVERED).all()) for run in runs], values
        if one.worst.is_open and one.worst.nearest(one.clock) == one.clock:
            assert kept.all()
        worked.append(kept.mean())
    assert 0.2 < np.mean(worked) < 0.8


@pytest.mark.parametrize(("scheme", "low", "high"), [("forwarded_clock", 40, 60),
                                                     ("returned_clock", 40, 70)])  # fmt: skip
def test_the_units_whose_first_bit_is_late_are_those_of_the_simulation(scheme, low, high):
    values = {**RANDOM, "link.scheme": scheme, "barrier.delay_covers": ALL}
    values |= {
        "converter.msb_valid": {"shape": "uniform", "low": f"{low} ns", "high": f"{high} ns"},
        "host.service_latency": "0 ns",
        "host.capture": "whole" if scheme == "forwarded_clock" else "half",
    }
    assert_units_agree(made(values))


# The converter's serial clock.


ASKED = {
    "converter.min_clock_period": "50 ns",
    "converter.min_clock_high": "20 ns",
    "converter.min_clock_low": "20 ns",
}
OFF = {"shape": "uniform", "low": "-10 %", "high": "10 %"}


def names(values):
    return {margin.name for margin in margins(made(values), made(values).link.scheme)}


@pytest.mark.parametrize("scheme", ["forwarded_clock", "returned_clock", "remote_master"])
def test_a_converter_that_asks_nothing_of_its_clock_has_no_such_margin(scheme):
    plain = names({"link.scheme": scheme})
    asked = names({"link.scheme": scheme} | ASKED)
    assert asked - plain == {"clock period", "clock high time", "clock low time"}
    only = names({"link.scheme": scheme, "converter.min_clock_low": "1 fs"})
    assert only - plain == {"clock low time"}


@pytest.mark.parametrize("scheme", ["forwarded_clock", "returned_clock"])
@pytest.mark.parametrize(
    ("key", "values", "period"),
    [
        ("period", {}, 50),
        # Edges of one kind are delayed alike, but for jitter of -1 to 2: 3 ns less.
        ("period", {"barrier.forward.pulse_width_distortion": "4 ns"}, 50),
        ("period", {"barrier.forward.jitter": uniform(-1000, 2000)}, 53),
        # Half a period for 20 ns; a distortion of -3 to 5 makes a high one 3 shorter, a low one 5.
        ("high", {}, 40),
        ("high", {"barrier.forward.pulse_width_distortion": uniform(-3000, 5000)}, 46),
        ("low", {"barrier.forward.pulse_width_distortion": uniform(-3000, 5000)}, 50),
        ("high", {"barrier.forward.jitter": uniform(-1000, 2000)}, 46),
        ("low", {"barrier.forward.jitter": uniform(-1000, 2000)}, 46),
        # Limits that differ by 2 and contain it leave a distortion of 2.
        (
            "low",
            {
                "barrier.forward.pulse_width_distortion": uniform(-3000, 5000),
                "barrier.forward.delay": uniform(9000, 11000),
                "barrier.forward.delay_covers": ["pulse_width_distortion"],
            },
            44,
        ),
        # What comes back is no matter of the converter's.
        (
            "high",
            {"barrier.return.pulse_width_distortion": "-5 ns", "barrier.return.delay": "10 ns"},
            40,
        ),
    ],
)
def test_what_the_converter_asks_of_a_clock_that_crosses(scheme, key, values, period):
    base = {"link.scheme": scheme, "barrier.forward.delay": "10 ns"} | ASKED | values
    one = budget_of(base)
    margin = one.margin("clock period" if key == "period" else f"clock {key} time")
    assert margin.reach(1e-12).highest == Fraction(SECOND, period * NS)
    # A femtosecond either side of the converter's own limit.
    clock = Fraction(SECOND, period * NS)
    for more in (-1, 0, 1):
        least = (50 if key == "period" else 20) * NS + more
        moved = {f"converter.min_clock_{key}": f"{least} fs"}
        one = budget_of(base | moved)
        assert one.margin(margin.name).left_at_worst(clock, 1e-12) == -more


def test_what_the_converter_asks_of_a_clock_beside_it():
    """No channel between; 10 % fast, a period of 55 ns is 50, and half of 44 is 20."""
    barrier = {"barrier.forward.pulse_width_distortion": "4 ns", "barrier.forward.jitter": "1 ns"}
    parts = ASKED | barrier | {"link.scheme": "remote_master", "remote_clock.tolerance": OFF}
    one = budget_of(parts)
    limits = {"clock period": 55, "clock high time": 44, "clock low time": 44}
    for name, period in limits.items():
        assert one.margin(name).reach(1e-12).highest == Fraction(SECOND, period * NS)
        assert [term.drawn for term in one.margin(name).terms] == ["unit"]


@pytest.mark.parametrize("scheme", ["forwarded_clock", "returned_clock", "remote_master"])
def test_the_converter_holds_the_clock_down(scheme):
    """20 MHz is too fast for 64 ns; 15.6 MHz is not, and the budget says so everywhere."""
    key = "remote_clock.frequency" if scheme == "remote_master" else "host.clock"
    values = {"link.scheme": scheme, "converter.min_clock_period": "64 ns", key: "20 MHz"}
    one = budget_of(values)
    assert (one.worst.by, one.used) == ("clock period", Fraction(SECOND, 64 * NS))
    assert one.statistical == one.nominal.highest == one.used
    told = one.to_dict()
    assert told["highest_clock"]["worst"] == 15.625e6
    assert told["highest_clock"]["set_by"] == "clock period"
    assert told["refusals"] == [
        "clock period is 14 ns short at 20 MHz: shortest clock period "
        "(converter.min_clock_period) takes 64 ns; the serial clock is faster than the converter "
        "takes"
    ]
    assert one.yields.share == 0
    assert one.yield_at(Fraction(15 * 10**6)).share == 1


def test_units_may_differ_in_what_they_ask():
    """Of 48 to 52 ns half are too much for 50; each unit is judged by its own."""
    values = {"converter.min_clock_period": uniform(48000, 52000), "host.clock": "20 MHz"}
    one = budget_of(values, trials=200)
    left = one.built.left(one.margin("clock period"), one.clock, 1e-12)
    assert 60 < (left >= 0).sum() < 140
    assert one.yields.working == (left >= 0).sum()
    assert len(set(left.tolist())) > 100
    assert all(-2 * NS <= one <= 2 * NS for one in left)


def test_every_key_of_a_margin_names_one_of_the_scenario():
    from simlink.scenario.writing import every_key

    keys = set(every_key())
    for scheme, covers in itertools.product(("forwarded_clock", "returned_clock"), ([], ALL)):
        for margin in margins(made(PARTS | ASKED | {"barrier.delay_covers": covers}), scheme):
            assert {term.key for term in margin.terms} <= keys
