from __future__ import annotations

import pytest

from simlink.link import fate
from simlink.link.fate import Fate


@pytest.mark.parametrize(
    ("underrun", "wrong", "word"),
    [
        (False, False, "delivered"),
        (False, True, "corrupted"),
        (True, False, "underrun"),
        (True, True, "underrun"),
    ],
)
def test_an_underrun_comes_before_a_corruption(underrun, wrong, word):
    assert Fate(fate.fate_of_read(underrun, wrong)).word == word


def test_a_frame_that_is_dropped_was_read_in_time():
    """What an empty FIFO gave is no frame that a check could be made of."""
    assert [fate.fate_of_failed(one) for one in (0, 4, 3)] == [7, 7, 3]


def test_each_fate_has_a_number_of_its_own_that_records_keep():
    """These stand in finished trials on disk, so that none may be given another meaning."""
    assert {one.word: int(one) for one in Fate} == {
        "not_sent": -1,
        "delivered": 0,
        "missed_trigger": 1,
        "overrun": 2,
        "underrun": 3,
        "corrupted": 4,
        "not_received": 5,
        "in_flight": 6,
        "dropped": 7,
    }


@pytest.mark.parametrize("one", Fate)
def test_the_plain_number_of_a_fate_is_that_fate(one):
    plain = getattr(fate, one.name)
    assert type(plain) is int
    assert plain == one
