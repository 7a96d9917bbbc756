"""The host of a trial with a FIFO: what waits, which services begin, and the slots that reads free.

Frames that wait stand in a ring of conversion numbers, oldest first. A service names the frames
that it reads; their reads are then settled, and only their ends matter, as the instants at which
slots are freed. All of it is compiled as it stands.
"""

from __future__ import annotations

from typing import Any

from simlink.base.instants import FAR, NEVER
from simlink.engines.batch.rings import slot
from simlink.link.fate import OVERRUN, fate_of_read
from simlink.link.fifo import WhenFull, admits, may_replace, released_before
from simlink.link.host import begins_at, is_read_on, reads_from, underruns

DROP_NEW, DROP_OLD = int(WhenFull.DROP_NEW), int(WhenFull.DROP_OLD)


def latch_edge(st: Any, record: Any, note: Any) -> None:
    """Remember the first fall of busy since the service in hand began, of a frame that goes."""
    if note.edge and record.release > st.begun:
        st.latch = min(st.latch, record.release)


def latched(st: Any, waiting: Any, notes: Any) -> int:
    """Return when the first fall of busy since the last service began is, FAR if none."""
    found = st.latch
    for place in range(st.head, st.tail):
        note = notes[slot(waiting[slot(place, waiting)], notes)]
        if note.edge and note.planned > st.begun:
            found = min(found, note.planned)
    return found


def next_service(law: Any, st: Any, waiting: Any, notes: Any) -> int:
    """Return when an idle host begins its next service, FAR if it does not."""
    if st.tail - st.head < law.watermark:
        return FAR
    last = waiting[slot(st.head + law.watermark - 1, waiting)]
    when = begins_at(st.free_at, notes[slot(last, notes)].planned)
    if law.by_edge:
        when = max(when, latched(st, waiting, notes))
    return when


def read_frame(law: Any, st: Any, ends: Any, start: int, need: int, wrong: bool) -> tuple[int, int]:
    """Read the next frame that has a slot from an instant on; return its end and its fate."""
    end = start + law.read_time
    ends[slot(st.named, ends)] = end
    st.named += 1
    st.free_at = end
    early = law.may_underrun != 0 and underruns(start, need)
    return end, fate_of_read(early, wrong)


def read_group(
    law: Any, st: Any, waiting: Any, ends: Any, records: Any, notes: Any, start: int, count: int
) -> None:
    """Read the next frames back to back."""
    for _ in range(count):
        index = slot(waiting[slot(st.head, waiting)], notes)
        record, note = records[index], notes[index]
        if law.by_edge:
            latch_edge(st, record, note)
        record.read_start = start
        start, record.fate = read_frame(law, st, ends, start, note.need, note.wrong)
        record.read_end = start
        st.head += 1


def advance(
    law: Any,
    st: Any,
    waiting: Any,
    ends: Any,
    records: Any,
    notes: Any,
    latencies: Any,
    latency: int,
    limit: int,
    goal: int,
) -> None:
    """Take every decision of the host that lies strictly before an instant.

    Stops where the admitted frame of number ``goal`` has been named by a service, if that is not
    negative. Latencies that do not vary are ``latency``.
    """
    while st.tail > st.head and limit > st.free_at and not st.gone:
        if goal >= 0 and st.named > goal:
            return
        if st.continues:
            if st.free_at >= limit:
                return
            count = 0
            while st.tail > st.head + count:
                index = waiting[slot(st.head + count, waiting)]
                if not is_read_on(notes[slot(index, notes)].planned, st.free_at):
                    break
                count += 1
            st.continues = 1 if count > 0 else 0
            read_group(law, st, waiting, ends, records, notes, st.free_at, count)
            continue
        when = next_service(law, st, waiting, notes)
        if when >= limit:
            return
        index = slot(waiting[slot(st.head, waiting)], notes)
        records[index].service = when
        st.begun = when
        st.latch = FAR
        lasts = latencies[index] if len(latencies) else latency
        read_group(law, st, waiting, ends, records, notes, reads_from(when, lasts), law.watermark)
        st.continues = law.drain


