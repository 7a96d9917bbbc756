import math
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simlink.base import wording
from simlink.scenario.quantities import TIME, whole

NS = 10**6


@pytest.mark.parametrize(
    ("amount", "text"),
    [
        (0, "0 s"),
        (999, "999 fs"),
        (14_000_000, "14 ns"),
        (-1500, "-1.5 ps"),
        (Fraction(1, 3) * 10**9, "333.333333 ns"),
        (346_065_810_079_957, "346.06581 ms"),
        (float("inf"), "without bound"),
        (9 * 10**18, "9000 s"),
    ],
)
def test_a_stated_time_has_nine_digits(amount, text):
    assert wording.time_text(amount) == text


@given(st.integers(-(10**18), 10**18).filter(bool))
def test_a_stated_time_reads_back_to_nine_digits(amount):
    read = whole(wording.time_text(amount), TIME)
    assert abs(read - amount) <= abs(amount) * Fraction(1, 10**8)


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (0, "0 s"),
        (12_345_678, "12.35 ns"),
        (-300_000, "-300 ps"),
        (999_949_999, "999.9 ns"),
        # What rounds up to the next thousand takes the next prefix.
        (999_950_001, "1 us"),
        (-math.inf, "without bound"),
        (Fraction(1, 3), "0.3333 fs"),
    ],
)
def test_a_short_time_has_four_digits(value, said):
    assert wording.short_time(value) == said


def test_a_float_is_rounded_as_the_number_that_it_is_written_as():
    """1.5075e-06 is stored as a little less; its tie goes to the even digit, like that of fs."""
    assert Fraction(1.5075e-06) < Fraction(15075, 10**10)
    assert wording.quantity(1.5075e-06, "s") == wording.short_time(1_507_500_000) == "1.508 us"
    assert wording.quantity(1.1085e-06, "s") == wording.short_time(1_108_500_000) == "1.108 us"


@pytest.mark.parametrize(
    ("value", "least", "most"),
    [
        (0.1001, "0.1", "0.101"),
        (0.41441, "0.414", "0.415"),
        (0.0011, "0.0011", "0.0011"),
        (0.99951, "0.999", "1"),
        (7.4149e8, "7.41e+08", "7.42e+08"),
        (0.0, "0", "0"),
    ],
)
def test_ends_are_rounded_to_the_sides_that_hold(value, least, most):
    assert (wording.at_least(value), wording.at_most(value)) == (least, most)


@pytest.mark.parametrize(
    ("value", "said"),
    [(50_000_000, "50 Mbit/s"), (412_500, "412.5 kbit/s"), (Fraction(1, 2), "0.5 bit/s"),
     (10**12, "1000 Gbit/s"), (Fraction(10**9, 3), "333.333333 Mbit/s")],
)  # fmt: skip
def test_a_stated_rate(value, said):
    assert wording.rate_text(value, "bit/s") == said


def test_a_limit_is_never_rounded_past_itself():
    clock = Fraction(10**9, 3)
    assert wording.clock_limit(clock) == "333.3 MHz"
    assert wording.clock_limit(clock, upwards=True) == "333.4 MHz"
    assert wording.clock_limit(Fraction(25 * 10**6)) == "25 MHz"
    assert wording.clock_limit(Fraction(99_999_999, 100)) == "999.9 kHz"
    assert wording.clock_limit(Fraction(99_999_999, 100), upwards=True) == "1 MHz"


def test_ratios():
    assert wording.ratio_text(50_000_000, sign=True) == "+50 ppm"
    assert wording.ratio_text(-500_000, sign=True) == "-0.5 ppm"
    assert wording.ratio_text(50_000_000) == "50 ppm"
    assert wording.ratio_text(float("-inf")) == "without bound"


@pytest.mark.parametrize(
    ("value", "width", "digits"),
    [
        (1.0, None, 2),
        (0.123456, 0.01, 2),
        (0.123456, 0.0099, 3),
        (0.123456, 0.1, 1),
        (0.123456, 5.0, 1),
        (0.123456, 1e-9, 7),
        (1000.0, 1e-4, 7),
        (1000.0, 1.0, 4),
    ],
)
def test_digits_end_at_the_width_of_the_interval(value, width, digits):
    assert wording.digits_of(value, width) == digits


