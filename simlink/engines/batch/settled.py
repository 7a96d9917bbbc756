"""Trials read by a remote master whose frames are settled as they come.

Where a host reads each frame in its turn whatever comes after it, and nothing reaches back, no
frame waits to be decided upon: a conversion is over once its own rules have been applied. Where
frames wait for others that are to be read with them, or conversions may be given up, nothing that
comes later changes what has been decided: it is decided as soon as it can be. This does
for such trials what `remote_master.walk` does for all, by the same rules and to the same records,
with what it needs at hand, and notes of frames under way only where conversions reach back.
"""

from __future__ import annotations

import math
from typing import TYPE_CHECKING, Any

from simlink.base.compiled import compiled
from simlink.base.instants import FAR, NEVER
from simlink.engines.batch.draws import (
    APERTURE_JITTER,
    CONVERSION_TIME,
    EDGES,
    FORWARD_JITTER,
    SERVICE_LATENCY,
    START_DELAY,
    SYNC_DELAY,
    TRIGGER_JITTER,
)
from simlink.engines.batch.fifo_host import advance, freed_upto
from simlink.engines.batch.pushes import keep_words, push
from simlink.engines.batch.remote_master import STALL, settle
from simlink.engines.batch.rings import ahead_by, drawn_at, slot
from simlink.engines.batch.strobe import spoils
from simlink.engines.batch.windows import earliest, leaves
from simlink.link.channel import arrives_at
from simlink.link.converter import (
    accepts,
    captured_early,
    ready_at,
    samples_at,
    short_acquisition,
)
from simlink.link.fate import IN_FLIGHT, MISSED_TRIGGER, OVERRUN, fate_of_read
from simlink.link.fifo import admits, releases_at
from simlink.link.host import begins_at, busy_falls, is_read_on, reads_from, underruns
from simlink.link.remote_clock import held_back_until, starts_at
from simlink.link.transient import first_open, upsets
from simlink.link.trigger import leaves_at
from simlink.scenario.distributions import reach

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario


def settles(scenario: Scenario) -> bool:
    """Tell whether the trials of a scenario are of this kind."""
    return (
        scenario.link.scheme == "remote_master"
        and scenario.fifo.when_full != "drop_old"
        and scenario.trigger.pattern != "after_read"
        and (not waits(scenario) or scenario.fifo.when_full == "drop_new")
        and (not upsets(scenario) or pauses(scenario))
    )


def pauses(scenario: Scenario) -> bool:
    """Tell whether it can be said of conversions that no transient is of matter to them.

    For that, instants have to have bounds, and what a transient does has to pass.
    """
    bounds = reach(scenario.barrier.direction("return").jitter)
    bounded = not any(map(math.isinf, bounds)) and earliest(scenario) != NEVER
    return bounded and not reaches_back(scenario) and not leaves(scenario)


def reaches_back(scenario: Scenario) -> bool:
    """Tell whether a conversion may still be waited for, or given up, when the next one comes."""
    return waits(scenario) or scenario.host.timeout is not None


def waits(scenario: Scenario) -> bool:
    """Tell whether a frame that has a slot may need a later one to be read."""
    return scenario.host.watermark > 1 or scenario.host.interrupt == "edge"


