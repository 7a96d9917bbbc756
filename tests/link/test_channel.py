from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from simlink.link import channel as barrier

TIMES = arrays.arrays(np.int64, st.integers(0, 8), elements=st.integers(-(10**9), 10**9))


@pytest.mark.parametrize(
    ("static", "jitter", "takes"), [(14, 0, 14), (14, -3, 11), (14, -14, 0), (14, -15, 0)]
)
def test_no_symbol_arrives_before_it_was_sent(static, jitter, takes):
    assert barrier.crossing(static, jitter) == takes


def test_a_crossing_works_on_lanes_and_bits():
    found = barrier.crossing(np.array([[10], [20]]), np.array([[1, -1], [0, -30]]))
    assert found.tolist() == [[11, 9], [20, 0]]


@given(TIMES, st.integers(-(10**9), 10**9))
def test_symbols_keep_their_order_and_are_delayed_no_more_than_that_takes(times, ahead):
    found = barrier.in_order(times, ahead).tolist()
    latest = ahead
    for alone, one in zip(times.tolist(), found, strict=True):
        latest = max(latest, alone)
        assert one == latest


def test_each_lane_keeps_an_order_of_its_own():
    found = barrier.in_order(np.array([[1, 5, 3], [9, 2, 4]]), np.array([2, 0]))
    assert found.tolist() == [[2, 5, 5], [9, 9, 9]]


def test_a_falling_edge_takes_the_distortion_on_top():
    assert barrier.falling_edge(np.array([10, 10, 2]), np.array([3, -3, -3])).tolist() == [13, 7, 0]
