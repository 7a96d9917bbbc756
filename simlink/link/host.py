"""The host reader: when bits are taken, and what it takes too early.

Bit i of a frame is taken at its start + round((i + 1/2) / host clock); the read ends, and the
next of the same group starts, at start + round(N / host clock). A bit taken before it was
pushed is an underrun and spoils its frame; at the same instant it is there.
"""

from __future__ import annotations

from typing import Any

from simlink.base.instants import Times


def reads_from(begun: Any, service_latency: Any) -> Any:
    """Return when the first frame of a service starts to be clocked out, in fs."""
    return begun + service_latency


def earliest_start(pushed: Times, take_offsets: Times) -> Times:
    """Return the earliest start of a read that finds every bit there.

    Parameters
    ----------
    pushed : ndarray of int64, shape (..., lanes, N), fs
        When each bit is pushed.
    take_offsets : ndarray of int64, shape (N,), fs
        When each bit is taken, counted from the start of the read.

    Returns
    -------
    ndarray of int64, shape (...), fs
        A read underruns if and only if it starts before this.
    """
    earliest: Times = (pushed - take_offsets).max(axis=(-1, -2))
    return earliest
