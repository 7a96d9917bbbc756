"""How a figure is told, and what is made of one."""

from __future__ import annotations

import pytest

from simlink.figures.figure import Figure, in_order, per_hour, plain, rate


@pytest.mark.parametrize(
    ("figure", "text"),
    [
        (Figure(None, 0.0, 0.003, 0.95, 0, 1000), "0 seen"),
        (Figure(None, count=0, of=0), "0 seen"),
        (Figure(1.0, 0.9, 1.0, 0.95, 1000, 1000), "all"),
        (Figure(0.999, 0.9, 0.9999, 0.95, 999, 1000), "all but 0.001"),
        (Figure(0.9, 0.5, 0.99, 0.95, 9, 10), "0.9"),
        (Figure(1.0, 0.9, 1.1, 0.95), "1"),
        (Figure(None, unit="s"), "-"),
        (Figure(12.0, count=12, of=12, unit="triggers"), "12"),
        (Figure(0.123456, 0.12, 0.13, 0.95, 3, 9), "0.12"),
        (Figure(0.123456, 0.1230, 0.1239, 0.95, 3, 9), "0.1235"),
        (Figure(1.23456e-6, 1.2e-6, 1.3e-6, 0.95, unit="s"), "1.2 us"),
        (Figure(1.5e6, unit="words/s"), "1.5 Mwords/s"),
        (Figure(3.0, unit="frames"), "3 frames"),
    ],
)
def test_a_figure_shows_no_more_digits_than_its_interval_supports(figure, text):
    assert figure.text() == text


def of_time(value, width=None):
    ends = (None, None) if width is None else (value - width / 2, value + width / 2)
    return Figure(value * 1e-6, *(None if end is None else end * 1e-6 for end in ends), unit="s")


@pytest.mark.parametrize(
    ("values", "said"),
    [
        # All the same: the median alone has an interval, of no width, and so seven digits.
        ([of_time(1.1075, 0), of_time(1.1075)], ["1.1075 us", "1.1075 us"]),
        # To its own digits 1.24 us would be 1.2 us.
        (
            [of_time(1.23456, 2e-3), of_time(1.24, 0.5), of_time(3.21987)],
            ["1.235 us", "1.24 us", "3.22 us"],
        ),
        ([of_time(1.2, 0.5), of_time(1.234, 0.5)], ["1.2 us", "1.2 us"]),
        ([of_time(0.0), Figure(None, unit="s"), of_time(2.0)], ["0 s", "-", "2 us"]),
        # The second makes the third finer than it would be.
        (
            [of_time(2.64, 0.5), of_time(2.6478, 2e-3), of_time(2.6479, 0.2)],
            ["2.6 us", "2.648 us", "2.648 us"],
        ),
        ([of_time(2.68, 0.5), of_time(2.69, 2e-3)], ["2.68 us", "2.69 us"]),
    ],
)
def test_figures_of_which_none_is_below_the_one_before_read_like_that(values, said):
    assert [one.text() for one in in_order(values)] == said


@pytest.mark.parametrize(
    ("delivered", "low", "said"),
    [
        # 451 kwords/s of as many; the lower end is the bound of what may be lost.
        (451e3, 237e3, "451 kwords/s"),
        (449e3, 398e3, "450 kwords/s"),
        (450.6e3, 431e3, "450 kwords/s"),
        # To its own one digit it would be 500.
        (450.6e3, 350e3, "450.6 kwords/s"),
        # To its own two digits it would be 460.
        (459e3 - 300, 401e3, "458.7 kwords/s"),
    ],
)
def test_what_is_delivered_never_reads_as_more_than_what_is_offered(delivered, low, said):
    whole = 459e3 if delivered > 451e3 else 451e3
    offered = Figure(whole, whole, whole, 0.95, unit="words/s")
    found = in_order([Figure(delivered, low, whole, 0.95, unit="words/s"), offered])
    assert [one.text() for one in found] == [said, f"{whole / 1000:.0f} kwords/s"]


