"""A data line: which bit is on it, at the converter or as seen after a barrier.

Bit 0 comes with the fall of busy. Launching edge i takes bit i away and brings bit i + 1: the
former one is held for ``data_hold`` after it, the new one is valid ``data_valid`` after it, and
in between the line changes. After the last bit nothing drives the line.
"""

from __future__ import annotations

from collections.abc import Sequence

from simlink.base.instants import FAR

#: What a data line shows besides the bit that is valid on it.
CHANGING = -1
UNDRIVEN = -2


def line_changes(valid: Sequence[int], until: Sequence[int]) -> list[tuple[int, int, int]]:
    """Return what the launching edges of a frame do to a data line.

    Parameters
    ----------
    valid : sequence of int, fs
        From when each bit is valid. That of bit 0, which no edge launches, is not asked for.
    until : sequence of int, fs
        Until when each bit is held; far in the future if no edge takes it away.

    Returns
    -------
    list of (int, int, int)
        Instants in order, with the bit that is valid from then on, ``CHANGING``, or ``UNDRIVEN``
        after the last bit's hold, and which launching edge is the cause. A bit that would be
        valid only when its own hold has ended never is.
    """
    found: list[tuple[int, int, int]] = []
    for edge, end in enumerate(until):
        if end >= FAR:
            break
        if edge + 1 == len(until):
            found.append((end, UNDRIVEN, edge))
            break
        following = valid[edge + 1]
        if end < following:
            found.append((end, CHANGING, edge))
        if following < until[edge + 1]:
            found.append((following, edge + 1, edge))
    return sorted(found, key=lambda change: change[0])


def launched(
    launches: Sequence[int], data_valid: int, data_hold: int, first: int
) -> tuple[list[int], list[int]]:
    """Return from when and until when each bit is valid at the converter.

    Parameters
    ----------
    launches : sequence of int, fs
        The launching edges, one a bit; `FAR` for those that never come.
    data_valid, data_hold : int, fs
        The unit's own values.
    first : int, fs
        From when bit 0 is valid, which no edge launches.
    """
    valid = [first, *(edge + data_valid for edge in launches[:-1])]
    return valid, [edge + data_hold for edge in launches]
