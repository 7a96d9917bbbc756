"""No instant leaves its range unnoticed: delays of minutes and hours, in both engines.

`SIMLINK_MANY` says how many random scenarios are tried.
"""

from __future__ import annotations

import os
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import HealthCheck, assume, given, settings

from simlink.base.errors import InputError
from simlink.base.instants import FAR, FS_PER_SECOND, LONGEST_TRIAL, NEVER
from simlink.engines.batch import BatchEngine
from simlink.engines.event import EventEngine
from simlink.link.common_mode import instants as instants_of
from simlink.link.transient import Upsets
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


def source(**keys):
    """Return a barrier that one source of transients may upset."""
    return {
        "barrier.slew_immunity": "50 kV/us",
        "transient": [{"slew": "100 kV/us", "swing": "1 kV", **keys}],
    }


@pytest.mark.parametrize(
    ("keys", "key"),
    [
        ({"kind": "at", "times": ["1 us", "2.5 h"]}, "times"),
        ({"kind": "locked", "offset": "2.5 h"}, "offset"),
        ({"kind": "locked", "offset": "-2.5 h"}, "offset"),
        ({"kind": "switching", "frequency": "1 kHz", "dead_time": "2.5 h"}, "dead_time"),
        ({"kind": "switching", "frequency": "1 kHz", "phase": "2.5 h"}, "phase"),
        ({"kind": "switching", "frequency": "1 kHz", "jitter": "-2.5 h"}, "jitter"),
    ],
)
def test_what_events_are_moved_by_counts(keys, key):
    with pytest.raises(InputError, match=r"2\.5 h is the most") as caught:
        from_dict(bench(source(**keys)))
    assert f"transient[0].{key}" in str(caught.value)


@pytest.mark.parametrize("frequency", ["1e-9 Hz", "0.00011 Hz", "0.0004 Hz", "0.1 Hz"])
@pytest.mark.parametrize("late", ["0 s", "1.2 h"])
def test_edges_that_would_come_after_every_trial_are_no_earlier(frequency, late):
    phase = 3600 * FS_PER_SECOND
    keys = {"kind": "switching", "frequency": frequency, "dead_time": late, "phase": "1 h"}
    scenario = chain(source(**keys))
    half = Fraction(FS_PER_SECOND) / Fraction(frequency.removesuffix(" Hz")) / 2
    moved = phase + (0 if late == "0 s" else 4320 * FS_PER_SECOND)
    found = [time for some in instants_of(scenario, 0, 0) for time in some.tolist()]
    # In whole numbers of any size: what comes in time, and then nothing that does.
    expected = [moved + i * half for i in range(10**4)]
    wanted = [time for time in expected if time < LONGEST_TRIAL]
    assert found[: len(wanted)] == [round(time) for time in wanted]
    assert all(time >= LONGEST_TRIAL for time in found[len(wanted) :])


@pytest.mark.parametrize(
    "keys",
    [
        {"kind": "at", "times": ["1 h"]},
        {"kind": "locked", "offset": "1 h"},
        {"kind": "switching", "frequency": "0.001 Hz", "phase": "1 h"},
    ],
)
def test_what_upsets_for_hours_ends_after_every_trial(keys):
    # The voltage slews for 10^6 V / 2 V/s = 5 * 10^5 s.
    changed = source(**keys | {"slew": "0.000002 V/us", "swing": "1000 kV"})
    scenario = from_dict(bench(changed | {"barrier.slew_immunity": "0.000001 V/us"}))
    starts, ends = Upsets(scenario, 0).windows("return", LONGEST_TRIAL)
    assert starts[0] >= HOUR
    assert LONGEST_TRIAL <= ends[-1] <= FAR


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
    drawn = found.sampler(lambda *_: np.random.Generator(np.random.SFC64(7))).take(10**6)
    assert low <= drawn.min()
    # No law is refused for nothing, and 10^6 draws come nowhere near.
    assert drawn.max() < high < 10**5 * drawn.max()


def test_every_shipped_scenario_leaves_room():
    from tests.robustness.bench import SHIPPED

    for path in SHIPPED:
        assert sum(term.time for term in terms(load(path))) < LONGEST_TRIAL / 10
