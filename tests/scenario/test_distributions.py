from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy import integrate, stats

from simlink.scenario.composite import GeometricCount, UniformCount
from simlink.scenario.distributions import (
    Constant,
    Exponential,
    Limits,
    Normal,
    Simple,
    Uniform,
    exponential_time,
)
from simlink.scenario.faults import FaultError
from simlink.scenario.quantities import RATIO, TIME
from simlink.scenario.reading import read_shape
from tests import strategies

SHAPES = {
    "constant": "14 ns",
    "constant table": {"shape": "constant", "value": "14 ns"},
    "uniform": {"shape": "uniform", "low": "480 ns", "high": "520 ns"},
    "uniform below zero": {"shape": "uniform", "low": "-7 ns", "high": "-2 ns"},
    "normal": {"shape": "normal", "mean": "3 ns", "sigma": "2 ps"},
    "normal clipped low": {"shape": "normal", "mean": "3 ns", "sigma": "2 ns", "low": "2 ns"},
    "normal clipped high": {"shape": "normal", "mean": "3 ns", "sigma": "2 ns", "high": "3.5 ns"},
    "normal clipped": {
        "shape": "normal", "mean": "3 ns", "sigma": "2 ns", "low": "0 ns", "high": "4 ns",
    },
    "normal clipped far off": {
        "shape": "normal", "mean": "3 ns", "sigma": "1 ns", "low": "4 ns", "high": "6 ns",
    },
    "exponential": {"shape": "exponential", "mean": "2 us"},
    "exponential offset": {"shape": "exponential", "mean": "2 us", "offset": "5 us"},
    "lognormal": {"shape": "lognormal", "mean": "2 us", "sigma": "700 ns"},
    "lognormal offset": {
        "shape": "lognormal", "mean": "2 us", "sigma": "700 ns", "offset": "-300 ns",
    },
    "gamma": {"shape": "gamma", "mean": "2 us", "sigma": "1 us"},
    "gamma narrow": {"shape": "gamma", "mean": "2 us", "sigma": "20 ns", "offset": "1 us"},
    "gamma wide": {"shape": "gamma", "mean": "2 us", "sigma": "3 us"},
    "limits": {"shape": "limits", "low": "5 ns", "typical": "7 ns", "high": "13 ns"},
    "limits at low": {"shape": "limits", "low": "5 ns", "typical": "5 ns", "high": "13 ns"},
    "limits at high": {"shape": "limits", "low": "5 ns", "typical": "13 ns", "high": "13 ns"},
    "limits without low": {"shape": "limits", "typical": "11 ns", "high": "14 ns"},
    "limits without low, to zero": {"shape": "limits", "typical": "3 ns", "high": "9 ns"},
    "mixture": {
        "shape": "mixture",
        "parts": [
            {"weight": 3, "of": {"shape": "uniform", "low": "1 us", "high": "2 us"}},
            {"weight": 1, "of": {"shape": "exponential", "mean": "4 us"}},
            {"weight": 0.5, "of": "9 us"},
        ],
    },
    "two states": {
        "shape": "two_state",
        "normal": {"shape": "uniform", "low": "1 us", "high": "2 us"},
        "stalled": {"shape": "exponential", "mean": "8 us"},
        "spacing": {"shape": "geometric", "mean": 6.5},
        "length": {"shape": "uniform", "low": 1, "high": 4},
    },
    "two states fixed": {
        "shape": "two_state",
        "normal": {"shape": "gamma", "mean": "1 us", "sigma": "200 ns"},
        "stalled": "20 us",
        "spacing": 9,
    },
    "recorded": {
        "shape": "recorded", "file": str(strategies.RECORDINGS), "column": "fine_ns", "unit": "ns",
    },
}  # fmt: skip
SHAPES["mixture of memories"] = {
    "shape": "mixture",
    "parts": [
        {"weight": 1, "of": SHAPES["two states"]},
        {"weight": 2, "of": SHAPES["recorded"]},
        {"weight": 1, "of": SHAPES["mixture"]},
    ],
}
SHAPES["two states of mixtures"] = {
    "shape": "two_state",
    "normal": SHAPES["mixture"],
    "stalled": SHAPES["recorded"],
    "spacing": {"shape": "uniform", "low": 1, "high": 3},
    "length": {"shape": "geometric", "mean": 2},
}
RANDOM = [
    name for name in SHAPES if not name.startswith(("constant", "recorded")) and " of " not in name
]
SIMPLE = [name for name in RANDOM if not name.startswith(("mixture", "two"))]


