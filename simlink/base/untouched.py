"""Memory for counts of which few are ever made: room is taken for what is touched alone."""

from __future__ import annotations

import mmap
import sys
from contextlib import suppress
from math import prod

import numpy as np

from simlink.base.instants import Times

#: In bytes; numpy asks for huge pages from here on, and a count would take 2 MiB.
_LARGE = 2**22


def untouched(*shape: int) -> Times:
    """Return zeros of which those that are touched take memory.

    Parameters
    ----------
    *shape : int

    Returns
    -------
    ndarray of int64
    """
    size = 8 * prod(shape)
    if sys.platform != "linux" or size < _LARGE:
        return np.zeros(shape, dtype=np.int64)
    room = mmap.mmap(-1, size, flags=mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS)
    # A kernel without huge pages knows no such advice.
    with suppress(OSError):
        room.madvise(mmap.MADV_NOHUGEPAGE)
    return np.frombuffer(room, dtype=np.int64).reshape(shape)
