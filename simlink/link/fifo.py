"""The FIFO: slots, release, and what happens to a frame that finds no free slot.

A frame takes its slot at the first bit pushed on any lane and frees it when its last bit has
been read. It is released when every lane has ``release_bits`` pushed, plus the synchroniser
delay. Releases keep the order of the frames; a frame that is discarded before its release keeps
its place in that order.
"""

from __future__ import annotations

from enum import IntEnum


class WhenFull(IntEnum):
    """What happens to a frame that finds no free slot."""

    DROP_NEW = 0
    DROP_OLD = 1
    STALL = 2

    @classmethod
    def of(cls, name: str) -> WhenFull:
        """Return the policy of a scenario's word, such as ``"drop_new"``."""
        return cls[name.upper()]


def admits(occupancy: int, depth: int) -> bool:
    """Tell whether a frame that arrives finds a slot, with so many taken."""
    return occupancy < depth


def may_replace(whole: int, now: int) -> bool:
    """Tell whether a frame that waits may be discarded for one that arrives: once it is whole.

    Parameters
    ----------
    whole : int, fs
        When its last bit was pushed.
    now : int, fs
        When the other one's first bit arrives.
    """
    return whole <= now


def releases_at(enough: int, sync_delay: int, ahead: int) -> int:
    """Return when busy at the host may fall, in fs.

    Parameters
    ----------
    enough : int, fs
        When the last lane had its ``release_bits`` pushed.
    sync_delay : int, fs
        The synchroniser's delay for this frame.
    ahead : int, fs
        The release of the frame before.
    """
    return max(enough + sync_delay, ahead)


def released_before(release: int, discarded: int) -> bool:
    """Tell whether a release had happened when its frame was discarded, at the same instant not."""
    return release < discarded


def credits_left(held: int, depth: int, started: int, total: int | None) -> int:
    """Return the credits of a remote master that gets one.

    Parameters
    ----------
    held : int
        Those that it had.
    depth : int
        Those that it had at first.
    started : int
        Those that it has spent.
    total : int or None
        How many have been sent in all, this one with them, if the credit says so: those that were
        lost on their way then count again.
    """
    return held + 1 if total is None else depth - started + total
