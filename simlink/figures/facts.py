"""What the record of one conversion says by itself: what became of it, and what the host has of it.

Compiled rules of `association`, which reads records as plain tuples where little is asked, too.
"""

from __future__ import annotations

from typing import Any

from simlink.base.instants import NEVER
from simlink.link.fate import (
    CORRUPTED,
    DROPPED,
    MISSED_TRIGGER,
    NOT_RECEIVED,
    NOT_SENT,
    OVERRUN,
    UNDERRUN,
)
from simlink.link.host import struck_off
from simlink.records import RECORD, Cause

_names = list(RECORD.names or ())
TRIGGER, APERTURE, RELEASE, READ_END, VOID_READ = map(
    _names.index, ("trigger", "aperture", "release", "read_end", "void_read")
)
OCCUPANCY, FATE, HIT, TIMED_OUT, CHECK_FAILED, COUNTER_ERROR = map(
    _names.index,
    ("occupancy_at_arrival", "fate", "hit", "timed_out", "check_failed", "counter_error"),
)

_TRIGGER, _BUSY, _STROBE, _TIMING, _FULL, _LATE, _OCCUPIED, NO_CAUSE = map(
    int,
    (
        Cause.TRIGGER,
        Cause.BUSY,
        Cause.STROBE,
        Cause.TIMING,
        Cause.FULL,
        Cause.LATE,
        Cause.OCCUPIED,
        Cause.NONE,
    ),
)


def cause_of(record: Any, law: Any) -> int:
    """Return why a conversion is lost or wrong, as far as its record says.

    A host without a FIFO loses what it reads too late; a bit that comes after it was taken is late
    as well. A frame that was sampled and never began to arrive waits for a slot where the master
    stalls. What a transient hit of a frame comes first, as far as it can cost what was lost.
    """
    fate, hit = record[FATE], record[HIT]
    if fate in (CORRUPTED, DROPPED):
        return first_hit(hit) if hit else _TIMING
    if fate == NOT_RECEIVED:
        if record[APERTURE] == NEVER:
            return _TRIGGER
        if hit:
            return first_hit(hit)
        return _FULL if law.stalls and record[OCCUPANCY] < 0 else _STROBE
    if fate == OVERRUN:
        if hit & (1 << _BUSY):
            return _BUSY
        return _FULL if law.fifo else _LATE
    if fate == UNDERRUN:
        return _LATE
    return _OCCUPIED if fate == MISSED_TRIGGER else NO_CAUSE


def first_hit(hit: int) -> int:
    """Return the first cause among powers of 2 that are added up, at least one."""
    cause = 0
    while not hit >> cause & 1:
        cause += 1
    return cause


def arrives(record: Any) -> bool:
    """Tell whether a trigger came to the converter."""
    return bool(record[FATE] != NOT_RECEIVED or record[APERTURE] != NEVER)


def is_counted(record: Any) -> bool:
    """Tell whether the host believes the counter of what it has read."""
    if record[CHECK_FAILED] or record[FATE] == UNDERRUN:
        return False
    return bool(record[READ_END] != NEVER)


def is_left_out(extra: Any) -> bool:
    """Tell whether the host reads a frame that no trigger asked for, and believes no counter."""
    return bool(extra.read_end != NEVER and extra.counter < 0)


def shows(record: Any, arrived: int, modulus: int) -> int:
    """Return the counter that the host takes from a frame, behind so many that arrived."""
    found: int = (arrived % modulus) ^ record[COUNTER_ERROR]
    return found


def ends_short(record: Any) -> bool:
    """Tell whether a frame began to arrive and was closed before it was whole."""
    return bool(record[FATE] == NOT_RECEIVED and record[OCCUPANCY] >= 0)


def ends_read(record: Any) -> int:
    """Return when the host has read a frame, or what it took for one; NEVER if it has not."""
    found: int = max(record[READ_END], record[VOID_READ])
    return found


def is_struck(law: Any, record: Any, now: int) -> bool:
    """Tell whether a trigger has been given up before an instant."""
    return bool(record[TIMED_OUT]) and struck_off(record[TRIGGER], law.timeout, now)


def is_sent(record: Any, now: int) -> bool:
    """Tell whether a trigger has been sent before an instant."""
    return bool(record[FATE] != NOT_SENT and record[TRIGGER] < now)


def is_told(law: Any, record: Any, now: int) -> bool:
    """Tell whether the host has been told of a frame as a read ends."""
    return bool(record[RELEASE] != NEVER and record[RELEASE] < (now if law.fifo else now + 1))
