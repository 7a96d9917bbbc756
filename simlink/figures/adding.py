"""What each record adds to the sums of its trial; compiled for long runs, as written for short."""

from __future__ import annotations

from typing import Any

import numpy as np

from simlink.base.compiled import compiled
from simlink.base.instants import NEVER
from simlink.figures.association import COUNTS
from simlink.link.fate import DELIVERED, NOT_SENT, UNDERRUN, Fate
from simlink.records import RECORD

FATES = [fate for fate in Fate if fate >= 0]
#: Sums of one trial. ``repeated``: asked for once more, and of them those ``mended``, which were
#: delivered. ``first_due`` and ``last_due``: when its first and its last trigger were due;
#: ``end``: when the last thing happened; ``busy``: how long the host was serving, ``until``: when
#: it last was; ``sampling_*``: of the sampling instants against the due ones, the first and sums
#: of the differences from it; times in fs.
SUMS = np.dtype(
    [
        *(
            (name, np.int64)
            for name in (
                "sent", "short", "timed_out", "first_due", "last_due", "end", "busy", "until",
                "sampled", "sampling_first", "repeated", "mended", *COUNTS,
            )
        ),
        ("sampling_sum", np.float64),
        ("sampling_squares", np.float64),
    ]
)  # fmt: skip
#: Of latencies counted in bins: how many, the smallest and the largest, in fs.
REACH = np.dtype([(name, np.int64) for name in ("count", "least", "largest")])

_names = list(RECORD.names or ())
REQUEST = _names.index("request")
DUE, TRIGGER, APERTURE, READY, RELEASE, SERVICE = map(
    _names.index, ("due", "trigger", "aperture", "ready", "release", "service")
)
READ_START, READ_END, OCCUPANCY, FATE, SHORT, TIMED_OUT = map(
    _names.index,
    ("read_start", "read_end", "occupancy_at_arrival", "fate", "short_acquisition", "timed_out"),
)
VOID_READ, IN_VAIN = map(_names.index, ("void_read", "in_vain"))

#: A bin holds values that agree in their exponent and this many bits of their mantissa, as
#: float64: it is a relative 2^-10 (0.1 %) wide.
MANTISSA = 10
SHIFT = 52 - MANTISSA
#: The bin of 1 fs, the first; and how many there are up to the longest time.
FIRST_BIN = 1023 << MANTISSA
BINS = 64 << MANTISSA


def bin_of(value: int) -> int:
    """Return the bin of a value in fs; what is below 1 fs is counted with it."""
    bits: Any = np.float64(max(value, 1)).view(np.int64)
    found: int = (bits >> SHIFT) - FIRST_BIN
    return found


@compiled
def add(
    records: Any,
    row: int,
    fullest: int,
    sums: Any,
    reads_on: bool,
    evenly: bool,
    depth: int,
    fates: Any,
    filling: Any,
    groups: Any,
    release_bins: Any,
    read_bins: Any,
    release_reach: Any,
    read_reach: Any,
    kept: Any,
    kept_groups: Any,
) -> int:
    """Add records to the sums of their trials.

    Parameters
    ----------
    records : ndarray of RECORD, or nested lists of its tuples, shape (rows, n)
    row : int
        The trial of their first row.
    fullest : int
        The most slots seen taken so far.
    sums : ndarray of SUMS, shape (T,)
    reads_on : bool
        Whether a frame may be read without a service of its own.
    evenly : bool
        Whether every trigger is sampled a fixed time after it was due.
    depth : int
        Of the FIFO.
    fates : ndarray of int64, shape (T, fates)
    filling : ndarray of int64
        How many slots an arriving frame found taken; what is beyond its end is counted there.
    groups : ndarray of int64, shape (T,)
        The row of the bins in which each trial's latencies are counted.
    release_bins, read_bins : ndarray of int64, shape (groups, BINS), or empty
        Latencies from the trigger to the release, of every frame that was released, and to the
        end of the read, of every frame that was read but those read too early.
    release_reach, read_reach : ndarray of REACH, shape (1,)
        Of those.
    kept, kept_groups : ndarray of int64 and int8, shape (2, room)
        Where there are no bins: filled with the latencies themselves and their groups.

    Returns
    -------
    int
        The most slots seen taken.
    """
    top = len(filling) - 1
    counts = len(release_bins) > 0
    to_release, to_read = release_reach[0], read_reach[0]
    releases, reads = 0, 0
    for t in range(row, row + len(records)):
        mine, fate, group = sums[t], fates[t], groups[t]
        rows = records[t - row]
        # Kept at hand while a trial is added up.
        sent, short, timed_out, sampled, busy = 0, 0, 0, 0, 0
        repeated, mended = 0, 0
        first_due, last_due, end, until = mine.first_due, mine.last_due, mine.end, mine.until
        first, total, squares = mine.sampling_first, mine.sampling_sum, mine.sampling_squares
        soonest_release, latest_release = to_release.least, to_release.largest
        soonest_read, latest_read = to_read.least, to_read.largest
        for i in range(len(rows)):
            record = rows[i]
            what = record[FATE]
            if what == NOT_SENT:
                continue
            trigger, release, read_end = record[TRIGGER], record[RELEASE], record[READ_END]
            aperture, found = record[APERTURE], record[OCCUPANCY]
            fate[what] += 1
            sent += 1
            short += record[SHORT]
            if record[REQUEST] != NEVER:
                repeated += 1
                mended += what == DELIVERED
            timed_out += record[TIMED_OUT]
            due = record[DUE]
            if first_due == NEVER:
                first_due = due
            last_due = max(last_due, due)
            end = max(end, trigger, record[READY], release, read_end)
            if aperture != NEVER:
                sampled += 1
                if not evenly:
                    late = aperture - due
                    if first == NEVER:
                        first = late
                    off = float(late - first)
                    total += off
                    squares += off * off
            if found >= 0:
                filling[min(found, top)] += 1
                fullest = max(fullest, min(found + 1, depth))
            if release != NEVER:
                passed = release - trigger
                soonest_release = min(soonest_release, passed)
                latest_release = max(latest_release, passed)
                if counts:
                    release_bins[group, bin_of(passed)] += 1
                else:
                    kept[0, releases], kept_groups[0, releases] = passed, group
                releases += 1
            busy += record[IN_VAIN]
            until = max(until, read_end, record[VOID_READ])
            if read_end != NEVER:
                begun = record[SERVICE]
                if reads_on and begun == NEVER:
                    begun = record[READ_START]
                busy += read_end - begun
            # What is read before its last bit has come says nothing of how long that bit takes.
            if read_end != NEVER and what != UNDERRUN:
                passed = read_end - trigger
                soonest_read = min(soonest_read, passed)
                latest_read = max(latest_read, passed)
                if counts:
                    read_bins[group, bin_of(passed)] += 1
                else:
                    kept[1, reads], kept_groups[1, reads] = passed, group
                reads += 1
        mine.sent += sent
        mine.short += short
        mine.timed_out += timed_out
        mine.sampled += sampled
        mine.repeated += repeated
        mine.mended += mended
        mine.busy += busy
        mine.first_due, mine.last_due, mine.end, mine.until = first_due, last_due, end, until
        mine.sampling_first, mine.sampling_sum, mine.sampling_squares = first, total, squares
        to_release.least, to_release.largest = soonest_release, latest_release
        to_read.least, to_read.largest = soonest_read, latest_read
    to_release.count += releases
    to_read.count += reads
    return fullest
