"""Trials read by a remote master into a FIFO, conversion by conversion.

Time is advanced trigger by trigger. At a frame's first push every decision of the host that lies
strictly before it is taken, slots are freed up to it, and then the frame is admitted, refused, or
put in the place of one that waits. What a begun service has named is read back to back at known
instants, so only the frames not yet named have to be queued.

`walk` and what it calls are compiled as they stand; arrays have one row a trial.
"""

from __future__ import annotations

from typing import Any

from simlink.base.compiled import compiled
from simlink.base.instants import FAR, NEVER
from simlink.engines.batch.draws import (
    APERTURE_JITTER,
    CONVERSION_TIME,
    FORWARD_JITTER,
    GAP,
    SERVICE_LATENCY,
    START_DELAY,
    SYNC_DELAY,
    TRIGGER_JITTER,
)
from simlink.engines.batch.fifo_host import advance, arrive, close, end_of, note_gone, read_frame
from simlink.engines.batch.hits import (
    CREDIT_SEED,
    PART,
    TRIGGER_SEED,
    WHOLE,
    WINDOWS,
    chance_hits,
    inverted,
    met,
    note_harm,
)
from simlink.engines.batch.packets import receive as receive_packets
from simlink.engines.batch.pushes import keep_words, move_up, push
from simlink.engines.batch.receiver import receive as receive_bits
from simlink.engines.batch.returns import JUDGES, SPOILS
from simlink.engines.batch.rings import ahead_by, blank, draw, expire, slot
from simlink.engines.batch.strobe import spoils
from simlink.link.channel import arrives_at
from simlink.link.converter import (
    accepts,
    captured_early,
    ready_at,
    samples_at,
    short_acquisition,
)
from simlink.link.fate import (
    IN_FLIGHT,
    MISSED_TRIGGER,
    NOT_RECEIVED,
    OVERRUN,
)
from simlink.link.fifo import WhenFull, releases_at
from simlink.link.host import (
    begins_at,
    busy_falls,
    gives_up,
    is_read_on,
    reads_from,
)
from simlink.link.remote_clock import held_back_until, starts_at
from simlink.link.transient import first_open
from simlink.link.trigger import leaves_at

STALL = int(WhenFull.STALL)


def settle(
    law: Any, st: Any, waiting: Any, records: Any, notes: Any, high: int, over: bool
) -> None:
    """Move on to the oldest conversion that anything to come can still change."""
    if not over:
        note_gone(law, st, waiting, notes, high)
    oldest = high if over else high - 1
    if not over and st.tail > st.head and not st.gone:
        oldest = min(oldest, waiting[slot(st.head, waiting)])
    if st.short >= 0:
        oldest = min(oldest, st.short)
    if law.timeout != NEVER and not law.loops:
        # A host that never comes releases nothing more, and discards nothing.
        certain = FAR if st.gone else st.now
        oldest = min(
            oldest, expire(law, records, notes, st.low, high, st.now, certain, over or st.gone != 0)
        )
    st.low = max(st.low, oldest)


