"""The figures of runs worked by hand, and how they are told."""

from __future__ import annotations

import pytest

from simlink.figures import intervals
from simlink.running.run import run
from tests.engines.chain import NS, TIGHT, chain
from tests.engines.host_clocked_scenarios import serial
from tests.engines.test_false_edges import TRIGGER
from tests.engines.test_host_clocked import burst
from tests.engines.test_transients import at

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
    assert overrun["boards_overrun"].value == 1.0
    assert overrun["boards_failing"].count == 1


def test_the_rates_of_an_overrun(overrun):
    """4 words in 4 us are offered, 2 of them delivered; busy for 2 x 2060 of 1000 to 6366 ns."""
    assert overrun["throughput_offered"].value == pytest.approx(1e6, rel=1e-12)
    assert overrun["throughput_delivered"].value == pytest.approx(0.5e6, rel=1e-12)
    assert overrun["host_busy_share"].value == pytest.approx(4120 / 5366, rel=1e-12)
    assert overrun["fifo_occupancy_max"].value == 1.0


@pytest.mark.parametrize(
    ("scenario", "busy", "over"),
    [
        # Released 628, 1028 and 1428 ns after the start; 250 later the first two find busy of the
        # next conversion high, the third is read from 1678 to 1758. Offered from 400 to 1600.
        (
            serial({"trigger.rate": "2.5 MHz", "conversions": 3,
                    "host.service_latency": "250 ns"}),
            250 + 250 + 330, 1758 - 400,
        ),
        # Frame 0 is released at 1033, and its clock, which ends at 1053, finds it overwritten at
        # 1040; frame 1 is read from 1063 to 1083.
        (
            burst("30 ns", {"frame.word_bits": 1, "converter.conversion_time": "5 ns",
                            "host.capture": "half", "host.service_latency": "0 s"}),
            20 + 20, None,
        ),
        # Three frames served for 260 each, and as long one that a false edge at 1700 asked for.
        (chain(at(TRIGGER, 1700 * NS, swing=1)), 4 * 260, 3000),
    ],
)  # fmt: skip
@pytest.mark.parametrize("engine", ["event", "batch"])
def test_the_host_is_busy_also_with_what_it_reads_for_nothing(engine, scenario, busy, over):
    found = run(scenario, engine=engine)
    assert found.tally.busy.tolist() == [busy * NS]
    if over is not None:
        assert found.figures["host_busy_share"].value == pytest.approx(busy / over, rel=1e-12)


def test_the_latencies_of_an_overrun(overrun):
    for quantile in ("median", "p99", "p999", "largest_seen"):
        release, read = overrun[f"latency_release_{quantile}"], overrun[f"latency_read_{quantile}"]
        assert release.value == pytest.approx(0.306 * US, rel=1e-12)
        assert read.value == pytest.approx(2.366 * US, rel=1e-12)
        assert (release.count, read.count) == (2, 2)


def test_after_how_many_conversions_an_overrun_is_over(overrun):
    """Frames 1 and 2 are lost, and frame 3 is taken for 1, which is unanswered when it is read."""
    mean, most = overrun["recovery_frames"], overrun["recovery_frames_largest_seen"]
    assert (mean.value, most.value) == (3.0, 3.0)
    assert mean.text() == most.text() == "3 conversions"
    assert (mean.count, most.count) == (1, 1)
    assert (overrun["lost_silent"].count, overrun["misaligned_silent"].count) == (2, 1)
    assert (overrun["silent"].count, overrun["lost_told"].count) == (3, 0)


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
        assert overrun[name].text() == "0 seen"
        bounds = "below 95 % of boards; below 0.53 if words are independent"
        assert overrun[name].interval() == overrun[name].bounds() == bounds
    many = figures({"trials": 40, "conversions": 5})
    assert many["overrun"].high == pytest.approx(1 - 0.05 ** (1 / 40))
    assert (many["overrun"].count, many["overrun"].of) == (0, 200)
    assert many["boards_overrun"].high == pytest.approx(many["overrun"].high, rel=1e-12)


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


def test_frames_that_come_after_they_were_given_up_are_misaligned_and_told():
    """Released 306 ns after its trigger and given up after 300: at its read none is unanswered."""
    found = figures({"conversions": 4, "host.timeout": "300 ns"})
    assert (found["timed_out"].count, found["misaligned_told"].count) == (4, 4)
    assert (found["misaligned_silent"].count, found["silent"].count) == (0, 0)


