"""When transients come, and when they upset: each kind by hand, a femtosecond either side."""

import math
from itertools import pairwise

import numpy as np
import pytest

from simlink.base.draws import once
from simlink.base.instants import FS_PER_SECOND
from simlink.link import eft, transient
from simlink.link.common_mode import instants, ramp_lasts
from simlink.link.transient import Upsets, is_hit, may_upset, merged
from simlink.link.trigger import DueTimes
from tests.engines.chain import chain

NS, US = 10**6, 10**9
EDGE = {"slew": "80 kV/us", "swing": "400 V"}


def made(*sources, **values):
    """Return a scenario with some transients; keys with two underscores for a dot."""
    keys = {key.replace("__", "."): value for key, value in values.items()}
    return chain({"transient": list(sources), "barrier.slew_immunity": "50 kV/us"} | keys)


def times(scenario, most=100, trial=0):
    """Return the first instants of its only source, in fs."""
    given, found = instants(scenario, 0, trial), []
    while len(found) < most and (more := next(given, None)) is not None:
        found += more.tolist()
    return found[:most]


def test_a_symbol_is_hit_when_it_overlaps_a_window_and_not_when_it_touches_it():
    assert is_hit(9, 11, 10, 20)
    assert is_hit(19, 30, 10, 20)
    assert is_hit(0, 100, 10, 20)
    assert is_hit(15, 15, 10, 20)
    assert not is_hit(0, 10, 10, 20)
    assert not is_hit(20, 30, 10, 20)


def test_a_ramp_lasts_its_swing_over_its_slew():
    assert ramp_lasts(400 * 10**6, 80 * 10**9) == 5 * NS
    assert ramp_lasts(1, 10**9) == 1
    assert ramp_lasts(10**12, 1) == 10**21


def test_at():
    scenario = made({"kind": "at", "times": ["3 us", "1 us"], **EDGE})
    assert times(scenario) == [1 * US, 3 * US]


def test_locked_follows_the_due_times():
    source = {"kind": "locked", "offset": "-30 ns", "first": 1, "every": 3, **EDGE}
    found = times(made(source, conversions=9))
    assert found == [2 * US - 30 * NS, 5 * US - 30 * NS, 8 * US - 30 * NS]


def test_locked_follows_the_timer_of_the_unit():
    """Each unit's triggers are due as its own draw of the tolerance says."""
    tolerance = {"shape": "uniform", "low": "-1 %", "high": "1 %"}
    scenario = made(
        {"kind": "locked", "offset": "-30 ns", **EDGE},
        conversions=20,
        trigger__tolerance=tolerance,
    )
    for trial in (0, 1):
        own = once(scenario.trigger.tolerance, scenario.seed, trial, "trigger.tolerance")
        due = DueTimes(scenario, trial, own).take(20)
        assert times(scenario, trial=trial) == (due - 30 * NS).tolist()
    assert times(scenario) != times(scenario, trial=1)


def test_locked_offsets_are_put_in_order():
    offset = {"shape": "uniform", "low": "-20 us", "high": "20 us"}
    found = times(made({"kind": "locked", "offset": offset, **EDGE}, conversions=1500), 2000)
    assert len(found) == 1500
    assert found == sorted(found)
    wide = {"shape": "mixture", "parts": [
        {"weight": 1, "of": {"shape": "normal", "mean": "0 ns", "sigma": "20 us"}}
    ]}  # fmt: skip
    found = times(made({"kind": "locked", "offset": wide, **EDGE}, conversions=1500), 2000)
    assert len(found) == 1500
    assert found == sorted(found)


def test_poisson_gaps_are_exponential():
    found = times(made({"kind": "poisson", "rate": "1 MHz", **EDGE}), 20000)
    gaps = np.diff([0, *found]) / US
    assert abs(gaps.mean() - 1) < 4 / math.sqrt(len(gaps))
    assert abs((gaps > 1).mean() - math.exp(-1)) < 4 * math.sqrt(0.2325 / len(gaps))