@compiled
def walk_settled(
    first: int,
    upto: int,
    from_row: int,
    to_row: int,
    due: Any,
    records: Any,
    laws: Any,
    units: Any,
    wrongs: Any,
    doubtful: Any,
    lanes: Any,
    distortions: Any,
    captured: Any,
    ends_of_bits: Any,
    strobes: Any,
    offsets: Any,
    line_times: Any,
    takes: Any,
    draws: Any,
    place: Any,
    constant: Any,
    state: Any,
    ends: Any,
    ahead: Any,
    line_free: Any,
    pushed: Any,
    edges: Any,
    word_firsts: Any,
    word_lasts: Any,
    first_bit: Any,
    last_bit: Any,
    longest: Any,
    waiting: Any,
    notes: Any,
    since: int,
    quiet: int,
) -> None:
    """Take trials on, to before conversion ``upto``; parameters are as in `remote_master.walk`.

    What never happens in these trials is left in the records as it is.

    Parameters
    ----------
    doubtful : ndarray of bool, shape (T,)
        Whether the strobe has to judge each frame of the unit.
    longest : ndarray of int64, shape (2, T), fs
        When the last symbol of a frame has come at the latest, counted from the start of its clock
        and from when its line is free.
    since, quiet : int, fs
        A trial stops before the first conversion with a symbol that may be on its way outside of
        these, of which the first is left out.
    """
    law = laws[0]
    alike = are_alike(law, place)
    for t in range(from_row, to_row):
        # Where nothing but the latency is drawn, all that depends on other draws is left out.
        # Handed over as one tuple for all, the same arguments cost some percent of a long run.
        if alike and not doubtful[t] and quiet == FAR:
            walk_trial(
                True, False, False, t, first, upto, due, due, records, law, units, wrongs,
                doubtful, lanes, distortions, captured, ends_of_bits, strobes, offsets, line_times,
                takes, draws, place, constant, state, ends, ahead, line_free, pushed, edges,
                word_firsts, word_lasts, first_bit, last_bit, longest, waiting, notes, since,
                quiet,
            )  # fmt: skip
        elif alike and not doubtful[t]:
            # All conversions are then as long on their way: up to which they are over is known.
            dues = due[t % len(due)]
            last = quiet - lasts(units[t], constant, longest[0, t])
            calm = max(first + first_open(dues, last, len(dues)), state[t].next)
            walk_trial(
                True, False, False, t, first, min(upto, calm), due, due, records, law, units,
                wrongs, doubtful, lanes, distortions, captured, ends_of_bits, strobes, offsets,
                line_times, takes, draws, place, constant, state, ends, ahead, line_free, pushed,
                edges, word_firsts, word_lasts, first_bit, last_bit, longest, waiting, notes,
                since, quiet,
            )  # fmt: skip
        else:
            walk_trial(
                False, False, True, t, first, upto, due, due, records, law, units, wrongs,
                doubtful, lanes, distortions, captured, ends_of_bits, strobes, offsets, line_times,
                takes, draws, place, constant, state, ends, ahead, line_free, pushed, edges,
                word_firsts, word_lasts, first_bit, last_bit, longest, waiting, notes, since,
                quiet,
            )  # fmt: skip


def lasts(unit: Any, constant: Any, from_start: int) -> int:
    """Return how long after it is due a conversion is on its way at the longest, in fs.

    Of conversions of which nothing but the service latency is drawn; ``from_start`` of it is from
    the start of the clock on.
    """
    left = leaves_at(0, constant[TRIGGER_JITTER], NEVER)
    arrival = arrives_at(left, unit.forward, constant[FORWARD_JITTER], NEVER)
    ready = ready_at(arrival, constant[CONVERSION_TIME])
    return starts_at(ready, constant[START_DELAY]) + from_start


def are_alike(law: Any, place: Any) -> bool:
    """Tell whether nothing but the service latency tells one conversion from another."""
    alike = law.fixed and not law.drain and law.when_full != STALL
    for column in range(EDGES):
        alike = alike and (place[column] < 0 or column == SERVICE_LATENCY)
    return alike


@compiled
def walk_noted(
    first: int, upto: int, over: bool, from_row: int, to_row: int, due: Any, later: Any,
    records: Any, laws: Any, units: Any, wrongs: Any, doubtful: Any, lanes: Any, distortions: Any,
    captured: Any, ends_of_bits: Any, strobes: Any, offsets: Any, line_times: Any, takes: Any,
    draws: Any, place: Any, constant: Any, state: Any, ends: Any, ahead: Any, line_free: Any,
    pushed: Any, edges: Any, word_firsts: Any, word_lasts: Any, first_bit: Any, last_bit: Any,
    longest: Any, waiting: Any, notes: Any,
) -> None:  # fmt: skip
    """Take trials on whose conversions `reaches_back`; parameters are as in `remote_master.walk`.

    The service that a frame is waited for with is decided upon as soon as that one is sure of its
    slot: what is still to come is released later, and changes nothing of it.
    """
    law = laws[0]
    alike = are_alike(law, place)
    for t in range(from_row, to_row):
        if alike and not doubtful[t]:
            walk_trial(
                True, True, False, t, first, upto, due, later, records, law, units, wrongs,
                doubtful, lanes, distortions, captured, ends_of_bits, strobes, offsets, line_times,
                takes, draws, place, constant, state, ends, ahead, line_free, pushed, edges,
                word_firsts, word_lasts, first_bit, last_bit, longest, waiting, notes, NEVER, FAR,
            )  # fmt: skip
        else:
            walk_trial(
                False, True, False, t, first, upto, due, later, records, law, units, wrongs,
                doubtful, lanes, distortions, captured, ends_of_bits, strobes, offsets, line_times,
                takes, draws, place, constant, state, ends, ahead, line_free, pushed, edges,
                word_firsts, word_lasts, first_bit, last_bit, longest, waiting, notes, NEVER, FAR,
            )  # fmt: skip
        settle(
            law, state[t], waiting[t], records[t % len(records)], notes[t % len(notes)], upto, over
        )


