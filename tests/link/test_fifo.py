"""The FIFO's rules at their boundaries and a femtosecond either side."""

from __future__ import annotations

import pytest

from simlink.base.instants import NEVER
from simlink.link import fifo
from simlink.link.fifo import WhenFull


@pytest.mark.parametrize(
    ("taken", "depth", "admitted"),
    [(0, 1, True), (1, 1, False), (3, 4, True), (4, 4, False), (5, 4, False)],
)
def test_a_frame_is_admitted_while_a_slot_is_free(taken, depth, admitted):
    assert fifo.admits(taken, depth) is admitted


@pytest.mark.parametrize(("now", "replaced"), [(1299, False), (1300, True), (1301, True)])
def test_a_frame_may_be_replaced_once_it_is_whole(now, replaced):
    """Its last bit is pushed at 1300; one that is pushed at that very instant is there."""
    assert fifo.may_replace(1300, now) is replaced


@pytest.mark.parametrize(
    ("ahead", "release"),
    [(NEVER, 1306), (1305, 1306), (1306, 1306), (1307, 1307)],
)
def test_releases_wait_for_the_one_ahead(ahead, release):
    """Enough is there at 1300, 6 of synchroniser."""
    assert fifo.releases_at(1300, 6, ahead) == release


def test_releases_keep_the_order_of_the_frames():
    """Enough at 100, 110 and 200, delays of 50, 6 and 6: the second waits for the first."""
    found, ahead = [], NEVER
    for enough, delay in ((100, 50), (110, 6), (200, 6)):
        ahead = fifo.releases_at(enough, delay, ahead)
        found.append(ahead)
    assert found == [150, 150, 206]


@pytest.mark.parametrize(("discarded", "released"), [(1305, False), (1306, False), (1307, True)])
def test_a_frame_discarded_at_its_release_was_not_released(discarded, released):
    """Its release is at 1306; what is discarded at that very instant goes first."""
    assert fifo.released_before(1306, discarded) is released


@pytest.mark.parametrize("policy", WhenFull)
def test_policies_go_by_their_words(policy):
    assert WhenFull.of(policy.name.lower()) is policy
