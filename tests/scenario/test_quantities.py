from __future__ import annotations

import itertools
from decimal import Decimal
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st

from simlink.base.errors import InputError
from simlink.scenario.faults import FaultError
from simlink.scenario.quantities import (
    FREQUENCY,
    LINE_RATE,
    RATIO,
    TIME,
    VOLTAGE,
    exact,
    parse_duration,
    positive,
    whole,
)

# Powers of ten of each unit, stated apart from the code.
TIMES = {"fs": 0, "ps": 3, "ns": 6, "us": 9, "µs": 9, "μs": 9, "ms": 12, "s": 15}
RATIOS = {"ppb": 3, "ppm": 6, "%": 10}
RATES = {"bit/s": 0, "kbit/s": 3, "Mbit/s": 6, "Gbit/s": 9, "Mbps": 6, "Gbps": 9, "Bd": 0, "MBd": 6}
FREQUENCIES = {"Hz": 0, "kHz": 3, "MHz": 6, "GHz": 9, "THz": 12}

decimals = st.decimals(
    min_value=Decimal(-1000), max_value=Decimal(1000), allow_nan=False, allow_infinity=False
).map(lambda number: f"{number:f}"[:40])


@given(decimals, st.sampled_from(sorted(TIMES)), st.sampled_from(["", " ", "  "]))
def test_a_duration_is_its_decimal_text_exactly(text, unit, space):
    assert exact(f"{text}{space}{unit}", TIME) == Fraction(text) * 10 ** TIMES[unit]


@given(decimals, st.sampled_from(sorted(TIMES)))
def test_a_duration_rounds_half_to_even(text, unit):
    want = Fraction(text) * 10 ** TIMES[unit]
    got = whole(f"{text} {unit}", TIME)
    assert abs(got - want) <= Fraction(1, 2)
    if abs(got - want) == Fraction(1, 2):
        assert got % 2 == 0


@given(st.decimals(min_value=-99, max_value=99, places=5), st.sampled_from(sorted(RATIOS)))
def test_a_ratio_is_its_decimal_text_exactly(number, unit):
    assert exact(f"{number:f} {unit}", RATIO) == Fraction(number) * 10 ** RATIOS[unit]


@given(st.decimals(min_value="0.001", max_value=1, places=12), st.sampled_from(sorted(FREQUENCIES)))
def test_a_frequency_is_never_rounded(number, unit):
    got = positive(f"{number:f} {unit}", FREQUENCY).value
    assert got == Fraction(number) * 10 ** FREQUENCIES[unit]


@given(st.decimals(min_value="0.001", max_value=10, places=9), st.sampled_from(sorted(RATES)))
def test_a_line_rate_is_never_rounded(number, unit):
    got = positive(f"{number:f} {unit}", LINE_RATE).value
    assert got == Fraction(number) * 10 ** RATES[unit]


@pytest.mark.parametrize(
    ("text", "want"),
    [
        ("0.1 ns", 100_000),
        ("0.5 fs", 0),
        ("1.5 fs", 2),
        ("2.5 fs", 2),
        ("-0.5 fs", 0),
        ("-1.5 fs", -2),
        ("0.0005 ps", 0),
        ("0.50000000000000000000000000000001 fs", 1),
        ("1e3 ns", 10**9),
        ("1E-3 ns", 1000),
        (".5 ps", 500),
        ("5. ps", 5000),
        ("+14ns", 14_000_000),
        ("2 min", 120 * 10**15),
        ("2.5 h", 9 * 10**18),
        ("1 µs", 10**9),
        ("1 μs", 10**9),
    ],
)
def test_durations(text, want):
    assert whole(text, TIME) == want
    assert parse_duration(text) == want


def test_frequencies_are_exact():
    assert positive("33.333333 MHz", FREQUENCY).value == 33_333_333
    assert positive("0.1 Hz", FREQUENCY).value == Fraction(1, 10)


@pytest.mark.parametrize(
    ("text", "want"), [("12.5 uV", "12.5"), ("0.04 mV", "40"), ("3 kV", "3e9")]
)
def test_voltages_are_read_exactly_in_microvolts(text, want):
    assert exact(text, VOLTAGE) == Fraction(want)
    assert exact(text.replace("u", "µ"), VOLTAGE) == Fraction(want)


def test_fifty_ppm():
    assert whole("50 ppm", RATIO) == 50_000_000
    assert whole("0.005 %", RATIO) == 50_000_000
    assert whole("50000 ppb", RATIO) == 50_000_000


WRONG = [
    "", " ", "14", "ns", "14 MHz", "14 n s", "14 nsec", "14 NS", "14 Ns", "1,5 ns", "14 ns 2",
    "1e ns", "1e9999 s", "0x10 ns", "nan ns", "inf s", "-inf s", "1 2 ns", "٣ ns", "14 ns\n7",
    "--1 ns", "1.2.3 ns", "14 ppm", "±1 ns", "1_000 ns", "9" * 200 + " fs",
    14, 14.0, True, None, float("nan"), float("inf"), [], ["14 ns"], {}, {"value": "14 ns"},
]  # fmt: skip


@pytest.mark.parametrize("value", WRONG, ids=repr)
def test_what_is_no_duration_is_refused_with_an_example(value):
    with pytest.raises(FaultError, match='a duration with a unit, such as "14 ns"'):
        exact(value, TIME)


@pytest.mark.parametrize("value", ["9000.000000000000001 s", "-2.51 h", "1e300 s", "1e30 fs"])
def test_times_over_two_and_a_half_hours_are_refused(value):
    with pytest.raises(FaultError, match=r"at most 2\.5 h"):
        exact(value, TIME)


@pytest.mark.parametrize("value", ["1.0000001 THz", "1e300 Hz"])
def test_frequencies_over_one_terahertz_are_refused(value):
    with pytest.raises(FaultError, match="at most 1 THz"):
        positive(value, FREQUENCY)


@pytest.mark.parametrize("value", ["0 Hz", "-1 MHz", "0.0 MHz"])
def test_a_frequency_is_above_zero(value):
    with pytest.raises(FaultError, match="above zero"):
        positive(value, FREQUENCY)


def test_each_dimension_refuses_the_units_of_the_others():
    for one, other in itertools.permutations((TIME, RATIO, FREQUENCY, LINE_RATE), 2):
        for unit in other.scales:
            with pytest.raises(FaultError, match="with a unit, such as"):
                exact(f"1 {unit}", one)


def test_a_duration_from_elsewhere_is_refused_in_one_line():
    with pytest.raises(InputError) as caught:
        parse_duration("14", where="--period")
    told = str(caught.value)
    assert told == '--period: got "14"; a duration with a unit, such as "14 ns"'