def test_rare_events_end_with_the_longest_trial():
    assert all(one < 9100 * FS_PER_SECOND for one in
               times(made({"kind": "poisson", "rate": "0.001 Hz", **EDGE})))  # fmt: skip
    slow = times(made({"kind": "switching", "frequency": "0.0001 Hz", "phase": "0 s", **EDGE}))
    assert slow == [0, 5000 * FS_PER_SECOND]


def test_switching_edges():
    source = {"kind": "switching", "frequency": "300 kHz", "phase": "1 us", "duty": 0.25, **EDGE}
    period = FS_PER_SECOND / 300_000
    rises = [US + round(k * period) for k in range(3)]
    high = round(period / 4)
    expected = [edge for rise in rises for edge in (rise, rise + high)]
    assert times(made(source), 6) == expected
    late = times(made(source | {"dead_time": "40 ns"}), 6)
    assert late == [one + 40 * NS for one in expected]
    fast = times(made(source | {"tolerance": "10 %"}), 3)
    assert fast[2] == US + round(period / 1.1)


def test_switching_edges_never_overtake_and_have_a_phase_of_their_own():
    jitter = {"shape": "uniform", "low": "-3 us", "high": "3 us"}
    source = {"kind": "switching", "frequency": "300 kHz", "jitter": jitter, **EDGE}
    found = times(made(source), 2000)
    assert found == sorted(found)
    plain = made({"kind": "switching", "frequency": "300 kHz", **EDGE}, trials=300)
    phases = [times(plain, 1, trial)[0] / (FS_PER_SECOND / 300_000) for trial in range(300)]
    assert min(phases) >= 0
    assert max(phases) <= 1
    assert abs(np.mean(phases) - 0.5) < 4 * math.sqrt(1 / 12 / 300)


def windows(scenario, way="forward", until=10**12, trial=0):
    """Return the windows of a direction that start before an instant."""
    starts, ends = Upsets(scenario, trial).windows(way, until)
    return list(zip(starts, ends, strict=True))


def test_an_edge_upsets_while_it_slews_and_recovers():
    source = {"kind": "at", "times": ["1 us"], **EDGE}
    assert windows(made(source)) == [(US, US + 5 * NS)]
    assert windows(made(source, barrier__recovery="7 ns")) == [(US, US + 12 * NS)]


def test_only_a_slew_above_the_immunity_upsets():
    source = {"kind": "at", "times": ["1 us"], "slew": "50 kV/us", "swing": "400 V"}
    assert windows(made(source)) == []
    assert windows(made(source | {"slew": "50000000001 V/s"})) == [(US, US + 8 * NS)]
    assert windows(made(source, barrier__slew_immunity=None)) == []
    assert not may_upset(made(source), "forward")
    own = {"barrier.return.slew_immunity": "49 kV/us"}
    scenario = chain({"transient": [source], "barrier.slew_immunity": "50 kV/us"} | own)
    assert (windows(scenario), len(windows(scenario, "return"))) == ([], 1)
    assert (may_upset(scenario, "forward"), may_upset(scenario, "return")) == (False, True)


def test_immunity_is_one_value_a_unit():
    law = {"shape": "uniform", "low": "60 kV/us", "high": "100 kV/us"}
    source = {"kind": "poisson", "rate": "1 MHz", **EDGE}
    scenario = made(source, barrier__slew_immunity=law, trials=60)
    upset = [len(windows(scenario, way, 10**11, t)) > 0
             for t in range(60) for way in ("forward", "return")]  # fmt: skip
    assert upset[::2] == upset[1::2]
    assert abs(np.mean(upset[::2]) - 0.5) < 4 * 0.5 / math.sqrt(60)


def test_an_eft_pulse_upsets_by_its_front_and_by_a_steep_tail():
    source = {"kind": "eft", "peak": "2 kV", "coupling": 0.5, "start": "1 us"}
    whole = windows(made(source, barrier__slew_immunity="1 kV/us"), until=2 * US)[:2]
    assert whole[0][0] == US
    assert [(start - US, end - US) for start, end in whole] == eft.above(1000, 10**9)
    front, after = windows(made(source), until=2 * US)[:2]
    assert after[0] == US + 200 * US
    assert front[1] - US == eft.above(1000, 50 * 10**9)[0][1]


