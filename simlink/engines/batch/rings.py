"""What both loops do with the rings they walk: places, draws, blank records, timeouts."""

from __future__ import annotations

from typing import Any

from simlink.base.instants import FAR, NEVER
from simlink.link.fate import IN_FLIGHT, NOT_SENT
from simlink.link.host import gives_up

#: No ring is longer; told this, the compiler need not ask whether a place is negative.
_LONGEST = 2**31 - 1


def slot(number: int, ring: Any) -> int:
    """Return the place of a number in a ring, whose length is a power of two."""
    return number & (len(ring) - 1) & _LONGEST


def ahead_by(number: int, first: int) -> int:
    """Return how far a number is ahead of one that is not above it, nor far below."""
    return (number - first) & _LONGEST


def draw(draws: Any, place: Any, constant: Any, column: int, at: int) -> int:
    """Return the draw of a column for the conversion at a place of the rings, in base units."""
    return drawn_at(draws, place[column], constant[column], at)


def drawn_at(draws: Any, which: int, constant: int, at: int) -> int:
    """Return the same of a column that stands in a row of the ring, or in none (-1)."""
    return constant if which < 0 else draws[which, at]


def blank(record: Any) -> None:
    """Begin a conversion of which nothing has happened yet."""
    record.due = NEVER
    record.trigger = NEVER
    record.aperture = NEVER
    record.ready = NEVER
    record.release = NEVER
    record.service = NEVER
    record.read_start = NEVER
    record.read_end = NEVER
    record.occupancy_at_arrival = -1
    record.fate = NOT_SENT
    record.short_acquisition = False
    record.timed_out = False
    record.wrong_bits = 0
    record.hit = 0
    record.check_failed = False
    record.counter_error = 0
    record.void_read = NEVER
    record.in_vain = 0
    record.request = NEVER


def mend(record: Any) -> None:
    """Take what harm came to out of a record, whose place is for a later conversion."""
    record["hit"] = 0
    record["wrong_bits"] = 0
    record["check_failed"] = False
    record["counter_error"] = 0


def expire(
    law: Any, records: Any, notes: Any, low: int, high: int, now: int, certain: int, over: bool
) -> int:
    """Judge the timeouts of conversions ``low`` ... ``high - 1``.

    A conversion is given up unless it or a later one is released in time.

    Parameters
    ----------
    now : int, fs
        Nothing that is still to come is released before.
    certain : int, fs
        A frame that waits and is to be released before this instant will be; a later one may
        still be discarded.
    over : bool
        Whether nothing more is released at all.

    Returns
    -------
    int
        Up to where it could be done.
    """
    upto = high
    nearest = FAR
    for index in range(high - 1, low - 1, -1):
        record = records[slot(index, records)]
        release = notes[slot(index, notes)].planned
        if release != NEVER and (over or release < certain or record.fate != IN_FLIGHT):
            nearest = min(nearest, release)
        expires = record.trigger + law.timeout
        if nearest == FAR and not over and now <= expires:
            upto = index
        record.timed_out = gives_up(nearest, expires)
    return upto
