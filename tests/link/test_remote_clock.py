from __future__ import annotations

from fractions import Fraction

import pytest

from simlink.base.instants import clock_edges
from simlink.link import remote_clock


def test_half_captures_at_the_rising_and_whole_at_the_falling_edge():
    """50 MHz: rising at 10, 30, 50 ns, falling at 20, 40, 60 ns."""
    rising, falling = clock_edges(Fraction(50 * 10**6), 3)
    half = remote_clock.capture_offsets(rising, falling, "half")
    whole = remote_clock.capture_offsets(rising, falling, "whole")
    assert half.tolist() == [10 * 10**6, 30 * 10**6, 50 * 10**6]
    assert whole.tolist() == [20 * 10**6, 40 * 10**6, 60 * 10**6]


def test_the_clock_starts_a_delay_after_busy_falls():
    assert remote_clock.starts_at(1210, 5) == 1215


@pytest.mark.parametrize(("credit", "starts"), [(1214, 1215), (1215, 1215), (1216, 1216)])
def test_a_master_starts_when_it_may_and_has_a_credit(credit, starts):
    """It could start at 1215; a credit that comes later holds it back until then."""
    assert remote_clock.held_back_until(1215, credit) == starts
