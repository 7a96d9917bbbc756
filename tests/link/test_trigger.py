from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simlink.base.draws import Column
from simlink.base.instants import NEVER
from simlink.link import trigger
from simlink.scenario.distributions import exponential_time
from tests.engines.chain import NS, chain

BURST = {
    "trigger.pattern": "burst",
    "trigger.burst_length": 3,
    "trigger.gap": {"shape": "uniform", "low": "1 us", "high": "2 us"},
}


def due(changed, count, tolerance=0, trial=0):
    return trigger.DueTimes(chain(changed), trial, tolerance).take(count).tolist()


def test_a_tolerance_is_a_ratio_of_the_rate():
    assert trigger.actual_frequency(Fraction(10**6), 100 * 10**6) == Fraction(1_000_100)
    assert trigger.actual_frequency(Fraction(10**6), -1) == Fraction(10**18 - 10**6, 10**12)


def test_periodic_triggers_are_each_rounded_from_the_exact_instant():
    """3 MHz: 1/3 us = 333 333 333.33, twice 666 666 666.67, thrice 1 us."""
    assert due({"trigger.rate": "3 MHz"}, 3) == [333_333_333, 666_666_667, 10**9]


def test_a_burst_counts_its_gap_from_its_last_trigger():
    """2 MHz, 3 a burst, gaps of 1 us: 500, 1000, 1500, then 2500, 3000, 3500, then 4500."""
    changed = BURST | {"trigger.rate": "2 MHz", "trigger.gap": "1 us"}
    expected = [500, 1000, 1500, 2500, 3000, 3500, 4500]
    assert due(changed, 7) == [one * NS for one in expected]


def test_gaps_of_bursts_are_drawn_one_a_burst():
    found = np.diff(due(BURST | {"trigger.rate": "2 MHz"}, 9))
    assert [one == 500 * NS for one in found] == [True, True, False, True, True, False, True, True]
    gaps = found[[2, 5]]
    assert gaps[0] != gaps[1]
    assert (gaps >= 1000 * NS).all()
    assert (gaps <= 2000 * NS).all()


def test_gaps_are_drawn_from_their_own_streams():
    """The first of a Poisson stream counts from 0; bursts end 1 us after they begin."""
    scenario = chain({"trigger.pattern": "poisson", "seed": 5})
    gaps = Column(exponential_time(1000 * NS), 5, 3, "trigger.rate").take(4)
    assert trigger.DueTimes(scenario, 3, 0).take(4).tolist() == np.cumsum(gaps).tolist()
    scenario = chain(BURST | {"trigger.rate": "2 MHz", "seed": 5})
    gaps = Column(scenario.trigger.gap, 5, 3, "trigger.gap").take(2)
    found = trigger.DueTimes(scenario, 3, 0).take(7)
    assert found[[0, 3, 6]].tolist() == np.cumsum([500 * NS, *(gaps + 1000 * NS)]).tolist()


@pytest.mark.parametrize(
    "changed", [{}, BURST, {"trigger.pattern": "poisson"}], ids=["periodic", "burst", "poisson"]
)
@given(sizes=st.lists(st.integers(0, 9), max_size=7))
def test_due_times_do_not_depend_on_how_many_are_taken_at_a_time(changed, sizes):
    source = trigger.DueTimes(chain(changed), 0, 12345)
    found = [one for size in sizes for one in source.take(size).tolist()]
    assert found == due(changed, sum(sizes), 12345)


def test_poisson_gaps_are_exponential():
    """Mean and standard deviation are a period: z of both over 40,000 gaps, |z| < 4.

    The standard error of a sample's variance is sigma^2 sqrt(8 / n) for this law (its fourth
    central moment is 9 sigma^4).
    """
    count = 40_000
    gaps = np.diff(due({"trigger.pattern": "poisson"}, count + 1)) / (1000 * NS)
    assert abs(gaps.mean() - 1) * np.sqrt(count) < 4
    assert abs(gaps.var() - 1) * np.sqrt(count / 8) < 4
    assert abs(np.corrcoef(gaps[:-1], gaps[1:])[0, 1]) * np.sqrt(count) < 4


def test_a_tolerance_stretches_a_poisson_stream():
    """The same draws at a rate 10 % lower."""
    slow = np.array(due({"trigger.pattern": "poisson"}, 50, -(10**11)))
    plain = np.array(due({"trigger.pattern": "poisson"}, 50))
    assert slow / plain == pytest.approx(np.full(50, 1 / 0.9), rel=1e-6)


@pytest.mark.parametrize(
    ("jitter", "cue", "leaves"),
    [
        (0, NEVER, 1000),
        (-3, NEVER, 997),
        (4, NEVER, 1004),
        # In a loop: the host is done just before, at the same instant, and just after.
        (-3, 996, 997),
        (-3, 997, 997),
        (-3, 998, 998),
    ],
)
def test_a_trigger_leaves_when_it_is_due_and_what_it_waits_for_is_done(jitter, cue, leaves):
    """Due at 1000."""
    assert trigger.leaves_at(1000, jitter, cue) == leaves


def test_a_burst_longer_than_the_run_takes_no_more_room_than_the_run():
    """10^10 triggers a burst, of which ten are asked for."""
    changed = BURST | {"trigger.burst_length": 10**10}
    assert due(changed, 10) == [k * 1000 * NS for k in range(1, 11)]
