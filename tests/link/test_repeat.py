"""The rules of a frame that is asked for once more, by hand."""

import pytest

from simlink.link import repeat


@pytest.mark.parametrize(
    ("turn", "turns", "kept", "is_kept"),
    [(1, 1, 1, True), (1, 2, 1, False), (1, 2, 2, True), (5, 7, 2, False), (5, 7, 3, True)],
)
def test_the_newest_frames_are_kept(turn, turns, kept, is_kept):
    assert repeat.is_kept(turn, turns, kept) is is_kept


@pytest.mark.parametrize(
    ("wanted", "free", "starts"), [(100, 99, 100), (100, 100, 100), (100, 101, 101)]
)
def test_a_frame_waits_for_the_lanes(wanted, free, starts):
    assert repeat.starts_at(wanted, free) == starts
