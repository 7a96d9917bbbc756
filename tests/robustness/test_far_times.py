"""No instant leaves its range unnoticed: delays of minutes and hours, in both engines.

`SIMLINK_MANY` says how many random scenarios are tried.
"""

from __future__ import annotations

import os

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings

from simlink.base.errors import InputError
from simlink.base.instants import FAR, LONGEST_TRIAL, NEVER
from simlink.engines.batch import BatchEngine
from simlink.engines.event import EventEngine
from simlink.records import RECORD
from simlink.scenario.extent import bounds, terms
from simlink.scenario.loading import from_dict, load
from tests.engines.agreement import BITS, records_of, unlike
from tests.engines.chain import chain
from tests.robustness.bench import bench
from tests.robustness.far_scenarios import far_scenarios

MANY = int(os.environ.get("SIMLINK_MANY") or 60)
HOUR = 3600 * 10**15
INSTANTS = ("trigger", "aperture", "ready", "release", "service", "read_start", "read_end", *BITS)


def instants(records):
    """Return every instant of a run that is one, int64 fs."""
    found = [records[name].ravel() for name in INSTANTS if name in records]
    whole = np.concatenate(found)
    return whole[whole != NEVER]


@settings(max_examples=MANY, suppress_health_check=list(HealthCheck))
@given(far_scenarios())
def test_slow_scenarios_agree_and_keep_every_instant_within_its_bounds(scenario):
    assume(scenario is not None)
    limit = sum(term.time for term in terms(scenario))
    assert limit <= LONGEST_TRIAL
    expected = records_of(EventEngine(), scenario)
    assert unlike(records_of(BatchEngine(), scenario), expected) == []
    found = instants(expected)
    if len(found):
        assert max(found.max(), 0) - min(found.min(), 0) <= limit


def test_sentinels_lie_outside_every_admissible_time():
    assert NEVER < -LONGEST_TRIAL
    assert LONGEST_TRIAL < FAR < np.iinfo(np.int64).max
    assert RECORD["trigger"] == np.int64


@pytest.mark.parametrize(
    ("values", "key"),
    [
        ({"remote_clock.frequency": "0.001 Hz"}, "remote_clock.frequency"),
        ({"remote_clock.frequency": "1e-9 Hz"}, "remote_clock.frequency"),
        ({"remote_clock.frequency": "1e-999 Hz"}, "remote_clock.frequency"),
        ({"host.clock": "1e-999 Hz"}, "host.clock"),
        ({"trigger.rate": "1e-999 Hz"}, "conversions"),
        (
            {"barrier.forward.jitter": "2.5 h", "barrier.return.part_to_part_skew": "2.5 h"},
            "barrier.forward",
        ),
        ({"barrier.channel_skew": "1.5 h"}, "barrier.channel_skew"),
        ({"barrier.return.channel_skew": ["1.5 h"]}, "barrier.return.channel_skew"),
        ({"converter.busy_delay": "2.5 h"}, "converter.busy_delay"),
        ({"converter.acquisition_time": "2.5 h"}, "converter.acquisition_time"),
        ({"host.setup": "2.5 h"}, "host.setup"),
        ({"host.capture": "2.5 h"}, "host.capture"),
        ({"fifo.sync_delay": "2.5 h"}, "fifo.sync_delay"),
        ({"trigger.jitter": {"shape": "uniform", "low": "-2 h", "high": "2 h"}}, "trigger.jitter"),
        (
            {
                "host.service_latency": {
                    "shape": "gamma",
                    "mean": "1 us",
                    "sigma": "1 us",
                    "offset": "8900000000000000000 fs",
                }
            },
            "host.service_latency",
        ),
        (
            {
                "barrier.return.style": "packets",
                "barrier.return.packet_bits": 10**6,
                "barrier.return.overhead_bits": 10**6,
                "barrier.return.line_rate": "1 bit/s",
            },
            "conversions",
        ),
    ],
)
@pytest.mark.parametrize("scheme", ["remote_master", "forwarded_clock"])
def test_a_trial_that_may_not_fit_is_refused_whether_or_not_the_part_is_used(values, key, scheme):
    if scheme == "forwarded_clock" and "barrier.return.style" in values:
        values = values | {"link.scheme": "remote_master"}
    raw = bench({"link.scheme": scheme, **values})
    with pytest.raises(InputError, match=r"2\.5 h is the most") as caught:
        from_dict(raw)
    assert key in str(caught.value)


@pytest.mark.parametrize("scheme", ["remote_master", "forwarded_clock"])
def test_a_delay_of_an_hour_is_simulated_alike(scheme):
    barrier = {"forward": {"delay": "0.5 h"}, "return": {"delay": "0.25 h"}}
    scenario = chain({"link.scheme": scheme, "barrier": barrier, "conversions": 3, "seed": 1})
    expected = records_of(EventEngine(), scenario)
    assert unlike(records_of(BatchEngine(), scenario), expected) == []
    released = expected["release"][expected["release"] != NEVER]
    assert released.min() > 0.75 * HOUR


def law(table):
    """Return the law of a service latency."""
    return from_dict(bench({"host.service_latency": table})).host.service_latency


@pytest.mark.parametrize(
    "table",
    [
        {"shape": "exponential", "mean": "1 us", "offset": "1 ns"},
        {"shape": "gamma", "mean": "1 us", "sigma": "100 ns"},
        {"shape": "gamma", "mean": "1 us", "sigma": "4 us"},
        {"shape": "lognormal", "mean": "1 us", "sigma": "2 us"},
        {"shape": "normal", "mean": "9 us", "sigma": "1 us", "low": "0 ns"},
        {
            "shape": "two_state",
            "normal": "1 us",
            "stalled": {"shape": "exponential", "mean": "20 us"},
            "spacing": 3,
        },
    ],
)
def test_draws_keep_within_their_bounds(table):
    found = law(table)
    low, high = bounds(found)
    drawn = found.sampler(lambda name: np.random.Generator(np.random.SFC64(7))).take(10**6)
    assert low <= drawn.min()
    # No law is refused for nothing, and 10^6 draws come nowhere near.
    assert drawn.max() < high < 10**5 * drawn.max()


def test_every_shipped_scenario_leaves_room():
    from tests.robustness.bench import SHIPPED

    for path in SHIPPED:
        assert sum(term.time for term in terms(load(path))) < LONGEST_TRIAL / 10
