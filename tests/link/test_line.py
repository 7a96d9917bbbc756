"""What is on a data line, by hand: launches at 20, 40 and 60, the last of three bits taken away."""

import pytest

from simlink.base.instants import FAR
from simlink.link.line import CHANGING, UNDRIVEN, launched, line_changes

LAUNCHES = [20, 40, 60]


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
    found = line_changes(*launched(LAUNCHES, valid, hold, 3))
    assert [change[:2] for change in found] == changes


def test_what_a_line_shows_besides_is_no_bit():
    assert CHANGING < 0
    assert UNDRIVEN < 0
    assert CHANGING != UNDRIVEN


def test_each_change_names_the_edge_that_caused_it():
    assert line_changes(*launched(LAUNCHES, 6, 1, 3)) == [
        (21, CHANGING, 0),
        (26, 1, 0),
        (41, CHANGING, 1),
        (46, 2, 1),
        (61, UNDRIVEN, 2),
    ]


def test_the_first_bit_is_launched_by_no_edge():
    assert launched(LAUNCHES, 6, 1, 3) == ([3, 26, 46], [21, 41, 61])


def test_a_bit_that_no_edge_takes_away_stays():
    launches = [20, FAR, FAR]
    assert line_changes(*launched(launches, 6, 1, 3)) == [(21, CHANGING, 0), (26, 1, 0)]
    assert line_changes(*launched([FAR] * 3, 6, 1, 3)) == []
    assert line_changes(*launched([FAR] * 3, 0, 0, 3)) == []


def test_changes_of_one_instant_keep_the_order_of_their_edges():
    """Two edges cut off to the same instant: the last bit is gone before it was there."""
    assert line_changes(*launched([20, 20], 6, 1, 3)) == [(21, CHANGING, 0), (21, UNDRIVEN, 1)]
