"""Trials that the host's own clock reads, without a FIFO, conversion by conversion.

The converter keeps one frame, so there is little to remember: the newest conversion, whose
release may still be to come; the release that the host will serve next, whose frame may already
be gone; and the busy edges on their way. At each trigger the host first takes every decision that
lies strictly before it. A busy edge that a transient takes away leaves the level as it was: since
when busy has been high without a fall on its way is remembered, and goes over to the next
conversion.

`walk` and what it calls are compiled as they stand; arrays have one row a trial.
"""

from __future__ import annotations

from typing import Any

from simlink.base.compiled import compiled
from simlink.base.instants import FAR, NEVER
from simlink.engines.batch.draws import (
    APERTURE_JITTER,
    BUSY_DELAY,
    CONVERSION_TIME,
    FORWARD_JITTER,
    GAP,
    SERVICE_LATENCY,
    SYNC_DELAY,
    TRIGGER_JITTER,
)
from simlink.engines.batch.hits import BUSY_SEED, TRIGGER_SEED
from simlink.engines.batch.read_upsets import HIT_BUSY, calm, hits
from simlink.engines.batch.reads import BUSY, read
from simlink.engines.batch.rings import blank, draw, expire, slot
from simlink.link.channel import arrives_at, falling_delay
from simlink.link.converter import (
    accepts,
    ready_at,
    samples_at,
    short_acquisition,
    shows_rise,
)
from simlink.link.fate import IN_FLIGHT, MISSED_TRIGGER, NOT_RECEIVED, OVERRUN
from simlink.link.fifo import releases_at
from simlink.link.host import begins_at, ends_wait, gives_up, reads_from
from simlink.link.trigger import leaves_at


def release(st: Any, records: Any, notes: Any) -> None:
    """Tell the host of the newest conversion."""
    index = slot(st.newest, records)
    records[index].release = st.release
    notes[index].planned = ends_wait(st.release, st.arrival)
    st.pending = st.newest
    st.pending_release = st.release
    st.pending_ready = st.ready
    st.release = FAR


def busy_is_high(st: Any, notes: Any, at: int) -> bool:
    """Tell whether busy is high at the host; never asked of an instant before the last one."""
    while st.busy_from <= st.newest:
        note = notes[slot(st.busy_from, notes)]
        if note.fall > at:
            return note.rise <= at
        st.busy_from += 1
    return False


def advance(
    law: Any,
    st: Any,
    unit: Any,
    lane_delays: Any,
    rising: Any,
    falling: Any,
    captures: Any,
    draws: Any,
    place: Any,
    constant: Any,
    lanes: Any,
    changes: Any,
    clock: Any,
    still: Any,
    back: Any,
    captured: Any,
    going: Any,
    coming: Any,
    seeds: Any,
    longest: int,
    kept_captures: Any,
    records: Any,
    notes: Any,
    first_bit: Any,
    last_bit: Any,
    limit: int,
) -> None:
    """Take every decision of the host that lies strictly before an instant."""
    while True:
        waits = st.pending_release if st.pending >= 0 else st.release
        begins = FAR if st.serving else begins_at(st.free, waits)
        if begins < limit:
            if st.release <= begins:
                release(st, records, notes)
            st.serving = 1
            st.begun = begins
            lasts = draw(draws, place, constant, SERVICE_LATENCY, slot(st.pending, notes))
            st.starts = reads_from(begins, lasts)
        if not st.serving or st.starts >= limit:
            return
        # What was released meanwhile is served by this very read.
        if st.release <= st.starts:
            release(st, records, notes)
        served = records[slot(st.pending, records)]
        # Where busy is high the host waits for the next release.
        if busy_is_high(st, notes, st.starts):
            served.in_vain += st.starts - st.begun
        else:
            newest = slot(st.newest, records)
            kept = newest if law.keeps_words else 0
            read(
                law, st, unit, lane_delays, rising, falling, captures, draws, place, constant,
                lanes, changes, clock, still, back, captured, going, coming, seeds, longest,
                kept_captures[newest], records[newest], first_bit[kept], last_bit[kept],
                slot(st.pending, notes),
            )  # fmt: skip
            if served.read_end == NEVER:
                served.void_read = st.free
                served.in_vain += st.free - st.begun
        st.serving = 0
        st.pending = -1


def lose(law: Any, record: Any, first_bit: Any, last_bit: Any) -> None:
    """Overwrite a frame, though the host may have started its clock."""
    record.fate = OVERRUN
    if record.read_end != NEVER:
        record.in_vain += record.read_end - record.service
    record.service = NEVER
    record.void_read = record.read_end
    record.read_start = NEVER
    record.read_end = NEVER
    record.wrong_bits = 0
    record.hit &= HIT_BUSY
    if law.keeps_words:
        first_bit[:] = NEVER
        last_bit[:] = NEVER


