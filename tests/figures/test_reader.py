"""The host's reader, worked by hand and beside a run of the event engine."""

import math
from fractions import Fraction

import pytest

from simlink.figures.reader import Reader
from simlink.running.run import run
from simlink.scenario.distributions import Constant, Exponential, Uniform
from simlink.scenario.loading import from_dict

NS = 10**6


def reader(latency, **more):
    """A read takes 200 ns."""
    law = Constant(value=latency * NS) if isinstance(latency, int) else latency
    given = {"depth": 100, "reads_on": True, **more}
    return Reader(law, Fraction(200 * NS), **given)


@pytest.mark.parametrize(
    ("latency", "more", "spacing", "frames"),
    [
        # Read 0 ends at 900; frame 1 comes at 1000.
        (700, {}, 1000, 1),
        # Read 0 ends at 1000, and frame 1, of that instant, is read on; read 1 ends at 1200.
        (800, {}, 1000, 2),
        # Reads end at 2700, 2900, 3100, 3300: frame 3 comes at 3000, frame 4 at 4000.
        (2500, {}, 1000, 4),
        # The watermark's second frame is instant 0: 1200, 1400; frame 2 comes at 1000, read by
        # 1600, frame 3 at 2000.
        (1000, {"watermark": 2}, 1000, 3),
        # Two slots: frame 1 takes the second, frame 2 at 2000 finds none, for the first is free
        # at 2700. Frame 3 comes at 3000, read 1 ends at 2900.
        (2500, {"depth": 2}, 1000, 2),
        # At the instant at which a slot is freed it is free: 2000, and read on at 2200.
        (1800, {"depth": 2}, 1000, 3),
        (1801, {"depth": 2}, 1000, 2),
        (5000, {"depth": 1}, 1000, 1),
        # It does not read on.
        (2500, {"reads_on": False, "watermark": 2}, 1000, 2),
        # Triggers wait for the host.
        (2500, {}, None, 1),
        # No frame is ever the last one.
        (2500, {}, 200, math.inf),
    ],
)
def test_frames_of_one_latency(latency, more, spacing, frames):
    found = reader(latency, **more)
    apart = None if spacing is None else Fraction(spacing * NS)
    assert found.shared_by(apart) == frames
    share = 0 if frames == math.inf else Fraction(latency, int(frames))
    assert found.mean(apart) == (200 + share) * NS


def test_a_burst_shares_latencies_within_itself():
    """Frames 250 ns apart: a latency of 500 ns serves 1 + floor(500 / 50) = 11, a burst has 4.

    With 90 ns it serves 2: two services a burst of 4, three of 5, 5 / 3 frames each.
    """
    burst = {"pattern": "burst", "burst": 4}
    assert reader(500, **burst).shared_by(Fraction(250 * NS)) == 4
    assert reader(90, **burst).shared_by(Fraction(250 * NS)) == 2
    assert reader(90, pattern="burst", burst=5).shared_by(Fraction(250 * NS)) == 5 / 3
    # 100 ns apart all of 9 would come in 800 ns: 3 slots, and one more read by then.
    full = reader(500, pattern="burst", burst=9, depth=3)
    assert full.shared_by(Fraction(100 * NS)) == 9 / math.ceil(9 / 4)


def test_poisson_triggers_share_as_a_branching_process():
    """(1 + 600 / 1000) / (1 - 200 / 1000) = 2, and of 9000 ns no more than 4 wait: 4 / 0.8."""
    assert reader(600, pattern="poisson").shared_by(Fraction(1000 * NS)) == pytest.approx(2)
    full = reader(9000, pattern="poisson", depth=4)
    assert full.shared_by(Fraction(1000 * NS)) == pytest.approx(5)