def shape(name):
    return read_shape(SHAPES[name], TIME, Path())


def independent(law, streams, n):
    """Return the long-run mean and its standard error, by batches that barely depend."""
    drawn = law.sampler(streams(1)).take(n).astype(float)
    means = drawn.reshape(200, -1).mean(axis=1)
    return drawn, means.mean(), means.std(ddof=1) / math.sqrt(len(means))


@pytest.mark.parametrize("name", RANDOM)
def test_the_declared_mean_is_that_of_the_draws(name, streams):
    law = shape(name)
    _, mean, error = independent(law, streams, 400_000)
    assert abs(mean - law.mean) < 4 * error + 0.5


@pytest.mark.parametrize("name", RANDOM)
def test_the_declared_variance_is_that_of_the_draws(name, streams):
    law = shape(name)
    drawn = law.sampler(streams(2)).take(400_000).astype(float)
    squares = ((drawn - law.mean) ** 2).reshape(200, -1).mean(axis=1)
    error = squares.std(ddof=1) / math.sqrt(len(squares))
    # Rounding to whole femtoseconds adds 1/12.
    assert abs(squares.mean() - law.variance) < 4 * error + 1


@pytest.mark.parametrize("name", RANDOM)
def test_draws_stay_within_the_support_and_come_near_its_ends(name, streams):
    law = shape(name)
    low, high = law.support
    drawn = law.sampler(streams(3)).take(200_000)
    assert drawn.min() >= low
    assert drawn.max() <= high
    spread = math.sqrt(law.variance)
    if "gamma narrow" not in name and "lognormal" not in name:
        assert low == -math.inf or drawn.min() < low + spread
    assert high == math.inf or drawn.max() > high - spread


@pytest.mark.parametrize(
    ("name", "law"),
    [
        ("uniform", stats.uniform(480e6, 40e6)),
        ("normal", stats.norm(3e6, 2e3)),
        ("exponential offset", stats.expon(5e9, 2e9)),
        ("gamma", stats.gamma(4, scale=0.5e9)),
        ("limits", stats.triang(0.25, 5e6, 8e6)),
        # 11 less 3 is 8; 3 less 6 would be below zero.
        ("limits without low", stats.triang(0.5, 8e6, 6e6)),
        ("limits without low, to zero", stats.triang(1 / 3, 0, 9e6)),
        ("lognormal", stats.lognorm(math.sqrt(math.log1p(0.35**2)),
                                    scale=2e9 / math.sqrt(1 + 0.35**2))),
    ],
)  # fmt: skip
def test_draws_follow_the_law(name, law, streams):
    drawn = shape(name).sampler(streams(4)).take(20_000)
    assert stats.kstest(drawn, law.cdf).pvalue > 1e-4


@pytest.mark.parametrize("name", [name for name in RANDOM if "clipped" in name])
def test_moments_of_a_clipped_normal_are_those_of_the_integral(name):
    law = shape(name)
    low, high = law.support
    normal = stats.norm(law.given_mean, law.sigma)
    ends = [end for end in (low, high) if math.isfinite(end)]

    def moment(power):
        def at(x):
            return min(max(x, low), high) ** power * normal.pdf(x)

        reach = 12 * law.sigma
        return integrate.quad(
            at, law.given_mean - reach, law.given_mean + reach, points=ends, limit=500
        )[0]

    mean = moment(1)
    assert law.mean == pytest.approx(mean, rel=1e-6)
    assert law.variance == pytest.approx(moment(2) - mean**2, rel=1e-5)


