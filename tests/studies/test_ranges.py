import pytest

from simlink.base.errors import InputError
from simlink.studies.ranges import values


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("1..4", [1, 2, 3, 4]),
        ("3..3", [3]),
        ("-2..1", [-2, -1, 0, 1]),
        ("1, 2,8", [1, 2, 8]),
        ("4, 4, 4", [4]),
        ("drop_new, stall", ["drop_new", "stall"]),
        ("true, false", [True, False]),
        ("0.5, 2", [0.5, 2]),
        ("10 MHz, 2.5 MHz", ["10 MHz", "2.5 MHz"]),
        ("10 MHz..50 MHz in 5", ["10 MHz", "20 MHz", "30 MHz", "40 MHz", "50 MHz"]),
        ("10..30 MHz in 3", ["10 MHz", "20 MHz", "30 MHz"]),
        ("500 ns..1 us in 2", ["500 ns", "1000 ns"]),
        ("1 us..2 us in 4", ["1 us", "1.333333333 us", "1.666666667 us", "2 us"]),
        ("1 us..100 us in 3 log", ["1 us", "10 us", "100 us"]),
        ("1..64 in 7 log", [1, 2, 4, 8, 16, 32, 64]),
        ("1..4 in 9 log", [1, 2, 3, 4]),
        ("0 ns..20 ns by 5 ns", ["0 ns", "5 ns", "10 ns", "15 ns", "20 ns"]),
        ("0 us..1 us by 400 ns", ["0 us", "0.4 us", "0.8 us"]),
        ("1..10 by 4", [1, 5, 9]),
        ("-1 ns..1 ns in 3", ["-1 ns", "0 ns", "1 ns"]),
        ("0.5..1.5 in 3", [0.5, 1.0, 1.5]),
    ],
)
def test_ranges(text, expected):
    found = values(text, "a.key")
    assert found == expected
    assert [type(one) for one in found] == [type(one) for one in expected]


@pytest.mark.parametrize(
    "text",
    [
        "",
        ",",
        "1..",
        "..",
        "1..2..3",
        "3..1",
        "1 us..3",
        "1 us..3 MHz in 3",
        "1 us..3 us",
        "1..3 in 1",
        "1..3 in many",
        "1..3 in 3 logs",
        "0..8 in 3 log",
        "1..3 by 0",
        "1..3 by -1",
        "1 us..3 us by 1",
        "1..5000",
        "1..3 in 5000",
        "1..100000 by 1",
        "1" * 200 + "..3",
        "NaN..3 in 2",
    ],
)
def test_no_ranges(text):
    with pytest.raises(InputError) as raised:
        values(text, "a.key")
    assert str(raised.value).startswith("a.key: got ")
    assert "\n" not in str(raised.value)


@pytest.mark.parametrize(
    ("text", "allowed"),
    [
        ("3..1", "the first value may not be above the last"),
        ("1 us..3 us", 'say how many: "in 9", or "by" a step'),
        ("1 us..3 MHz in 3", "both ends have to measure the same thing"),
        ("1..3 in 1", 'after "in": how many values, at least 2, then "log" or not'),
        ("0..8 in 3 log", "log wants values above zero"),
        ("1..3 by 0", 'after "by": a step above zero'),
        ("1..3 by far", 'after "by": a step above zero'),
        ("1 us..3 us by 1", 'the step wants the unit "us"'),
        ("1 us..3 us by 1 MHz", 'the step wants the unit "us"'),
        ("1..1001", "at most 1000 values"),
        ("1..3 in 1001", "at most 1000 values"),
        ("0..1 by 0.001", "at most 1000 values"),
    ],
)
def test_what_a_range_lacks_is_said(text, allowed):
    with pytest.raises(InputError) as raised:
        values(text, "a.key")
    assert str(raised.value) == f'a.key: got "{text}"; {allowed}'


def test_a_range_may_have_a_thousand_values():
    for text in ("1..1000", "1 us..3 us in 1000", "0.001..1 by 0.001"):
        assert len(values(text, "a.key")) == 1000