@pytest.mark.parametrize(
    ("law", "more", "most"),
    [
        (Constant(value=2500 * NS), {}, 625),
        # Up to 2400 ns it serves 3, and 2400 / 3 = 800 is more than 2500 / 4.
        (Uniform(low=0, high=2500 * NS), {}, 800),
        (Uniform(low=2450 * NS, high=2500 * NS), {}, 625),
        (Uniform(low=0, high=700 * NS), {}, 700),
        (Uniform(low=0, high=700 * NS), {"reads_on": False, "watermark": 2}, 350),
        (Uniform(low=0, high=700 * NS), {"pattern": "poisson"}, 700),
        (Exponential(mean=NS), {}, math.inf),
    ],
)
def test_the_most_that_falls_to_one_frame(law, more, most):
    assert reader(law, **more).most_for_one(Fraction(1000 * NS)) == (
        math.inf if math.isinf(most) else most * NS
    )


@pytest.mark.parametrize(
    ("latency", "more", "least"),
    [
        (700, {"reads_on": False}, 900),
        (700, {"reads_on": False, "watermark": 2}, 550),
        # The frame after the last free slot may come when the first read ends: 4 p = 700 + 200.
        (700, {"depth": 4}, 225),
        # The reads alone take 200.
        (700, {"depth": 8}, 200),
        (700, {"depth": 1}, 900),
    ],
)
def test_the_least_period(latency, more, least):
    assert float(reader(latency, **more).least_period()) == pytest.approx(least * NS, rel=1e-6)


@pytest.mark.parametrize(
    ("more", "reads"),
    [
        # One after another, 700 + 200 each.
        ({"reads_on": False}, [(899, 0), (900, 1), (1799, 1), (1800, 2)]),
        # 700, 200, 200 a pair.
        ({"reads_on": False, "watermark": 2},
         [(899, 0), (900, 1), (1099, 1), (1100, 2), (1999, 2), (2000, 3), (2200, 4)]),
        # One latency, and then reads alone.
        ({}, [(-5, 0), (899, 0), (900, 1), (1099, 1), (1100, 2), (2900, 11)]),
    ],
)  # fmt: skip
def test_what_has_been_read_by_an_instant(more, reads):
    found = reader(700, **more)
    assert [(at, found.read_by(at * NS, 700 * NS)) for at, _ in reads] == reads


@pytest.mark.parametrize(
    "host",
    [
        {"service_latency": "700 ns", "drain": True},
        {"service_latency": "2500 ns", "drain": True},
        {"service_latency": "1100 ns", "drain": True, "watermark": 2},
        {"service_latency": "1100 ns", "watermark": 3},
        {"service_latency": {"shape": "uniform", "low": "0 ns", "high": "5 us"}, "drain": True},
        {"service_latency": {"shape": "exponential", "mean": "900 ns"}, "drain": True},
        {"service_latency": "2500 ns", "drain": True, "pattern": "poisson"},
        {"service_latency": "2500 ns", "drain": True, "pattern": "poisson", "watermark": 2},
        {"service_latency": "450 ns", "drain": True, "pattern": "burst"},
    ],
)
def test_the_mean_is_the_share_of_time_that_a_run_sees_the_host_busy(host):
    host = dict(host)
    pattern = host.pop("pattern", "periodic")
    trigger = {"pattern": pattern, "rate": "1 MHz"}
    if pattern == "burst":
        trigger = {"pattern": pattern, "rate": "2 MHz", "burst_length": 7, "gap": "5 us"}
    scenario = from_dict(
        {
            "trials": 40,
            "conversions": 2000,
            "link": {"scheme": "remote_master"},
            "trigger": trigger,
            "frame": {"word_bits": 8},
            "converter": {"conversion_time": "1 ns"},
            "remote_clock": {"frequency": "1 GHz"},
            "fifo": {"depth": 64},
            "host": {"clock": "40 MHz", **host},
        }
    )
    found = run(scenario, engine="batch")
    (cycle,) = (one for one in found.cycles if one.side == "host")
    seen = found.figures["host_busy_share"]
    expected = float(cycle.mean / cycle.period)
    spread = (seen.high - seen.low) / 2 / 1.96
    # The ends of a trial take a frame or two; the converter misses a per cent of Poisson triggers.
    allowed = 4 * spread + (0.012 if pattern == "poisson" else 0.004)
    assert abs(seen.value - expected) < allowed