def free(st: Any, ends: Any, upto: int) -> None:
    """Free the slots of reads that have ended by an instant, inclusive."""
    while st.freed < st.named and ends[slot(st.freed, ends)] <= upto:
        st.freed += 1


def freed_upto(ends: Any, freed: int, upto: int) -> int:
    """Return how many slots reads have freed by an instant, inclusive, of which some are known.

    Behind the end of the newest read stands `FAR`. More than two more are rare: these are counted
    without a branch, which a processor would guess wrong for many a frame.
    """
    freed += int(ends[slot(freed, ends)] <= upto)
    freed += int(ends[slot(freed, ends)] <= upto)
    while ends[slot(freed, ends)] <= upto:
        freed += 1
    return freed


def discard(law: Any, st: Any, waiting: Any, records: Any, notes: Any, now: int) -> bool:
    """Discard the oldest frame that is whole and that no service has named, if there is one."""
    if st.tail == st.head:
        return False
    index = slot(waiting[slot(st.head, waiting)], notes)
    record, note = records[index], notes[index]
    if not may_replace(note.whole, now):
        return False
    if not released_before(record.release, now):
        # Nor does it keep its trigger, or one before, from being given up.
        record.release = note.planned = NEVER
    elif law.by_edge:
        latch_edge(st, record, note)
    record.fate = OVERRUN
    st.head += 1
    return True


def arrive(
    law: Any,
    st: Any,
    waiting: Any,
    ends: Any,
    records: Any,
    notes: Any,
    latencies: Any,
    latency: int,
    came: int,
) -> tuple[int, bool]:
    """Let a frame's first bit come; return the slots taken then, and whether it gets one."""
    if not law.certain:
        advance(law, st, waiting, ends, records, notes, latencies, latency, came, -1)
    free(st, ends, came)
    occupancy = st.tail - st.head + st.named - st.freed
    room = admits(occupancy, law.depth)
    if not room and law.when_full == DROP_OLD:
        room = discard(law, st, waiting, records, notes, came)
    return occupancy, room


def close(
    law: Any,
    st: Any,
    waiting: Any,
    ends: Any,
    records: Any,
    notes: Any,
    latencies: Any,
    latency: int,
    when: int,
) -> None:
    """Have the slot of a frame that ends short and is never read freed at an instant."""
    if not law.certain:
        # Every read that ends before has then been named.
        advance(law, st, waiting, ends, records, notes, latencies, latency, when, -1)
    place = st.named
    while place > st.freed and ends[slot(place - 1, ends)] > when:
        ends[slot(place, ends)] = ends[slot(place - 1, ends)]
        place -= 1
    ends[slot(place, ends)] = when
    st.named += 1


def end_of(
    law: Any,
    st: Any,
    waiting: Any,
    ends: Any,
    records: Any,
    notes: Any,
    latencies: Any,
    latency: int,
    number: int,
) -> int:
    """Return when the read of the admitted frame of a number ends, NEVER if it never does.

    Nothing else may arrive before that.
    """
    advance(law, st, waiting, ends, records, notes, latencies, latency, FAR, number)
    return ends[slot(number, ends)] if st.named > number else NEVER


def note_gone(law: Any, st: Any, waiting: Any, notes: Any, high: int) -> None:
    """Note a host that will never come again, so that nothing is kept for it.

    A host that is told of edges alone and missed the last one stands still for good once its
    FIFO is full of frames that cannot be discarded; so does one whose master is held for good.
    """
    if law.when_full == DROP_NEW and law.by_edge:
        closed = st.tail - st.head == law.depth
    else:
        closed = st.held != 0
    if not closed or st.gone or st.continues or st.tail == st.head:
        return
    # Whether busy fell behind the newest conversion of all may not be known yet.
    newest = waiting[slot(st.tail - 1, waiting)]
    if newest < high - 1 and next_service(law, st, waiting, notes) == FAR:
        st.gone = 1
