"""The record that the host holds: words that are missing are missing in it."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simlink.base.instants import Times
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
        Places that no word has, of `of`.
    of : int
        Words from the first to the last that the record covers.
    gaps : int
        Runs of missing words.
    spacing : float or None
        Words from one break to the next, the median: a gap, or a place from which on every word
        is another conversion's; None for fewer than three breaks, or irregular ones.
    """

    values: Floats
    missing: int
    of: int
    gaps: int
    spacing: float | None


#: Fates of the words that the host has.
HELD = (Fate.DELIVERED, Fate.CORRUPTED, Fate.UNDERRUN)


def placed(
    fates: npt.NDArray[np.int8],
    believed: Times,
    failed: npt.NDArray[np.bool_],
    answers: Times | None = None,
) -> npt.NDArray[np.int64]:
    """Return which conversion's word stands at each place of the host's record, -1 for none.

    A word stands where the host takes it to belong, wrong bits and all, unless the host is told
    that something is wrong with it: that one is left out. What only waits, or is on its way, when
    a run ends is no gap: the record ends ahead of it. Nor is what the host reads in place of a
    frame that is gone a word. The word of a frame that no trigger asked for stands there like any
    other; it has a number beyond those of the conversions.

    Parameters
    ----------
    fates : ndarray of int8, shape (n,)
        What became of each conversion.
    believed : ndarray of int64, shape (n,)
        The conversion that the host takes its word for.
    failed : ndarray of bool, shape (n,)
        Whether a check of its frame failed, or it ended short.
    answers : ndarray of int64, shape (m,), optional
        The conversion that the host takes the word of each frame for that no trigger asked for; -1
        where it has none.
    """
    waits = fates == Fate.IN_FLIGHT
    end = len(fates) - int(np.argmin(waits[::-1])) if not waits.all() else 0
    found = np.full(end, -1, dtype=np.int64)
    # A word is believed to be one that was triggered before it was read, which may be a later one.
    there = np.isin(fates, HELD) & ~failed & (believed >= 0)
    words = np.flatnonzero(there[:end])
    words = words[believed[words] < end]
    found[believed[words]] = words
    if answers is not None:
        more = np.flatnonzero((answers >= 0) & (answers < end))
        found[answers[more]] = len(fates) + more
    return found


def _regular(spacings: npt.NDArray[np.int64]) -> float | None:
    """Return the median of spacings that are alike, to a twentieth of it, None where they differ.

    What comes irregularly makes no lines at multiples of anything.
    """
    usual = float(np.median(spacings))
    return usual if np.abs(spacings - usual).max() <= usual / 20 else None


def held(values: Floats, which: npt.NDArray[np.int64], gaps: str, zero: float = 0.0) -> Held:
    """Return a record with its gaps dealt with.

    Parameters
    ----------
    values : ndarray, shape (n,)
        What every conversion gave.
    which : ndarray of int64, shape (m,)
        The conversion whose word stands at each place, -1 for none. Where the last word stands at
        another's place, the record ends with it.
    gaps : {"cut", "join", "repeat", "zero"}
        cut: the longest stretch without a gap alone; join: what is there, one after another;
        repeat: the last word ahead of a gap fills it (the first one after it where none is
        ahead); zero: `zero` fills it.
    zero : float
        See above.
    """
    count, missing = len(which), int(np.count_nonzero(which < 0))
    places = np.flatnonzero(which >= 0)
    if len(places) and which[places[-1]] != places[-1]:
        # Behind a word that moved ahead the host waits for nothing.
        which = which[: places[-1] + 1]
    breaks = places[1:][np.diff(which[places]) != 1]
    spacing = _regular(np.diff(breaks)) if len(breaks) > 2 else None
    there, whole = which >= 0, values[which]
    edges = np.flatnonzero(np.diff(np.r_[True, there].astype(np.int8)) < 0)
    if there.all():
        found = whole
    elif gaps == "join":
        found = whole[there]
    elif gaps == "zero":
        found = np.where(there, whole, zero)
    elif gaps == "repeat":
        ahead = np.maximum.accumulate(np.where(there, np.arange(len(there)), -1))
        first = int(np.argmax(there))
        found = whole[np.where(ahead < 0, first, ahead)]
    else:
        starts = np.flatnonzero(np.diff(np.r_[False, there].astype(np.int8)) > 0)
        ends = np.flatnonzero(np.diff(np.r_[there, False].astype(np.int8)) < 0) + 1
        if len(starts) == 0:
            return Held(whole[:0], missing, count, len(edges), spacing)
        longest = int(np.argmax(ends - starts))
        found = whole[starts[longest] : ends[longest]]
    return Held(found, missing, count, len(edges), spacing)
