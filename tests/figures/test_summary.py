"""The figures of runs worked by hand, and how they are told."""

from __future__ import annotations

import pytest

from simlink.figures import intervals, summary
from simlink.figures.summary import Figure
from simlink.running.run import run
from tests.engines.chain import TIGHT, chain

US = 1e-6


def figures(changed, **options):
    return run(chain(changed), engine="event", **options).figures


@pytest.fixture(scope="module")
def overrun():
    """One slot and a latency of 1900 ns, 4 triggers: frames 1 and 2 are refused.

    Services 1306-3366 and 4306-6366 ns, releases 306 and reads 2366 after their triggers, the
    last of which leaves at 4000.
    """
    return figures({"conversions": 4, "fifo.depth": 1, "host.service_latency": "1900 ns"})


def test_the_counts_of_an_overrun(overrun):
    assert (overrun["triggers"].count, overrun["triggers"].of) == (4, 4)
    assert (overrun["delivered"].count, overrun["delivered"].of) == (2, 4)
    assert (overrun["overrun"].value, overrun["overrun"].count) == (0.5, 2)
    assert overrun["units_overrun"].value == 1.0
    assert overrun["units_failing"].count == 1


def test_the_rates_of_an_overrun(overrun):
    """4 words in 4 us are offered, 2 delivered in 6.366 us; busy for 2 x 2060 of 6366 ns."""
    assert overrun["throughput_offered"].value == pytest.approx(1e6, rel=1e-12)
    assert overrun["throughput_delivered"].value == pytest.approx(2 / 6.366e-6, rel=1e-12)
    assert overrun["host_busy_share"].value == pytest.approx(4120 / 6366, rel=1e-12)
    assert overrun["fifo_occupancy_max"].value == 1.0


def test_the_latencies_of_an_overrun(overrun):
    for quantile in ("median", "p99", "p999", "largest_seen"):
        release, read = overrun[f"latency_release_{quantile}"], overrun[f"latency_read_{quantile}"]
        assert release.value == pytest.approx(0.306 * US, rel=1e-12)
        assert read.value == pytest.approx(2.366 * US, rel=1e-12)
        assert (release.count, read.count) == (2, 2)


def test_one_trial_supports_no_interval_of_what_it_saw(overrun):
    for name in ("delivered", "overrun", "throughput_delivered", "latency_read_median"):
        assert (overrun[name].low, overrun[name].high) == (None, None)
        assert overrun[name].confidence is None


def test_zero_events_have_a_bound_and_no_value(overrun):
    """One trial: an event in 95 % of trials may go unseen in one. Textbook: 1 - 0.05^(1/n)."""
    for name in ("underrun", "missed_trigger", "corrupted_silent", "corrupted_flagged"):
        assert overrun[name].value is None
        assert overrun[name].low == 0.0
        assert overrun[name].high == pytest.approx(0.95)
        assert overrun[name].confidence == 0.95
        assert overrun[name].count == 0
        assert overrun[name].text() == "< 0.95"
    many = figures({"trials": 40, "conversions": 5})
    assert many["overrun"].high == pytest.approx(1 - 0.05 ** (1 / 40))
    assert (many["overrun"].count, many["overrun"].of) == (0, 200)
    assert many["units_overrun"].high == many["overrun"].high


def test_counts_are_in_words():
    """Two lanes of three words: 6 words a conversion."""
    found = figures({"conversions": 5, "frame.lanes": 2, "frame.words_per_lane": 3})
    assert (found["delivered"].count, found["delivered"].of) == (30, 30)
    assert found["throughput_offered"].value == pytest.approx(6e6)
    assert found["triggers"].count == 5


def test_missed_and_short_and_given_up_triggers_are_counted():
    """4 triggers 250 ns apart, every second missed by 1 ns; the last is never released."""
    changed = TIGHT | {"conversions": 4, "converter.conversion_time": "166 ns"}
    found = figures(changed | {"host.timeout": "600 ns", "converter.acquisition_time": "400 ns"})
    assert (found["missed_trigger"].count, found["missed_trigger"].value) == (2, 0.5)
    assert found["timed_out"].count == 1
    # Busy fell at 426 and trigger 2 arrived at 760, within 400 of it.
    assert found["short_acquisition"].count == 1


def test_wrong_bits_are_silent():
    found = figures({"converter.data_valid": "11 ns", "conversions": 3})
    assert found["corrupted_silent"].count == 3
    assert found["corrupted_flagged"].value is None


def test_a_run_that_loses_nothing_is_sure_of_it_only_so_far():
    """All of 10 trials delivered: at least 1 - the bound of zero losses in 10 trials."""
    found = figures({"trials": 10, "conversions": 4})
    assert found["delivered"].value == 1.0
    assert found["delivered"].low == pytest.approx(1 - intervals.nothing_seen(10))


def test_trials_that_differ_give_intervals_around_their_means():
    changed = {
        "trials": 20,
        "conversions": 50,
        "fifo.depth": 1,
        "host.service_latency": {"shape": "exponential", "mean": "600 ns"},
    }
    found = figures(changed)
    for name in ("overrun", "throughput_delivered", "host_busy_share", "latency_read_median"):
        assert found[name].low < found[name].value < found[name].high
        assert found[name].confidence == 0.95
    assert found["latency_read_largest_seen"].high is None
    # Each offers exactly the rate: no trial differs, and the interval is of no width.
    assert found["throughput_offered"].low == pytest.approx(found["throughput_offered"].high)


@pytest.mark.parametrize(
    ("figure", "text"),
    [
        (Figure(None, 0.0, 0.003, 0.95, 0, 1000), "< 0.003"),
        (Figure(None, count=0, of=0), "none seen"),
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


def test_plain_figures_hold_every_part():
    plain = summary.plain({"a": Figure(0.5, count=1, of=2)})
    assert plain == {
        "a": {
            "value": 0.5,
            "low": None,
            "high": None,
            "confidence": None,
            "count": 1,
            "of": 2,
            "unit": "1",
        }
    }