@pytest.mark.parametrize("name", SHAPES)
def test_the_split_into_calls_changes_no_draw(name, streams):
    law = shape(name)
    whole = law.sampler(streams(5)).take(1000)
    by_ten = law.sampler(streams(5))
    parts = [by_ten.take(n) for n in [100] * 9 + [0, 1, 99]]
    assert whole.dtype == np.int64
    assert whole.shape == (1000,)
    np.testing.assert_array_equal(np.concatenate(parts), whole)


@settings(max_examples=100)
@given(
    st.lists(st.integers(0, 40), max_size=12),
    st.sampled_from(sorted(SHAPES)),
)
def test_any_split_into_calls_changes_no_draw(sizes, name):
    law = shape(name)

    def stream(suffix, page=0):
        return np.random.default_rng([page, *map(ord, suffix)])

    sampler = law.sampler(stream)
    parts = [sampler.take(n) for n in sizes]
    got = np.concatenate([np.empty(0, dtype=np.int64), *parts])
    np.testing.assert_array_equal(got, law.sampler(stream).take(sum(sizes)))


@pytest.mark.parametrize("name", SIMPLE)
def test_a_simple_shape_is_its_raw_draws_transformed(name, streams):
    law = shape(name)
    assert isinstance(law, Simple)
    assert law.is_simple
    raw = np.empty(60)
    law.draw_raw(streams(6)(""), raw)
    table = law.from_raw(raw.copy().reshape(3, 20))
    assert table.shape == (3, 20)
    assert table.dtype == np.int64
    np.testing.assert_array_equal(table.reshape(-1), law.sampler(streams(6)).take(60))


def test_rounding_is_half_to_even():
    law = Uniform(low=0, high=1000)
    raw = np.array([0.0005, 0.0015, 0.0025, 0.5, 0.9995])
    np.testing.assert_array_equal(law.from_raw(raw), np.rint(np.array([0.5, 1.5, 2.5, 500, 999.5])))
    assert law.from_raw(np.array([0.0005, 0.0025])).tolist() == [0, 2]


@pytest.mark.parametrize("name", RANDOM)
def test_each_bit_has_its_own_stream(name, streams):
    law = shape(name)
    drawn = [law.sampler(streams(7), stride=3, offset=i).take(500) for i in range(3)]
    alone = law.sampler(streams(7)).take(500)
    for one, other in [(0, 1), (0, 2), (1, 2)]:
        if law.is_random and not name.startswith("two states fixed"):
            assert (drawn[one] != drawn[other]).mean() > 0.1
            assert (drawn[one] != alone).mean() > 0.1


def test_the_suffixes_of_the_streams(streams):
    asked = streams()
    shape("uniform").sampler(asked)
    shape("uniform").sampler(asked, stride=16, offset=3)
    assert asked.asked == ["", "bit 3"]
    asked = streams()
    shape("mixture").sampler(asked)
    assert asked.asked == ["choice", "part 0", "part 1"]
    asked = streams()
    shape("mixture").sampler(asked, stride=4, offset=2)
    assert asked.asked == ["choice bit 2", "part 0 bit 2", "part 1 bit 2"]
    asked = streams()
    shape("two states").sampler(asked)
    assert asked.asked == ["spacing", "length", "normal", "stalled"]
    asked = streams()
    shape("constant").sampler(asked).take(3)
    assert asked.asked == []


def test_no_two_streams_of_a_nested_shape_share_a_suffix(streams):
    inner = SHAPES["mixture"]
    parts = [{"weight": 1, "of": inner}, {"weight": 1, "of": SHAPES["two states"]}]
    asked = streams()
    read_shape({"shape": "mixture", "parts": parts}, TIME, Path()).sampler(asked)
    assert len(set(asked.asked)) == len(asked.asked)
    assert "part 0 part 1" in asked.asked


