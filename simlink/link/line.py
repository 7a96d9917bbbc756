"""A data line: which bit is on it, at the converter or as seen after a barrier.

Bit 0 comes with the fall of busy. Launching edge i takes bit i away and brings bit i + 1: the
former one is held for ``data_hold`` after it, the new one is valid ``data_valid`` after it, and
in between the line changes. After the last bit nothing drives the line.
"""

from __future__ import annotations

from simlink.base.instants import FAR, Times

#: What a data line shows besides the bit that is valid on it.
CHANGING = -1
UNDRIVEN = -2


def line_changes(valid: Times, until: Times) -> list[tuple[int, int]]:
    """Return what the launching edges of a frame do to a data line.

    Parameters
    ----------
    valid : ndarray of int64, shape (N,), fs
        From when each bit is valid. That of bit 0, which no edge launches, is not asked for.
    until : ndarray of int64, shape (N,), fs
        Until when each bit is held; far in the future if no edge takes it away.

    Returns
    -------
    list of (int, int)
        Instants in order, with the bit that is valid from then on, ``CHANGING``, or ``UNDRIVEN``
        after the last bit's hold. A bit that would be valid only when its own hold has ended
        never is.
    """
    found: list[tuple[int, int]] = []
    begins, ends = valid.tolist(), until.tolist()
    for bit, end in enumerate(ends):
        if end >= FAR:
            break
        if bit + 1 == len(ends):
            found.append((end, UNDRIVEN))
            break
        following = begins[bit + 1]
        if end < following:
            found.append((end, CHANGING))
        if following < ends[bit + 1]:
            found.append((following, bit + 1))
    return sorted(found, key=lambda change: change[0])


def launched(launches: Times, data_valid: int, data_hold: int) -> tuple[Times, Times]:
    """Return from when and until when each bit is valid at the converter; see `line_changes`.

    Parameters
    ----------
    launches : ndarray of int64, shape (N,), fs
        The launching edges.
    data_valid, data_hold : int, fs
        The unit's own values.

    Returns
    -------
    valid, until : ndarray of int64, shape (N,), fs
        Bit 0, which no edge launches, is as if valid with the first of them.
    """
    valid = launches.copy()
    valid[1:] = launches[:-1] + data_valid
    return valid, launches + data_hold
