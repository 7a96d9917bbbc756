"""The record that the host holds: words that are missing are missing in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simlink.records import Fate

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Held:
    """A record as it is analysed.

    Attributes
    ----------
    values : ndarray, shape (m,)
        Evenly spaced, as far as whoever analyses it knows.
    missing : int
        Words that the host does not hold, or holds with wrong bits, of `of`.
    of : int
        Words from the first to the last that the record covers.
    gaps : int
        Runs of missing words.
    spacing : float or None
        Words from one gap to the next, the median; None for fewer than three gaps.
    """

    values: Floats
    missing: int
    of: int
    gaps: int
    spacing: float | None


def present(fates: npt.NDArray[np.int8]) -> npt.NDArray[np.bool_]:
    """Tell which words the host holds as they were sent, up to the last one that it reads.

    What only waits, or is on its way, when a run ends is no gap: the record ends ahead of it.
    """
    waits = fates == Fate.IN_FLIGHT
    end = len(fates) - int(np.argmin(waits[::-1])) if not waits.all() else 0
    there: npt.NDArray[np.bool_] = fates[:end] == Fate.DELIVERED
    return there


def held(values: Floats, there: npt.NDArray[np.bool_], gaps: str, zero: float = 0.0) -> Held:
    """Return a record with its gaps dealt with.

    Parameters
    ----------
    values : ndarray, shape (n,)
        What every conversion gave, n at least the length of `there`.
    there : ndarray of bool, shape (m,)
        Which of them the host holds.
    gaps : {"cut", "join", "repeat", "zero"}
        cut: the longest stretch without a gap alone; join: what is there, one after another;
        repeat: the last word ahead of a gap fills it (the first one after it where none is
        ahead); zero: `zero` fills it.
    zero : float
        See above.
    """
    count, whole = len(there), values[: len(there)]
    missing = count - int(np.count_nonzero(there))
    edges = np.flatnonzero(np.diff(np.r_[True, there].astype(np.int8)) < 0)
    spacing = float(np.median(np.diff(edges))) if len(edges) > 2 else None
    if missing == 0:
        found = whole
    elif gaps == "join":
        found = whole[there]
    elif gaps == "zero":
        found = np.where(there, whole, zero)
    elif gaps == "repeat":
        places = np.maximum.accumulate(np.where(there, np.arange(count), -1))
        first = int(np.argmax(there))
        found = whole[np.where(places < 0, first, places)]
    else:
        starts = np.flatnonzero(np.diff(np.r_[False, there].astype(np.int8)) > 0)
        ends = np.flatnonzero(np.diff(np.r_[there, False].astype(np.int8)) < 0) + 1
        if len(starts) == 0:
            return Held(whole[:0], missing, count, len(edges), spacing)
        longest = int(np.argmax(ends - starts))
        found = whole[starts[longest] : ends[longest]]
    return Held(found, missing, count, len(edges), spacing)