@pytest.mark.parametrize(
    ("value", "width", "unit", "said"),
    [
        (1.23456e-6, 1e-7, "s", "1.2 us"),
        (1.23456e-6, None, "s", "1.235 us"),
        # To one digit 978 us are a millisecond.
        (0.000978, 0.009, "s", "1 ms"),
        (123.4, 20.0, "s", "120 s"),
        (1.5e6, None, "words/s", "1.5 Mwords/s"),
        (0.0, 0.1, "s", "0 s"),
        (0.0, 0.1, "1", "0"),
        (1.26e-6, None, "1", "1.3e-06"),
        (0.123456, 0.0009, "1", "0.1235"),
    ],
)
def test_an_estimate_shows_no_more_than_its_interval_supports(value, width, unit, said):
    assert wording.estimate(value, width, unit) == said


@pytest.mark.parametrize(
    ("low", "high", "unit", "said"),
    [
        (0.99e-6, 1.021e-6, "s", "0.99 to 1.02 us"),
        (0.0, 2.04e-6, "s", "0 to 2 us"),
        (999_999.8, 1_000_000.1, "words/s", "0.9999998 to 1 Mwords/s"),
        (5e-9, 5e-9, "s", ""),
        (0.39, 1.0, "1", "0.4 to 1"),
        (0.01, 0.012, "1", "0.01 to 0.012"),
    ],
)
def test_an_interval_has_one_prefix(low, high, unit, said):
    assert wording.interval(low, high, unit) == said


@pytest.mark.parametrize(
    ("value", "said"),
    [
        (1.0, "100 %"),
        (0.0, "0 %"),
        (0.99994, "all but 6.0e-05"),
        (1 - 1e-5, "all but 1.0e-05"),
        (0.9987, "99.87 %"),
        (0.99, "99 %"),
        (0.98765, "98.8 %"),
        (4.83e-7, "4.8e-07"),
        (1e-10, "below 1e-9"),
    ],
)
def test_a_share_of_all_is_never_rounded_up_to_it(value, said):
    assert wording.most_of(value) == said


def test_shares_and_counts():
    assert wording.percent(0.25) == "25 %"
    assert wording.percent(0.95) == "95 %"
    assert wording.percent(0.005) == "0.5 %"
    assert wording.share(0.00123) == "0.0012"
    assert wording.count(2_500_000) == "2.5e+06"
    assert wording.number(1234567.0, 3) == "1230000"


def test_nanoseconds_are_exact():
    assert wording.nanoseconds(12_345_678) == "12.345678"
    assert wording.nanoseconds(-500_000) == "-0.5"
    assert wording.nanoseconds(100 * NS) == "100"
    assert wording.nanoseconds(0) == "0"


def test_a_column_has_one_unit_and_keeps_its_zeros():
    assert wording.unit_of(1_000_000) == (10**6, "ns")
    assert wording.unit_of(-999_999) == (10**3, "ps")
    assert wording.unit_of(0) == (1, "fs")
    assert wording.unit_of(2 * 10**15) == (10**15, "s")
    assert wording.in_unit(1_500_000, 10**6, 5) == "1.5000"
    assert wording.in_unit(-12_345_678, 10**6) == "-12.35"
    assert wording.in_unit(123_456_789, 10**6, 2) == "123"
    assert wording.in_unit(7, 1) == "7"


@pytest.mark.parametrize(
    ("value", "said", "in_percent"),
    [
        (0.1301, "0.14", "14 %"),
        (0.13, "0.13", "13 %"),
        (0.950000000000000067, "0.95", "95 %"),
        (2.4961e-4, "0.00025", "0.025 %"),
        (2.51e-7, "2.6e-07", "0.000026 %"),
        (0.999, "1", "100 %"),
    ],
)
def test_a_bound_is_rounded_up(value, said, in_percent):
    assert wording.bound(value) == f"below {said}"
    assert wording.bound_percent(value) == f"below {in_percent}"


@pytest.mark.parametrize(
    ("rest", "said", "in_percent"),
    [
        (0.1301, "0.86", "86 %"),
        (0.95, "0.05", "5 %"),
        (2.4961e-4, "0.99975", "99.975 %"),
        (2.51e-7, "0.99999974", "99.999974 %"),
    ],
)
def test_a_bound_of_nearly_all_is_rounded_down(rest, said, in_percent):
    assert wording.bound(rest, few=False) == f"above {said}"
    assert wording.bound_percent(rest, few=False) == f"above {in_percent}"


def test_an_interval_that_begins_at_zero_says_so_without_decimals():
    assert wording.interval(0.0, 128_000.0, "words/s") == "0 to 100 kwords/s"