def test_another_part_moves_no_draw_of_the_first(streams):
    """Hand-made: the draws taken from part 0 come in the same order whatever part 1 is."""

    def drawn(other):
        parts = [{"weight": 1, "of": SHAPES["uniform"]}, {"weight": 1, "of": other}]
        law = read_shape({"shape": "mixture", "parts": parts}, TIME, Path())
        return law.sampler(streams(8)).take(300)

    one, two = drawn("1 s"), drawn({"shape": "exponential", "mean": "1 us", "offset": "1 s"})
    second = 10**15
    np.testing.assert_array_equal(one < second, two < second)
    np.testing.assert_array_equal(one[one < second], two[two < second])


def test_two_states_alternate_from_normal():
    """spacing 3, length 2: n n n s s n n n s s ..."""
    law = read_shape(
        {"shape": "two_state", "normal": "1 fs", "stalled": "9 fs", "spacing": 3, "length": 2},
        TIME,
        Path(),
    )
    sampler = law.sampler(lambda suffix: pytest.fail(f"asked for {suffix}"))
    assert sampler.take(12).tolist() == [1, 1, 1, 9, 9, 1, 1, 1, 9, 9, 1, 1]
    assert sampler.take(4).tolist() == [1, 9, 9, 1]
    assert law.mean == pytest.approx((3 * 1 + 2 * 9) / 5)
    assert law.variance == pytest.approx((3 * 1 + 2 * 81) / 5 - 4.2**2)
    assert not law.is_random
    assert not law.is_constant


def test_two_states_have_stalls_of_one_draw_unless_told():
    law = read_shape(
        {"shape": "two_state", "normal": "1 fs", "stalled": "9 fs", "spacing": 2}, TIME, Path()
    )
    assert law.sampler(lambda suffix: None).take(6).tolist() == [1, 1, 9, 1, 1, 9]


def test_runs_have_the_lengths_that_were_asked_for(streams):
    law = read_shape(
        {
            "shape": "two_state",
            "normal": "0 s",
            "stalled": "1 fs",
            "spacing": {"shape": "geometric", "mean": 5},
            "length": {"shape": "uniform", "low": 2, "high": 4},
        },
        TIME,
        Path(),
    )
    drawn = law.sampler(streams(9)).take(200_000)
    turns = np.flatnonzero(np.diff(drawn)) + 1
    runs = np.diff(np.concatenate([[0], turns]))
    normal, stalled = runs[0::2], runs[1::2]
    assert set(stalled.tolist()) == {2, 3, 4}
    assert normal.min() == 1
    error = math.sqrt(5 * 4 / len(normal))
    assert abs(normal.mean() - 5) < 4 * error
    # Geometric: the share of runs of one draw is 1/5.
    assert abs((normal == 1).mean() - 0.2) < 4 * math.sqrt(0.16 / len(normal))
    assert abs((stalled == 2).mean() - 1 / 3) < 4 * math.sqrt(2 / 9 / len(stalled))


def test_a_stall_that_all_but_never_comes_needs_no_memory(streams):
    law = read_shape(
        {
            "shape": "two_state",
            "normal": "1 fs",
            "stalled": "2 fs",
            "spacing": {"shape": "geometric", "mean": 1e10},
            "length": 10**10,
        },
        TIME,
        Path(),
    )
    assert law.sampler(streams(1)).take(100).tolist() == [1] * 100
    assert law.mean == pytest.approx(1.5)


def test_counts():
    assert UniformCount(low=4, high=4).mean == 4
    assert UniformCount(low=2, high=5).mean == 3.5
    assert not GeometricCount(mean=1.0).is_random
    assert GeometricCount(mean=1.0).draw(None, 3).tolist() == [1, 1, 1]


def test_constants():
    law = shape("constant")
    assert law == shape("constant table") == Constant(value=14_000_000)
    assert (law.mean, law.variance, law.support) == (14e6, 0, (14e6, 14e6))
    assert law.is_constant
    assert not law.is_random
    assert not law.is_simple
    assert law.constant_value == 14_000_000
    with pytest.raises(ValueError, match="not a constant"):
        shape("uniform").constant_value  # noqa: B018


def test_a_long_constant_is_exact():
    assert read_shape("8999.999999999999999 s", TIME, Path()).constant_value == 9 * 10**18 - 1