def test_windows_that_overlap_are_one():
    assert merged([], [], [(0, 10), (5, 20), (20, 30), (50, 60)]) == ([0, 20, 50], [20, 30, 60])
    assert merged([0, 20, 50], [20, 30, 60], [(25, 55)]) == ([0, 20], [20, 60])
    assert merged([0, 20], [10, 30], [(12, 18), (40, 41)]) == ([0, 12, 20, 40], [10, 18, 30, 41])
    assert merged([0], [100], [(10, 20)]) == ([0], [100])
    assert merged([0], [10], [(5, 5)]) == ([0], [10])


@pytest.mark.parametrize("seed", range(5))
def test_what_is_asked_in_stretches_is_what_is_asked_at_once(seed):
    wide = {"shape": "uniform", "low": "30 kV/us", "high": "90 kV/us"}
    sources = [
        {"kind": "poisson", "rate": "300 kHz", "slew": wide, "swing": "90 kV"},
        {"kind": "switching", "frequency": "90 kHz", **EDGE},
        {"kind": "locked", "offset": {"shape": "uniform", "low": "-9 us", "high": "9 us"}, **EDGE},
    ]
    scenario = made(*sources, seed=seed, conversions=2000)
    whole = windows(scenario, "return", 3 * 10**12)
    upsets = Upsets(scenario, 0)
    rng = np.random.default_rng(seed)
    for sent in np.sort(rng.integers(0, 3 * 10**12, 500)).tolist():
        arrives = sent + int(rng.integers(0, 10**9))
        expected = any(is_hit(sent, arrives, *window) for window in whole)
        assert upsets.hit("return", sent, arrives) is expected
    assert windows(scenario, "return", 3 * 10**12)[: len(whole)] == whole
    assert all(a[1] <= b[0] for a, b in pairwise(whole))


@pytest.mark.parametrize(
    ("sent", "arrives", "met"),
    [
        # Windows from 10 to 20 and from 30 to 40: touching is not meeting.
        (5, 10, False),
        (5, 11, True),
        (19, 19, True),
        (20, 30, False),
        (20, 31, True),
        (39, 50, True),
        (40, 50, False),
    ],
)
def test_a_symbol_meets_any_of_some_windows(sent, arrives, met):
    assert transient.meets([10, 30], [20, 40], sent, arrives) is met


def test_the_chance_of_a_hit_counts_draws_from_nought_up():
    parts = transient.upset_parts(0.25)
    assert parts == transient.UPSET_PARTS // 4
    assert transient.is_upset(0.25 - 2**-53, parts)
    assert not transient.is_upset(0.25, parts)
    assert transient.is_upset(0.0, 1)
    assert not transient.is_upset(0.0, 0)
    assert transient.is_upset(1 - 2**-53, transient.upset_parts(1.0))


@pytest.mark.parametrize(
    ("values", "least", "most"),
    [
        # 80 V are a nanosecond at 80 kV/us.
        ({"swing": {"shape": "uniform", "low": "80 V", "high": "400 V"}}, 1 * NS, 5 * NS),
        ({"slew": {"shape": "uniform", "low": "80 kV/us", "high": "160 kV/us"}}, 2.5 * NS, 5 * NS),
    ],
)
def test_each_event_of_each_unit_has_a_swing_and_a_slew_of_its_own(values, least, most):
    scenario = made({"kind": "at", "times": ["1 us", "2 us", "3 us"], **EDGE, **values})
    found = []
    for trial in (0, 1):
        starts, ends = Upsets(scenario, trial).windows("forward", 4 * US)
        found += [end - start for start, end in zip(starts, ends, strict=True)]
    assert len(set(found)) == len(found) == 6
    assert least <= min(found)
    assert max(found) <= most
