"""Exact instants: rounded once, half to even."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simlink.base.instants import (
    LONGEST_TRIAL,
    NEVER,
    clock_edges,
    multiples,
    period_of,
    round_ratio,
)

PERIODS = st.fractions(min_value=Fraction(1, 1000), max_value=10**12, max_denominator=10**14)


@given(st.integers(-(10**30), 10**30), st.integers(1, 10**20))
def test_a_ratio_is_rounded_as_python_rounds_a_fraction(numerator, denominator):
    assert round_ratio(numerator, denominator) == round(Fraction(numerator, denominator))


@pytest.mark.parametrize(("ratio", "nearest"), [("1/2", 0), ("3/2", 2), ("5/2", 2), ("-1/2", 0)])
def test_halves_go_to_even(ratio, nearest):
    half = Fraction(ratio)
    assert round_ratio(half.numerator, half.denominator) == nearest


@given(PERIODS, st.integers(0, 10**6), st.integers(0, 60))
def test_multiples_are_each_rounded_from_the_exact_one(period, first, count):
    expected = [round(k * period) for k in range(first, first + count)]
    found = multiples(first, count, period)
    assert found.dtype == np.int64
    assert found.tolist() == expected


@pytest.mark.parametrize(
    "period",
    [
        Fraction(2**61 + 1, 2**61 - 1),  # a denominator that leaves no room for a stretch
        Fraction(10**15, 10**12 - 1),
        Fraction(10**15 * 10**12, 333333333 * (10**12 + 12345)),
        Fraction(3, 2),
        Fraction(1, 2),
    ],
)
def test_multiples_stay_exact_where_int64_is_short_of_room(period):
    """Stretches of the fractional part are as short as int64 asks for."""
    for first in (0, 10**9):
        expected = [round(k * period) for k in range(first, first + 3000)]
        assert multiples(first, 3000, period).tolist() == expected


def test_multiples_do_not_drift_over_a_long_trial():
    """The last of 9 * 10^9 periods of 1/3 GHz ends 2.5 h at 27 * 10^15 / 3 fs... exactly."""
    period = period_of(Fraction(10**6, 3))
    last = 3 * 10**9
    assert multiples(last, 1, period).tolist() == [LONGEST_TRIAL]


def test_clock_edges_lie_at_half_periods_of_the_exact_clock():
    """3 fs a period: half periods at 1.5, 3, 4.5, 6, 7.5, 9, rounded to 2, 3, 4, 6, 8, 9."""
    rising, falling = clock_edges(Fraction(10**15, 3), 3)
    assert rising.tolist() == [2, 4, 8]
    assert falling.tolist() == [3, 6, 9]


@given(st.fractions(min_value=1, max_value=10**12, max_denominator=10**6), st.integers(1, 40))
def test_clock_edges_are_the_stated_ones(frequency, cycles):
    rising, falling = clock_edges(frequency, cycles)
    second = 10**15
    assert rising.tolist() == [
        round((k + Fraction(1, 2)) / frequency * second) for k in range(cycles)
    ]
    assert falling.tolist() == [round((k + 1) / frequency * second) for k in range(cycles)]


def test_never_is_no_instant_of_a_trial():
    assert NEVER < -LONGEST_TRIAL
    assert np.int64(NEVER) == np.iinfo(np.int64).min