@pytest.mark.parametrize(
    "value",
    [
        {"shape": "uniform", "low": "3 fs", "high": "3 fs"},
        {"shape": "normal", "mean": "3 fs", "sigma": "0 s"},
        {"shape": "normal", "mean": "1 fs", "sigma": "5 fs", "low": "3 fs", "high": "3 fs"},
        {"shape": "normal", "mean": "1 fs", "sigma": "0 s", "low": "3 fs"},
        {"shape": "exponential", "mean": "0 s", "offset": "3 fs"},
        {"shape": "lognormal", "mean": "2 fs", "sigma": "0 s", "offset": "1 fs"},
        {"shape": "gamma", "mean": "2 fs", "sigma": "0 s", "offset": "1 fs"},
        {"shape": "limits", "low": "3 fs", "typical": "3 fs", "high": "3 fs"},
        {"shape": "mixture", "parts": [{"weight": 1, "of": "3 fs"}, {"weight": 2, "of": "3 fs"}]},
        {
            "shape": "two_state",
            "normal": "3 fs",
            "stalled": "3 fs",
            "spacing": {"shape": "geometric", "mean": 9},
        },
    ],
    ids=lambda value: value["shape"],
)
def test_a_shape_without_width_is_a_constant(value, streams):
    law = read_shape(value, TIME, Path())
    assert law.is_constant
    assert not law.is_random
    assert law.constant_value == 3
    assert law.variance == 0
    assert law.sampler(streams()).take(5).tolist() == [3] * 5


@pytest.mark.parametrize(
    "value",
    [
        {"shape": "exponential", "mean": "2.5 h", "offset": "2.5 h"},
        {"shape": "lognormal", "mean": "2.5 h", "sigma": "2.5 h"},
        {"shape": "gamma", "mean": "1 h", "sigma": "2.5 h", "offset": "-2.5 h"},
        {"shape": "normal", "mean": "-2.5 h", "sigma": "2.5 h"},
        {"shape": "uniform", "low": "-2.5 h", "high": "2.5 h"},
    ],
    ids=lambda value: value["shape"],
)
def test_the_longest_draws_do_not_overflow(value, streams):
    law = read_shape(value, TIME, Path())
    drawn = law.sampler(streams(1)).take(20_000).astype(float)
    assert np.abs(drawn).max() <= 9.1e18
    low, high = law.support
    assert drawn.min() >= low
    assert drawn.max() <= high


def test_ratios_have_shapes_too():
    law = read_shape({"shape": "uniform", "low": "-50 ppm", "high": "50 ppm"}, RATIO, Path())
    assert law == Uniform(low=-50_000_000, high=50_000_000)


def test_the_gaps_of_a_poisson_stream(streams):
    law = exponential_time(12345.25)
    assert law.mean == 12345.25
    drawn = law.sampler(streams(2)).take(100_000)
    assert abs(drawn.mean() - law.mean) < 4 * law.mean / math.sqrt(100_000)


def test_shapes_are_frozen_and_hashable():
    law = Normal(mean=1, sigma=2)
    with pytest.raises(ValueError, match="frozen"):
        law.sigma = 3
    assert len({law, Normal(mean=1, sigma=2), Limits(low=0, typical=1, high=2)}) == 2
    assert Exponential(mean=3) != Exponential(mean=4)


