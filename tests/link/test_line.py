"""What is on a data line, by hand: launches at 20, 40 and 60, the last of three bits taken away."""

import numpy as np
import pytest

from simlink.base.instants import FAR
from simlink.link.line import CHANGING, UNDRIVEN, launched, line_changes

LAUNCHES = np.array([20, 40, 60])


@pytest.mark.parametrize(
    ("valid", "hold", "changes"),
    [
        # Held 1, valid 6 after the edge; in between the line changes.
        (6, 1, [(21, CHANGING), (26, 1), (41, CHANGING), (46, 2), (61, UNDRIVEN)]),
        # At once.
        (0, 0, [(20, 1), (40, 2), (60, UNDRIVEN)]),
        # Held until the next is valid, and longer.
        (6, 6, [(26, 1), (46, 2), (66, UNDRIVEN)]),
        (6, 9, [(26, 1), (46, 2), (69, UNDRIVEN)]),
        # Valid only after its own hold has ended, or just then: never.
        (25, 1, [(21, CHANGING), (41, CHANGING), (61, UNDRIVEN)]),
        (21, 1, [(21, CHANGING), (41, CHANGING), (61, UNDRIVEN)]),
        # Valid after the next edge, while it is still held.
        (24, 5, [(25, CHANGING), (44, 1), (45, CHANGING), (64, 2), (65, UNDRIVEN)]),
    ],
)
def test_line_changes(valid, hold, changes):
    assert line_changes(*launched(LAUNCHES, valid, hold)) == changes


def test_a_bit_that_no_edge_takes_away_stays():
    launches = np.array([20, FAR, FAR])
    assert line_changes(*launched(launches, 6, 1)) == [(21, CHANGING), (26, 1)]
    assert line_changes(*launched(np.array([FAR] * 3), 6, 1)) == []
