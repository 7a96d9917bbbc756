"""The strobe's edges, and when a bit is taken wrong, by hand; all in femtoseconds."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from simlink.base.instants import clock_edges
from simlink.link import strobe

#: 3 periods of 7 fs: edges at round(3.5 i), half to even.
RISING, FALLING = clock_edges(Fraction(10**15, 7), 3)


def test_the_clock_of_these_tests():
    assert RISING.tolist() == [4, 10, 18]
    assert FALLING.tolist() == [7, 14, 21]


@pytest.mark.parametrize(
    ("capture", "edges", "ends"),
    [
        # Captured at 4 and 10: up half a period later, down as the next is captured.
        ("half", [7, 10, 14, 18], [10, 18]),
        # Captured at 7 and 14.
        ("whole", [10, 14, 18, 21], [14, 21]),
    ],
)
def test_the_strobe_rises_in_the_middle_of_each_bit(capture, edges, ends):
    """Two bits, the edges those of the clock itself: no rounded one is rounded again."""
    assert strobe.strobe_offsets(RISING, FALLING, capture).tolist() == edges
    assert strobe.end_offsets(RISING, FALLING, capture).tolist() == ends


def test_many_units_side_by_side():
    both = strobe.strobe_offsets(np.stack([RISING, RISING]), np.stack([FALLING, FALLING]), "half")
    assert both.tolist() == [[7, 10, 14, 18]] * 2
    none = np.zeros((0, 3), dtype=np.int64)
    assert strobe.strobe_offsets(none, none, "whole").shape == (0, 4)


@pytest.mark.parametrize(
    ("taken", "wrong"), [(99, True), (100, False), (101, False), (119, False), (120, False),
                         (121, True)],
)  # fmt: skip
def test_a_bit_is_right_from_the_first_to_the_last_instant_that_it_is_there(taken, wrong):
    """There from 100 to 120."""
    assert strobe.taken_wrong(taken, 100, 120) is wrong