REFUSED = [
    ({"shape": "unifrom", "low": "1 ns", "high": "2 ns"}, "shape", 'did you mean "uniform"'),
    ({"low": "1 ns", "high": "2 ns"}, "", "has to name its shape"),
    ({"shape": 3}, "shape", "has to name its shape"),
    ({"shape": "uniform", "low": "1 ns"}, "high", "missing"),
    ({"shape": "uniform", "low": "2 ns", "high": "1 ns"}, "high", "below low"),
    ({"shape": "uniform", "low": "1 ns", "hihg": "2 ns"}, "hihg", 'did you mean "high"'),
    ({"shape": "normal", "mean": "1 ns", "sigma": "-1 ns"}, "sigma", "not below zero"),
    ({"shape": "normal", "mean": "1 ns", "sigma": 1}, "sigma", "with a unit"),
    (
        {"shape": "normal", "mean": "1 ns", "sigma": "1 ns", "low": "1 ns", "high": "0 ns"},
        "high", "below low",
    ),
    ({"shape": "exponential", "mean": "-1 ns"}, "mean", "not below zero"),
    ({"shape": "lognormal", "mean": "0 ns", "sigma": "1 ns"}, "mean", "above zero"),
    ({"shape": "gamma", "mean": "0 ns", "sigma": "1 ns"}, "mean", "above zero"),
    ({"shape": "gamma", "mean": "1 ns", "sigma": "-1 ns"}, "sigma", "not below zero"),
    ({"shape": "limits", "low": "2 ns", "typical": "1 ns", "high": "3 ns"}, "typical", "below low"),
    (
        {"shape": "limits", "low": "1 ns", "typical": "4 ns", "high": "3 ns"},
        "high", "below typical",
    ),
    ({"shape": "mixture", "parts": []}, "parts", "1 to 100 parts"),
    ({"shape": "mixture", "parts": "1 ns"}, "parts", "1 to 100 parts"),
    ({"shape": "mixture", "parts": ["1 ns"]}, "parts[0]", "weight = 0.9"),
    ({"shape": "mixture", "parts": [{"of": "1 ns"}]}, "parts[0].weight", "missing"),
    ({"shape": "mixture", "parts": [{"weight": 1}]}, "parts[0].of", "missing"),
    ({"shape": "mixture", "parts": [{"weight": 0, "of": "1 ns"}]}, "parts[0].weight", "above zero"),
    (
        {"shape": "mixture", "parts": [{"weight": math.nan, "of": "1 ns"}]},
        "parts[0].weight", "above zero",
    ),
    (
        {"shape": "mixture", "parts": [{"weight": True, "of": "1 ns"}]},
        "parts[0].weight", "above zero",
    ),
    (
        {"shape": "mixture", "parts": [{"weight": 10**400, "of": "1 ns"}]},
        "parts[0].weight", "above zero",
    ),
    ({"shape": "mixture", "parts": [{"weight": 1, "of": "1"}]}, "parts[0].of", "with a unit"),
    (
        {"shape": "mixture", "parts": [{"weight": 1, "of": "1 ns", "x": 1}]},
        "parts[0].x", "unknown key",
    ),
    (
        {"shape": "two_state", "normal": "1 ns", "stalled": "2 ns", "spacing": 0},
        "spacing", "whole number from 1",
    ),
    (
        {"shape": "two_state", "normal": "1 ns", "stalled": "2 ns", "spacing": 2.0},
        "spacing", "whole number from 1",
    ),
    (
        {
            "shape": "two_state", "normal": "1 ns", "stalled": "2 ns",
            "spacing": {"shape": "geometric", "mean": 0.5},
        },
        "spacing.mean", "from 1",
    ),
    (
        {
            "shape": "two_state", "normal": "1 ns", "stalled": "2 ns", "spacing": 3,
            "length": {"shape": "uniform", "low": 3, "high": 2},
        },
        "length.high", "below low",
    ),
    (
        {
            "shape": "two_state", "normal": "1 ns", "stalled": {"shape": "uniform"}, "spacing": 3,
        },
        "stalled.low", "missing",
    ),
]  # fmt: skip


@pytest.mark.parametrize(("value", "key", "said"), REFUSED)
def test_tables_that_make_no_sense_are_refused_by_key(value, key, said):
    with pytest.raises(FaultError) as caught:
        read_shape(value, TIME, Path())
    assert caught.value.fault.key == key
    assert said in caught.value.fault.allowed


def test_shapes_may_not_be_nested_without_end():
    value = "1 ns"
    for _ in range(12):
        value = {"shape": "mixture", "parts": [{"weight": 1, "of": value}]}
    with pytest.raises(FaultError, match="8 deep"):
        read_shape(value, TIME, Path())