def settle(law: Any, st: Any, records: Any, notes: Any, high: int, over: bool) -> None:
    """Move on to the oldest conversion that anything to come can still change or ask for."""
    oldest = high
    if not over:
        busy_is_high(st, notes, st.now)
        # The newest may be overwritten, its busy be on its way, a release wait for its read.
        if st.newest >= 0:
            oldest = min(oldest, st.newest, st.busy_from)
        if st.pending >= 0:
            oldest = min(oldest, st.pending)
    if law.timeout != NEVER and not law.loops:
        oldest = min(oldest, expire(law, records, notes, st.low, high, st.now, FAR, over))
    st.low = max(st.low, oldest)


@compiled
def walk(
    first: int,
    count: int,
    over: bool,
    laws: Any,
    units: Any,
    delays: Any,
    rising: Any,
    falling: Any,
    captures: Any,
    due: Any,
    draws: Any,
    place: Any,
    constant: Any,
    state: Any,
    last_changes: Any,
    next_changes: Any,
    room: Any,
    windows: Any,
    bounds: Any,
    seeds: Any,
    longest: Any,
    stops: Any,
    captures_kept: Any,
    records: Any,
    notes: Any,
    first_bits: Any,
    last_bits: Any,
) -> None:
    """Take trials through conversions ``first`` ... ``first + count - 1``.

    Those of a loop that need windows beyond what is known stop ahead of a conversion, and
    go on from there when called again.

    Parameters
    ----------
    over : bool
        Whether these are the last ones.
    laws : ndarray of LAW, shape (1,)
    units : ndarray of UNIT, shape (T,)
    delays : ndarray of int64, shape (T, lanes, 2), fs
        The fixed part of each return lane's crossing, and how much longer a falling edge takes.
    rising, falling, captures
        As in `read`.
    due : ndarray of int64, shape (T or 1, count), fs
    draws, place, constant
        As in `draws.Draws`.
    state : ndarray of HOST_CLOCKED, shape (T,)
    last_changes, next_changes : ndarray of int64, shape (T, lanes), fs
        As ``lanes`` and ``changes`` in `read`.
    room : ndarray of int64, shape (4, 2 N)
        Room to work in.
    windows, bounds, longest, stops
        As `read_windows.ReadWindows` gives them.
    seeds : ndarray of uint64, shape (T, channels, 3)
        As `hits.seeds_of` gives them.
    captures_kept : ndarray of int8, shape (T, as records, lanes x N or 0)
        As `read` fills it, of each conversion.
    records, notes : ndarray of RECORD and of NOTE, shape (T, a power of two)
    first_bits, last_bits : ndarray of int64, shape (T, as records or 0, lanes, words), fs
    """
    law = laws[0]
    clock, still, back, captured = room[0], room[1], room[2], room[3]
    for t in range(len(state)):
        st, unit, lane_delays = state[t], units[t], delays[t]
        record_of, note_of, drawn = records[t], notes[t], draws[t]
        dues = due[t % len(due)]
        lanes, changes = last_changes[t], next_changes[t]
        first_bit, last_bit = first_bits[t], last_bits[t]
        kept = captures_kept[t]
        out, home = bounds[t, 0], bounds[t, 1]
        going = windows[0, out[0] : out[1]], windows[1, out[0] : out[1]]
        coming = windows[0, home[0] : home[1]], windows[1, home[0] : home[1]]
        mine, latest, stop = seeds[t], longest[t], stops[t]
        # Other windows than before.
        st.since = FAR
        busy_fall = falling_delay(unit.busy, unit.busy_distortion)
        high = first + count
        for k in range(max(first, st.next), high):
            if law.loops and st.alive and st.cue > stop:
                break
            st.next = k + 1
            at = slot(k, record_of)
            record, note = record_of[at], note_of[at]
            blank(record)
            record.hit, record.counter_error, record.check_failed = 0, 0, False
            note.planned, note.rise, note.fall = NEVER, FAR, NEVER
            if law.keeps_words:
                first_bit[at, :] = NEVER
                last_bit[at, :] = NEVER
            # The trigger.
            if law.loops:
                if not st.alive:
                    continue
                due_at = st.cue + draw(drawn, place, constant, GAP, at)
                left = leaves_at(due_at, draw(drawn, place, constant, TRIGGER_JITTER, at), st.cue)
            else:
                due_at = dues[k - first]
                left = leaves_at(due_at, draw(drawn, place, constant, TRIGGER_JITTER, at), NEVER)
            record.due = due_at
            record.trigger = left
            off = draw(drawn, place, constant, FORWARD_JITTER, at)
            arrival = arrives_at(left, unit.forward, off, st.last_arrival)
            st.last_arrival = arrival
            st.now = arrival
            advance(
                law, st, unit, lane_delays, rising, falling, captures, drawn, place, constant,
                lanes, changes, clock, still, back, captured, going, coming, mine, latest, kept,
                record_of, note_of, first_bit, last_bit, arrival,
            )  # fmt: skip
            if st.release <= arrival:
                release(st, record_of, note_of)
            # A trigger is missed while the converter converts, and while the clock is at it.
            begun = st.first <= arrival
            taken = accepts(arrival, st.ready) and not (begun and not accepts(arrival, st.last))
            lost = law.crosses and not calm(st, going, coming, left, arrival)
            lost = lost and hits(law, going, left, arrival, mine, TRIGGER_SEED, k)
            taken = taken and not lost
            if taken:
                if st.newest >= 0 and arrival < min(st.first, st.end):
                    newest = slot(st.newest, record_of)
                    own = newest if law.keeps_words else 0
                    lose(law, record_of[newest], first_bit[own], last_bit[own])
                # What is known of the read before: its clock was accepted if it came first.
                if st.end != FAR and not begun:
                    st.clock_accepted = 0
                record.fate = IN_FLIGHT
                record.short_acquisition = short_acquisition(
                    arrival, st.ready, unit.acquisition_time
                )
                record.aperture = samples_at(
                    arrival, draw(drawn, place, constant, APERTURE_JITTER, at)
                )
                ready = ready_at(arrival, draw(drawn, place, constant, CONVERSION_TIME, at))
                record.ready = ready
                # Busy crosses its own channel.
                if st.high < FAR:
                    note_of[slot(st.newest, note_of)].fall = NEVER
                rises, rise_lost = arrival + draw(drawn, place, constant, BUSY_DELAY, at), False
                if shows_rise(rises, ready):
                    off = draw(drawn, place, constant, BUSY, at)
                    st.busy = arrives_at(rises, unit.busy, off, st.busy)
                    rise_lost = not calm(st, going, coming, rises, st.busy) and hits(
                        law, coming, rises, st.busy, mine, BUSY_SEED, 2 * k
                    )
                    if not rise_lost:
                        st.high = min(st.high, st.busy)
                off = draw(drawn, place, constant, BUSY + 1, at)
                st.busy = arrives_at(ready, busy_fall, off, st.busy)
                fall_lost = not calm(st, going, coming, ready, st.busy) and hits(
                    law, coming, ready, st.busy, mine, BUSY_SEED, 2 * k + 1
                )
                if rise_lost or fall_lost:
                    record.hit = HIT_BUSY
                note.rise = st.high
                note.fall = st.busy
                if fall_lost:
                    note.fall = FAR if st.high < FAR else NEVER
                st.release = FAR
                # A fall from a level that the host never saw rise is none.
                if not fall_lost and not (rise_lost and st.high == FAR):
                    st.released = st.release = releases_at(
                        st.busy, draw(drawn, place, constant, SYNC_DELAY, at), st.released
                    )
                if not fall_lost:
                    st.high = FAR
                st.newest, st.ready, st.arrival = k, ready, arrival
                st.first, st.last, st.end = FAR, NEVER, FAR
            else:
                record.fate = NOT_RECEIVED if lost else MISSED_TRIGGER
            if law.loops:
                expires = left + law.timeout
                in_time = taken and not gives_up(ends_wait(st.release, arrival), expires)
                record.timed_out = not in_time
                st.cue = expires
                if in_time:
                    # Nothing else arrives until this frame is read, so the host may go on alone.
                    advance(
                        law, st, unit, lane_delays, rising, falling, captures, drawn, place,
                        constant, lanes, changes, clock, still, back, captured, going, coming,
                        mine, latest, kept, record_of, note_of, first_bit, last_bit, FAR,
                    )  # fmt: skip
                    st.cue = record.read_end
                    st.alive = 1 if record.read_end != NEVER else 0
        if st.next < high:
            continue
        if over:
            advance(
                law, st, unit, lane_delays, rising, falling, captures, drawn, place, constant,
                lanes, changes, clock, still, back, captured, going, coming, mine, latest, kept,
                record_of, note_of, first_bit, last_bit, FAR,
            )  # fmt: skip
        settle(law, st, record_of, note_of, high, over)