def walk_trial(
    alike: bool, noted: bool, watched: bool, t: int, first: int, upto: int, due: Any, later: Any,
    records: Any, law: Any, units: Any, wrongs: Any, doubtful: Any, lanes: Any, distortions: Any,
    captured: Any, ends_of_bits: Any, strobes: Any, offsets: Any, line_times: Any, takes: Any,
    draws: Any, place: Any, constant: Any, state: Any, ends: Any, ahead: Any, line_free: Any,
    pushed: Any, edges: Any, word_firsts: Any, word_lasts: Any, first_bit: Any, last_bit: Any,
    longest: Any, waiting: Any, notes: Any, since: int, quiet: int,
) -> None:  # fmt: skip
    """Take one trial on.

    Of ``alike``, ``noted`` and ``watched`` the compiler knows: as `walk_settled` says; whether
    conversions reach back, of which it is noted what `remote_master.walk` notes; whether it may
    have to stop.
    """
    trigger_jitter, trigger_jitter_at = constant[TRIGGER_JITTER], place[TRIGGER_JITTER]
    forward_jitter, forward_jitter_at = constant[FORWARD_JITTER], place[FORWARD_JITTER]
    conversion_time, conversion_time_at = constant[CONVERSION_TIME], place[CONVERSION_TIME]
    aperture_jitter, aperture_jitter_at = constant[APERTURE_JITTER], place[APERTURE_JITTER]
    start_delay, start_delay_at = constant[START_DELAY], place[START_DELAY]
    sync_delay, sync_delay_at = constant[SYNC_DELAY], place[SYNC_DELAY]
    latency, latency_at = constant[SERVICE_LATENCY], place[SERVICE_LATENCY]
    fixed, drains, stalls = law.fixed, law.drain, law.when_full == STALL
    depth, read_time, may_underrun = law.depth, law.read_time, law.may_underrun != 0
    st, unit, end, drawn = state[t], units[t], ends[t], draws[t % len(draws)]
    rows, dues = records[t % len(records)], due[t % len(due)]
    wait, note_of, laters = waiting[t], notes[t % len(notes)], later[t % len(later)]
    gathers = noted and (law.watermark > 1 or law.by_edge != 0)
    latencies = drawn[latency_at, : len(rows)] if latency_at >= 0 else constant[:0]
    lane, offset, before, line = lanes[t], offsets[t], ahead[t], line_free[t]
    always_wrong, asks_strobe, first_captured = wrongs[t], doubtful[t], captured[t, 0]
    forward, credit, readout = unit.forward, unit.credit, unit.readout
    acquisition, msb_valid, setup = unit.acquisition_time, unit.msb_valid, unit.remote_setup
    base_came, base_enough, base_need = 0, 0, 0
    if fixed:
        base_came, base_enough, _, base_need = push(
            law, 0, drawn, place, constant, 0, lane, offset, line_times, takes, before, line,
            pushed,
        )  # fmt: skip
        before[:] = NEVER
    last_arrival, readout_end = st.last_arrival, st.readout_end
    ready_before, last_release = st.ready_before, st.last_release
    named, freed, free_at = st.named, st.freed, st.free_at
    admitted, lost, credited, reached = st.admitted, st.lost, st.credited, upto
    from_start, from_free, packets = longest[0, t], longest[1, t], law.packets
    end[slot(named, end)] = FAR
    for k in range(st.next, upto):
        at = slot(k, rows)
        record = rows[at]
        if not alike and law.keeps_words:
            first_bit[t, at, :] = NEVER
            last_bit[t, at, :] = NEVER
        # The trigger.
        due_at = dues[ahead_by(k, first)]
        off = trigger_jitter if alike else drawn_at(drawn, trigger_jitter_at, trigger_jitter, at)
        left = leaves_at(due_at, off, NEVER)
        off = forward_jitter if alike else drawn_at(drawn, forward_jitter_at, forward_jitter, at)
        arrival = arrives_at(left, forward, off, last_arrival)
        # The conversion and its readout.
        ready, aperture, planned, service = NEVER, NEVER, NEVER, NEVER
        read_start, read_end = NEVER, NEVER
        occupancy, fate, short = -1, MISSED_TRIGGER, False
        if watched and arrival > quiet:
            reached = k
            break
        if accepts(arrival, readout_end):
            off = (
                conversion_time
                if alike
                else drawn_at(drawn, conversion_time_at, conversion_time, at)
            )
            ready = ready_at(arrival, off)
            off = (
                aperture_jitter
                if alike
                else drawn_at(drawn, aperture_jitter_at, aperture_jitter, at)
            )
            aperture = samples_at(arrival, off)
            short = ready_before != NEVER and short_acquisition(arrival, ready_before, acquisition)
            off = start_delay if alike else drawn_at(drawn, start_delay_at, start_delay, at)
            start = starts_at(ready, off)
            if not alike and stalls and admitted >= depth:
                number = admitted - depth + lost
                if number >= named or end[slot(number, end)] < since:
                    reached = k
                    break
                credited = end[slot(number, end)]
                start = held_back_until(start, arrives_at(credited, credit, 0, NEVER))
            if watched:
                latest = start + from_start
                if not alike and packets:
                    for one in range(law.lanes):
                        latest = max(latest, line[one] + from_free)
                if latest > quiet:
                    reached = k
                    break
            ready_before = max(ready_before, ready)
            admitted += 1
            readout_end = start + readout
            wrong = always_wrong or captured_early(start + first_captured, ready, msb_valid, setup)
            if not alike and asks_strobe:
                # Whatever else is wrong: the strobe's last edge is to be known.
                spoilt = spoils(
                    law, st, unit, start, drawn, place, constant, at, lane, distortions[t],
                    captured[t], ends_of_bits[t], strobes[t], before, edges,
                )  # fmt: skip
                wrong = wrong or spoilt
            # The way to the FIFO.
            if alike or fixed:
                came, enough, need = start + base_came, start + base_enough, start + base_need
            else:
                came, enough, _, need = push(
                    law, start, drawn, place, constant, at, lane, offset, line_times, takes,
                    before, line, pushed,
                )  # fmt: skip
            if gathers:
                named = st.named
            freed = freed_upto(end, freed, came)
            occupancy, fate = named - freed, OVERRUN
            if noted:
                st.now = came
                occupancy += st.tail - st.head
            if admits(occupancy, depth):
                off = sync_delay if alike else drawn_at(drawn, sync_delay_at, sync_delay, at)
                planned = releases_at(enough, off, last_release)
                last_release = planned
                if not alike and law.keeps_words:
                    keep_words(
                        law, word_firsts, word_lasts, pushed, first_bit[t, at], last_bit[t, at]
                    )
                if gathers:
                    fate = IN_FLIGHT
                    wait[slot(st.tail, wait)] = k
                    st.tail += 1
                    note = note_of[at]
                    note.need, note.wrong = need, wrong
                    note.edge = laters.shape[0] == 0 or busy_falls(
                        planned, laters[ahead_by(k, first)]
                    )
                else:
                    # Whatever is still to come, this frame is read next.
                    if not alike and drains and is_read_on(planned, free_at):
                        read_start = free_at
                    else:
                        service = begins_at(free_at, planned)
                        read_start = reads_from(service, drawn_at(drawn, latency_at, latency, at))
                    read_end = read_start + read_time
                    end[slot(named, end)] = read_end
                    named += 1
                    end[slot(named, end)] = FAR
                    free_at = read_end
                    fate = fate_of_read(may_underrun and underruns(read_start, need), wrong)
        last_arrival = arrival
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
        if noted:
            record.timed_out = False
            note_of[at].planned = planned
            if gathers and planned != NEVER:
                advance(law, st, wait, end, rows, note_of, latencies, latency, FAR, -1)
                end[slot(st.named, end)] = FAR
    if gathers:
        named, free_at = st.named, st.free_at
    st.last_arrival, st.readout_end = last_arrival, readout_end
    st.ready_before, st.last_release = ready_before, last_release
    st.named, st.freed, st.free_at = named, freed, free_at
    st.admitted, st.credited = admitted, credited
    st.next = reached
    if not noted:
        st.low = max(st.low, reached)