def test_plain_figures_hold_every_part():
    found = plain({"a": Figure(0.5, count=1, of=2)})
    assert found == {
        "a": {
            "value": 0.5,
            "low": None,
            "high": None,
            "confidence": None,
            "count": 1,
            "of": 2,
            "unit": "1",
            "conversions": None,
            "note": None,
            "instead": None,
        }
    }


@pytest.mark.parametrize(
    ("figure", "said"),
    [
        # 1 - 0.05^(1/24) = 0.11735 and 1 - 0.05^(1/12000) = 0.00024961, both rounded up.
        (
            Figure(None, 0.0, 0.11735, 0.95, 0, 12000, conversions=12000),
            "below 12 % of boards; below 0.00025 if words are independent",
        ),
        # Words of one conversion share its fate: its 12000 words are 6000 tries.
        (
            Figure(None, 0.0, 0.11735, 0.95, 0, 12000, conversions=6000),
            "below 12 % of boards; below 0.0005 if conversions are independent",
        ),
        (
            Figure(1.0, 1 - 0.11735, 1.0, 0.95, 12000, 12000, conversions=12000),
            "above 88 % of boards; above 0.99975 if words are independent",
        ),
        (Figure(None, 0.0, 0.1301, 0.95, 0, 21), "below 14 % of boards"),
        (Figure(None, count=0, of=0), ""),
        (Figure(0.5, 0.2, 0.8, 0.95, 1, 2), ""),
        (Figure(None, unit="s"), ""),
    ],
)
def test_none_or_all_seen_is_bounded_by_units_and_by_words(figure, said):
    """An upper bound is rounded up, and a lower one down."""
    assert figure.bounds() == said
    if said:
        assert figure.interval() == said


@pytest.mark.parametrize(
    ("figure", "said"),
    [
        (Figure(2e-6, 1.5e-6, None, 0.95, unit="s"), "1.5 us or more"),
        (Figure(2e-6, None, 3.5e-6, 0.95, unit="s"), "3.5 us or less"),
        (Figure(2e-6, unit="s", note="of frames read"), ""),
        (Figure(0.5, instead="too few rare draws"), "too few rare draws"),
        (Figure(0.5, 0.41, 0.62, 0.95), "0.4 to 0.6"),
        # 9999 of 10000 are not all, and nor is the end of their interval.
        (Figure(0.9999, 0.9, 0.99998, 0.95, 9999, 10000), "all but 2e-05 to 0.1"),
        (Figure(0.996, 0.993, 0.9983, 0.95, 996, 1000), "0.993 to 0.998"),
    ],
)
def test_an_interval_says_what_is_known_of_either_end(figure, said):
    assert figure.interval() == said


def test_ends_of_intervals_stay_where_figures_can_be():
    """Few trials that differ much: a rate is not below zero, nor a share of time above one."""
    slow = rate([1.0, 1.0, 9.0], [1.0, 1.0, 1.0], "words/s")
    assert slow.low == 0.0 < slow.value < slow.high
    busy = rate([0.9, 1.0, 0.2], [1.0, 1.0, 1.0], "1")
    assert busy.low < busy.value < busy.high == 1.0


def test_a_share_of_what_is_offered_makes_so_many_words_an_hour():
    """2 words/s are 7200 an hour; a tenth of them 720. Where an end is not known none is told."""
    offered = Figure(2.0, 2.0, 2.0, 0.95, unit="words/s")
    found = per_hour(offered, Figure(0.1, 0.05, 0.2, 0.9, 10, 100))
    assert (found.value, found.low, found.high) == pytest.approx((720, 360, 1440))
    assert (found.confidence, found.unit, found.count, found.of) == (0.9, "words/h", 10, 100)
    # None seen: no value, and a bound.
    none = per_hour(offered, Figure(None, 0.0, 0.01, 0.95, 0, 100))
    assert (none.value, none.low, none.high) == (None, 0.0, pytest.approx(72))
    alone = per_hour(Figure(2.0, unit="words/s"), Figure(0.1, count=10, of=100))
    assert (alone.value, alone.low, alone.high) == (pytest.approx(720), None, None)
    assert alone.confidence is None
    nothing = per_hour(Figure(None, unit="words/s"), Figure(None, count=0, of=0))
    assert (nothing.value, nothing.text()) == (None, "-")
