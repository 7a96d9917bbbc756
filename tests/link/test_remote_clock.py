from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from simlink.base.instants import clock_edges
from simlink.link import remote_clock

#: 50 MHz in ns: rising at 10, 30, 50, falling at 20, 40, 60.
RISING, FALLING = (edges // 10**6 for edges in clock_edges(Fraction(50 * 10**6), 3))


def wrong(capture, valid=0, hold_of_data=0, setup=0, hold=0):
    values = (np.array(one) for one in (valid, hold_of_data, setup, hold))
    return remote_clock.wrong_later_bits(RISING, FALLING, capture, *values).tolist()


def test_half_captures_at_the_rising_and_whole_at_the_falling_edge():
    assert remote_clock.capture_offsets(RISING, FALLING, "half").tolist() == [10, 30, 50]
    assert remote_clock.capture_offsets(RISING, FALLING, "whole").tolist() == [20, 40, 60]


@pytest.mark.parametrize(("capture", "room"), [("half", 10), ("whole", 20)])
def test_later_bits_have_from_their_launch_to_their_capture(capture, room):
    """Bit 0 is judged by its frame."""
    fits = {"valid": room - 3, "setup": 3, "hold_of_data": 5}
    assert wrong(capture, **fits) == [False] * 3
    assert wrong(capture, **(fits | {"setup": 4})) == [False, True, True]


@pytest.mark.parametrize(("capture", "kept"), [("half", 12), ("whole", 2)])
def test_a_bit_is_kept_from_its_capture_to_the_next_launch_and_its_hold(capture, kept):
    assert wrong(capture, hold_of_data=2, hold=kept) == [False] * 3
    assert wrong(capture, hold_of_data=2, hold=kept + 1) == [True] * 3


def test_units_are_judged_each_by_its_own_values():
    found = remote_clock.wrong_later_bits(
        np.stack([RISING] * 2),
        np.stack([FALLING] * 2),
        "half",
        np.array([10, 11]),
        np.array([0, 0]),
        np.array([0, 0]),
        np.array([0, 0]),
    )
    assert found.tolist() == [[False] * 3, [False, True, True]]


@pytest.mark.parametrize(("valid", "late"), [(14, False), (15, True)])
def test_bit_0_is_valid_a_time_after_busy_falls(valid, late):
    """Started at 1215, captured 10 on; busy fell at 1210, and 1 of setup is asked for."""
    assert remote_clock.wrong_first_bit(1215, 10, 1210, valid, 1) == late


def test_the_clock_starts_a_delay_after_busy_falls():
    assert remote_clock.starts_at(1210, 5) == 1215