def test_frames_are_dropped_where_a_check_can_fail():
    assert "dropped" not in figures({})
    assert figures({"check.kind": "parity"})["dropped"].text() == "0 seen"


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


def test_what_is_delivered_of_a_run_without_losses_is_all():
    found = figures({"trials": 10, "conversions": 1000})["delivered"]
    assert found.text() == "all"
    # 1 - 0.05^(1/10) = 0.2589, 1 - 0.05^(1/10000) = 0.000299528.
    assert found.bounds() == "above 74 % of boards; above 0.9997 if words are independent"


PATTERNS = {
    "periodic": {},
    "jittered": {"trigger.jitter": {"shape": "uniform", "low": "-40 ns", "high": "40 ns"}},
    "poisson": {"trigger.pattern": "poisson", "trigger.rate": "1 kHz"},
    "burst": {"trigger.pattern": "burst", "trigger.burst_length": 4, "trigger.gap": "9 us"},
    "after_read": {
        "trigger.pattern": "after_read",
        "trigger.rate": None,
        "trigger.gap": {"shape": "uniform", "low": "1 us", "high": "3 us"},
        "host.timeout": "50 us",
    },
    "remote timer": {
        "trigger.source": "remote",
        "trigger.tolerance": {"shape": "uniform", "low": "-900 ppm", "high": "900 ppm"},
    },
}


@pytest.mark.parametrize("conversions", [3, 40])
@pytest.mark.parametrize("pattern", list(PATTERNS))
def test_a_link_that_loses_nothing_delivers_exactly_what_is_offered(pattern, conversions):
    size = {"trials": 6, "conversions": conversions, "fifo.depth": 50}
    found = figures(PATTERNS[pattern] | size)
    assert found["delivered"].text() == "all"
    offered, delivered = found["throughput_offered"], found["throughput_delivered"]
    assert delivered.value == offered.value
    assert delivered.high == pytest.approx(offered.high, rel=1e-12)
    assert delivered.low <= offered.low
    assert delivered.interval() == "nothing lost: all that is offered"
    if pattern in ("periodic", "jittered"):
        assert offered.value == pytest.approx(1e6, rel=1e-9)
    if pattern == "burst":
        # Three periods of 1 us and a gap of 9: what the last burst lacks is counted in full.
        whole = conversions // 4 * 12 + conversions % 4
        assert offered.value == pytest.approx(conversions / whole * 1e6, rel=1e-9)


def test_what_is_in_flight_at_the_end_counts_neither_way():
    """A watermark of 4 leaves the last frame of 5 in the FIFO."""
    found = figures({"trials": 3, "conversions": 5, "fifo.depth": 8, "host.watermark": 4})
    assert found["in_flight"].count == 3
    assert found["delivered"].count == 12
    assert found["throughput_delivered"].value == found["throughput_offered"].value


def test_half_of_what_is_offered_is_delivered_where_half_is_lost(overrun):
    offered, delivered = overrun["throughput_offered"], overrun["throughput_delivered"]
    assert delivered.value == pytest.approx(offered.value / 2)


def test_frames_read_too_early_have_no_latency_to_their_last_bit():
    """Busy is released after the first bit, and the host reads faster than bits come."""
    early = {"conversions": 4, "fifo.release_bits": 1, "host.clock": "400 MHz"}
    early |= {"host.service_latency": "0 ns", "fifo.sync_delay": "0 ns"}
    found = figures(early)
    assert found["underrun"].count == 4
    assert found["latency_read_median"].value is None
    assert found["latency_read_median"].count == 0
    # They were released, and when is right.
    assert found["latency_release_median"].count == 4
    assert "read too early" in found["latency_read_median"].note


RARE = {
    "trials": 4,
    "fifo.depth": 50,
    "host.service_latency": {
        "shape": "two_state",
        "normal": {"shape": "uniform", "low": "80 ns", "high": "90 ns"},
        "stalled": "5 us",
        "spacing": {"shape": "geometric", "mean": 100},
    },
}


def test_a_run_with_too_few_rare_draws_has_no_interval_of_the_busy_share_and_says_so():
    few = figures(RARE | {"conversions": 50})["host_busy_share"]
    assert (few.low, few.high, few.confidence) == (None, None, None)
    assert few.value > 0
    assert few.interval() == few.instead == "too few rare draws: about 2 expected"
    enough = figures(RARE | {"conversions": 90})["host_busy_share"]
    assert enough.low < enough.value < enough.high
    assert enough.instead is None
