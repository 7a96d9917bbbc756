"""The FIFO: slots, release, and what happens to a frame that finds no free slot.

A frame takes its slot at the first bit pushed on any lane and frees it when its last bit has
been read. It is released when every lane has ``release_bits`` pushed, plus the synchroniser
delay. Releases keep the order of the frames; a frame that is discarded before its release keeps
its place in that order.
"""

from __future__ import annotations

from enum import IntEnum
from typing import Any

import numpy as np


class WhenFull(IntEnum):
    """What happens to a frame that finds no free slot."""

    DROP_NEW = 0
    DROP_OLD = 1
    STALL = 2

    @classmethod
    def of(cls, name: str) -> WhenFull:
        """Return the policy of a scenario's word, such as ``"drop_new"``."""
        return cls[name.upper()]


def releases_at(enough: Any, sync_delay: Any, ahead: Any) -> Any:
    """Return when busy at the host may fall, on ints or arrays, in fs.

    Parameters
    ----------
    enough : int or ndarray of int64
        When the last lane had its ``release_bits`` pushed.
    sync_delay : int or ndarray of int64
        The synchroniser's delay for this frame.
    ahead : int or ndarray of int64
        The release of the frame before.
    """
    return np.maximum(enough + sync_delay, ahead)


def credit_at(freed: Any, forward_delay: Any) -> Any:
    """Return when the credit of a freed slot reaches the stalled remote master, in fs."""
    return freed + forward_delay