@compiled
def walk(
    first: int,
    upto: int,
    over: bool,
    from_row: int,
    to_row: int,
    due: Any,
    later: Any,
    records: Any,
    laws: Any,
    units: Any,
    wrongs: Any,
    strobe_does: Any,
    lanes: Any,
    distortions: Any,
    captured: Any,
    ends_of_bits: Any,
    strobes: Any,
    offsets: Any,
    line_times: Any,
    takes: Any,
    last_bits: Any,
    word_firsts: Any,
    word_lasts: Any,
    bit_takes: Any,
    shapes: Any,
    draws: Any,
    place: Any,
    constant: Any,
    state: Any,
    waiting: Any,
    ends: Any,
    ahead: Any,
    line_free: Any,
    pushed: Any,
    edges: Any,
    strobe_room: Any,
    placed: Any,
    windows: Any,
    bounds: Any,
    spans: Any,
    held: Any,
    late: Any,
    asked: Any,
    seeds: Any,
    harms: Any,
    notes: Any,
    first_bit: Any,
    last_bit: Any,
) -> tuple[int, int]:
    """Take trials on, to before conversion ``upto``.

    Parameters
    ----------
    first : int
        The conversion of the first due time.
    over : bool
        Whether these are the last ones.
    from_row, to_row : int
        Of the trials, the rows that are taken.
    due : ndarray of int64, shape (T or 1, n), fs
    later : ndarray of int64, shape (T or 1, n or 0), fs
        When the first of all later triggers leaves; empty where nobody asks.
    records : ndarray of RECORD, shape (T or 1, a power of two)
    laws : ndarray of LAW, shape (1,)
    units : ndarray of UNIT, shape (T,)
    wrongs : ndarray of bool, shape (T,)
        Whether every frame of the unit has a wrong bit.
    strobe_does : ndarray of int64, shape (T,)
        As `strobes` in `returns.Symbols`.
    lanes, distortions : ndarray of int64, shape (T, lanes), fs
        The fixed part of each return lane's crossing; how much longer a falling edge of it takes.
    captured, ends_of_bits : ndarray of int64, shape (T, N), fs
    strobes : ndarray of int64, shape (T, 2 N), fs
        As `captured`, `bit_ends` and `strobe_edges` in `link.unit.Units`.
    offsets, line_times, takes, pushed
        As in `pushes.push`; offsets have a row for each trial.
    last_bits : ndarray of int64, shape (symbols,)
        The last bit that each symbol carries.
    bit_takes : ndarray of int64, shape (N,), fs
        When the host takes each bit, counted from the start of the read.
    shapes : ndarray of int64, shape (3, symbols)
        As `packets.receive` takes them.
    word_firsts, word_lasts : ndarray of int64, shape (words,)
        The symbols that carry the first and last bit of each word.
    draws, place, constant
        As in `draws.Draws`.
    state : ndarray of REMOTE, shape (T,)
    waiting, ends : ndarray of int64, shape (T, a power of two above the depth)
        The conversions that wait, and when the frames that services have named are read.
    ahead, line_free : ndarray of int64, shape (T, lanes), fs
    edges : ndarray of int64, shape (2, 2 N)
        Room for the strobe's to be worked out in.
    strobe_room : ndarray of int64, shape (2, N)
    placed : ndarray of int64, shape (1 + lanes, N)
        As `strobe` and `placed` in `receiver.receive`.
    windows, bounds
        As `windows.Windows` gives them.
    spans : ndarray of int64, shape (T,), fs
        When the last bit and strobe of a frame have come at the latest, counted from the start, of
        those that are not drawn.
    held : ndarray of int64, shape (2, lanes)
        Room for what was ahead of a frame, and when the line was free of it.
    late : ndarray of int64, shape (T, columns, 2)
    asked, harms
        As `hits.inverted` takes them, of all trials.
    seeds : ndarray of uint64, shape (T, channels, 3)
        As `hits.seeds_of` gives them.
    notes : ndarray of NOTE, shape as records
        Of trials that share one row of these and of draws, each is walked for itself.
    first_bit, last_bit : ndarray of int64, shape (T, as records or 0, lanes, words), fs

    Returns
    -------
    trial, lacks : int
        A trial that has stopped, and for want of what, as in `hits.Wanted`; to be called again,
        until nothing is wanted.
    """
    law = laws[0]
    mask = records.shape[1] - 1
    latency_place = place[SERVICE_LATENCY]
    latency = constant[SERVICE_LATENCY]
    for t in range(from_row, to_row):
        st, unit = state[t], units[t]
        if st.next >= upto:
            continue
        wait, end, drawn = waiting[t], ends[t], draws[t % len(draws)]
        record_of, note_of = records[t % len(records)], notes[t % len(notes)]
        latencies = drawn[latency_place, : mask + 1] if latency_place >= 0 else constant[:0]
        dues, laters = due[t % len(due)], later[t % len(later)]
        lane, offset, before, line = lanes[t], offsets[t], ahead[t], line_free[t]
        always_wrong, first_captured = wrongs[t], captured[t, 0]
        asks_strobe = strobe_does[t] == JUDGES
        there, back, credit = bounds[t, 0], bounds[t, 1], bounds[t, 2]
        there_starts, there_ends = windows[0, there[0] : there[1]], windows[1, there[0] : there[1]]
        back_starts, back_ends = windows[0, back[0] : back[1]], windows[1, back[0] : back[1]]
        credit_starts = windows[0, credit[0] : credit[1]]
        credit_ends = windows[1, credit[0] : credit[1]]
        # The first window of each way that does not lie before all that is still to be sent.
        early = NEVER
        if law.loops:
            early = st.cue
        elif law.earliest != NEVER:
            early = dues[ahead_by(st.next, first)] + law.earliest
        there_next = first_open(there_ends, early, len(there_ends) - 1)
        back_next, lacks = first_open(back_ends, early, len(back_ends) - 1), 0
        base_first, base_enough, base_whole, base_need = 0, 0, 0, 0
        if law.fixed:
            base_first, base_enough, base_whole, base_need = push(
                law, 0, drawn, place, constant, 0, lane, offset, line_times, takes, before, line,
                pushed,
            )  # fmt: skip
            before[:] = NEVER
        last_arrival, readout_end = st.last_arrival, st.readout_end
        ready_before, last_release = st.ready_before, st.last_release
        for k in range(st.next, upto):
            arrival_before, sample_before = last_arrival, ready_before
            at = slot(k, record_of)
            record, note = record_of[at], note_of[at]
            if law.keeps_words:
                first_bit[t, at, :] = NEVER
                last_bit[t, at, :] = NEVER
            # The trigger.
            off = draw(drawn, place, constant, TRIGGER_JITTER, at)
            if law.loops:
                if not st.alive:
                    blank(record)
                    continue
                due_at = st.cue + draw(drawn, place, constant, GAP, at)
                left = leaves_at(due_at, off, st.cue)
                if k > 0:
                    # The frame before is now known to be followed, or not, by this one in time.
                    former = note_of[slot(k - 1, note_of)]
                    former.edge = former.planned != NEVER and busy_falls(former.planned, left)
            else:
                due_at = dues[k - first]
                left = leaves_at(due_at, off, NEVER)
            off = draw(drawn, place, constant, FORWARD_JITTER, at)
            arrival = arrives_at(left, unit.forward, off, last_arrival)
            last_arrival = arrival
            # The conversion and its readout.
            ready, aperture, planned, service = NEVER, NEVER, NEVER, NEVER
            read_start, read_end, start = NEVER, NEVER, NEVER
            occupancy, fate, short, wrong, room = -1, MISSED_TRIGGER, False, False, False
            taken = not st.held and accepts(arrival, readout_end)
            early = NEVER
            if law.loops:
                early = st.cue
            elif law.earliest != NEVER:
                early = due_at + law.earliest
            while there_ends[there_next] <= early:
                there_next += 1
            if there_starts[there_next] < arrival:
                meets = met(there_starts, there_ends, left, arrival)
                if meets == 2:
                    lacks, st.wants = WINDOWS, arrival
                elif meets == 1 and chance_hits(law, seeds[t], TRIGGER_SEED, k):
                    taken, fate = False, NOT_RECEIVED
                if lacks:
                    last_arrival = arrival_before
                    break
            if taken:
                fate = NOT_RECEIVED
                ready = ready_at(arrival, draw(drawn, place, constant, CONVERSION_TIME, at))
                aperture = samples_at(arrival, draw(drawn, place, constant, APERTURE_JITTER, at))
                short = ready_before != NEVER and short_acquisition(
                    arrival, ready_before, unit.acquisition_time
                )
                ready_before = max(ready_before, ready)
                start = starts_at(ready, draw(drawn, place, constant, START_DELAY, at))
                if law.when_full == STALL:
                    while st.admitted >= law.depth:
                        freed = end_of(
                            law, st, wait, end, record_of, note_of, latencies, latency,
                            st.admitted - law.depth + st.lost,
                        )  # fmt: skip
                        if freed == NEVER:
                            # Its clock never starts: it has been sampled and is never received.
                            st.held = 1
                            taken = False
                            break
                        credited = arrives_at(freed, unit.credit, 0, NEVER)
                        meets = met(credit_starts, credit_ends, freed, credited)
                        number = st.admitted - law.depth + st.lost
                        if meets == 2:
                            lacks, st.wants = WINDOWS, credited
                            break
                        if meets != 1 or not chance_hits(law, seeds[t], CREDIT_SEED, number):
                            start = held_back_until(start, credited)
                            st.credited = freed
                            break
                        if law.refreshes:
                            lacks = WHOLE
                            break
                        st.lost += 1
                    if lacks:
                        last_arrival, ready_before = arrival_before, sample_before
                        break
                st.admitted += 1
            if taken:
                readout_before, readout_end = readout_end, start + unit.readout
                wrong = always_wrong or captured_early(
                    start + first_captured, ready, unit.msb_valid, unit.remote_setup
                )
                strobe_before = st.strobe
                if law.upset_back and law.all_drawn:
                    for one in range(law.lanes):
                        held[0, one], held[1, one] = before[one], line[one]
                if asks_strobe:
                    # Whatever else is wrong: the strobe's last edge is to be known.
                    spoilt = spoils(
                        law, st, unit, start, drawn, place, constant, at, lane, distortions[t],
                        captured[t], ends_of_bits[t], strobes[t], before, edges,
                    )  # fmt: skip
                    wrong = wrong or spoilt
                # The way to the FIFO.
                if law.fixed:
                    came, enough = start + base_first, start + base_enough
                    whole, need = start + base_whole, start + base_need
                else:
                    came, enough, whole, need = push(
                        law, start, drawn, place, constant, at, lane, offset, line_times, takes,
                        before, line, pushed,
                    )  # fmt: skip
                while back_ends[back_next] <= start + first_captured:
                    back_next += 1
                latest = max(start + spans[t], whole)
                if asks_strobe:
                    latest = max(latest, st.strobe)
                closes, kept, loses, parts, turned = NEVER, law.bits, False, 0, False
                if came <= st.closing:
                    # The frame before still has its place when this one comes.
                    lacks = WHOLE
                elif back_starts[back_next] < latest:
                    if law.leaves or strobe_does[t] == SPOILS:
                        lacks = WINDOWS if back_next == len(back_ends) - 1 else WHOLE
                    elif law.packets:
                        lacks, turned, loses, (came, enough, whole, need) = receive_packets(
                            law, t, k, start, drawn, place, constant, at, lane, offset,
                            line_times, takes, shapes, held[0], held[1],
                            back_starts, back_ends, seeds[t], harms, pushed,
                        )  # fmt: skip
                    elif law.strobes:
                        comes = came, enough, whole, need
                        lacks, turned, kept, comes, closes, parts = receive_bits(
                            law, t, k, unit, start, drawn, place, constant, at, lane, captured[t],
                            strobes[t], held[0], strobe_before, asks_strobe, bit_takes,
                            back_starts, back_ends, late[t], asked, seeds[t], harms, edges,
                            strobe_room, placed, comes,
                        )  # fmt: skip
                        came, enough, whole, need = comes
                    else:
                        lacks, turned = inverted(
                            law, t, k, start, drawn, place, constant, at, lane, captured[t],
                            held[0],
                            back_starts, back_ends, late[t], asked, seeds[t], harms,
                        )  # fmt: skip
                if lacks:
                    st.wants, st.strobe = latest, strobe_before
                    for one in range(law.lanes):
                        # Where not all are drawn, no bit catches up with one ahead of it.
                        before[one] = held[0, one] if law.all_drawn else NEVER
                        line[one] = held[1, one] if law.all_drawn else NEVER
                    last_arrival, ready_before = arrival_before, sample_before
                    readout_end = readout_before
                    st.admitted -= 1
                    break
                wrong = wrong or turned
                if came < FAR:
                    st.closing, st.short = whole if loses else closes, -1
                if st.short < 0 and (loses or parts > 0):
                    st.short = k
                if kept < law.bits and law.keeps_words:
                    move_up(law, last_bits, placed, kept, pushed)
            if taken and came < FAR:
                st.now = came
                occupancy, room = arrive(
                    law, st, wait, end, record_of, note_of, latencies, latency, came
                )
                fate = IN_FLIGHT if room else OVERRUN
                if room and law.keeps_words:
                    keep_words(
                        law, word_firsts, word_lasts, pushed, first_bit[t, at], last_bit[t, at]
                    )
                if room and enough == FAR:
                    # It ends short of what is enough for a release.
                    fate = NOT_RECEIVED
                    if kept < law.bits:
                        close(law, st, wait, end, record_of, note_of, latencies, latency, closes)
                elif room:
                    off = draw(drawn, place, constant, SYNC_DELAY, at)
                    planned = releases_at(enough, off, last_release)
                    last_release = planned
                    if law.certain:
                        # Whatever is still to come, this frame is read next.
                        lasts = latencies[at] if len(latencies) else latency
                        if law.drain and is_read_on(planned, st.free_at):
                            read_start = st.free_at
                        else:
                            service = begins_at(st.free_at, planned)
                            read_start = reads_from(service, lasts)
                        read_end, fate = read_frame(law, st, end, read_start, need, wrong)
                    else:
                        wait[slot(st.tail, wait)] = k
                        st.tail += 1
                        note.need, note.whole, note.wrong = need, whole, wrong
                        note.edge = laters.shape[0] == 0 or busy_falls(planned, laters[k - first])
            note.planned = planned
            record.due = due_at
            record.trigger = left
            record.aperture = aperture
            record.ready = ready
            record.release = planned
            record.service = service
            record.read_start = read_start
            record.read_end = read_end
            record.occupancy_at_arrival = occupancy
            record.fate = fate
            record.short_acquisition = short
            record.timed_out = False
            record.wrong_bits = 0
            record.void_read = NEVER
            record.request = NEVER
            if law.upset_back:
                record.hit = 0
                record.check_failed = False
                record.counter_error = 0
            if taken:
                for part in range(parts):
                    # Nobody reads it, but it takes a slot until a gap has ended it. Meanwhile the
                    # host may begin to read the frame itself.
                    came, closes = edges[0, part], edges[1, part]
                    _, room = arrive(
                        law, st, wait, end, record_of, note_of, latencies, latency, came
                    )
                    if room:
                        close(law, st, wait, end, record_of, note_of, latencies, latency, closes)
                    note_harm(harms, PART, t, k, NOT_RECEIVED if room else OVERRUN, 0, NEVER)
                    st.closing = closes
            if law.loops:
                expires = left + law.timeout
                in_time = planned != NEVER and not gives_up(planned, expires)
                record.timed_out = not in_time
                st.cue = expires
                if in_time:
                    # Nothing else arrives until this frame is read, so the host may go on alone.
                    advance(law, st, wait, end, record_of, note_of, latencies, latency, FAR, -1)
                    st.cue = record.read_end
                    st.alive = 1 if record.read_end != NEVER else 0
        st.last_arrival, st.readout_end = last_arrival, readout_end
        st.ready_before, st.last_release = ready_before, last_release
        if lacks:
            st.next = k
            return t, lacks
        st.next = upto
        if over and st.short >= 0:
            # Nothing ends it.
            return t, WHOLE
        if over:
            advance(law, st, wait, end, record_of, note_of, latencies, latency, FAR, -1)
        settle(law, st, wait, record_of, note_of, upto, over)
    return 0, 0
