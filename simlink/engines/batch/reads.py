"""A read by the host's own clock: the columns of its edges' jitter, and what it does.

`read` is compiled as it stands. Where no window of a transient may meet anything of a read, no
symbol of it is compared with any.
"""

from __future__ import annotations

from typing import Any

from simlink.base.instants import FAR, NEVER
from simlink.engines.batch.draws import EDGES, Source, edge_columns
from simlink.engines.batch.hits import CLOCK_SEED, LANE_SEEDS, RETURNED_SEED
from simlink.engines.batch.read_upsets import (
    EMPTY,
    HIT_CLOCK,
    HIT_DATA,
    INVERTED,
    calm,
    hits,
    spare,
)
from simlink.link.fate import fate_of_read
from simlink.link.host_clocked import (
    RIGHT,
    bit_outcome,
    cross_edges,
    passing,
    valid_at_host,
    valid_until_at_host,
)
from simlink.link.transient import meets
from simlink.scenario.schema import Scenario

#: Places of the columns: busy's rise and fall, the clock's edges, each lane's edges and the one
#: that takes its last bit away, the returned clock's edges.
BUSY = EDGES
CLOCK = EDGES + 2


def read_columns(scenario: Scenario) -> list[Source]:
    """Return the columns of all edges of a conversion, in the order of the places."""
    bits = scenario.bits_per_lane
    forward = scenario.barrier.direction("forward").jitter
    back = scenario.barrier.direction("return").jitter
    found = edge_columns(back, "barrier.return.jitter busy", 2)
    found += edge_columns(forward, "barrier.forward.jitter clock", 2 * bits)
    for lane in range(scenario.frame.lanes):
        found += edge_columns(back, f"barrier.return.jitter lane {lane}", bits)
        found += edge_columns(back, f"barrier.return.jitter lane {lane} end", 1)
    if scenario.link.scheme == "returned_clock":
        found += edge_columns(back, "barrier.return.jitter clock", 2 * bits)
    return found


def cross_lanes(
    touched: bool,
    wrong: bool,
    law: Any,
    st: Any,
    unit: Any,
    lane_delays: Any,
    draws: Any,
    place: Any,
    constant: Any,
    lanes: Any,
    changes: Any,
    clock: Any,
    passed: int,
    still: Any,
    captured: Any,
    coming: Any,
    seeds: Any,
    captures_kept: Any,
    at: int,
) -> tuple[bool, int]:
    """Take the data of a read across its lanes to where the host captures it.

    Parameters
    ----------
    touched : bool
        Whether a window may meet anything of it.
    wrong : bool
        Whether any bit is known to be never captured.
    clock, passed
        The clock's edges at the converter, and how many there are.
    captured : ndarray of int64, shape (2 N,), fs
        When each bit is captured, `FAR` if never.

    Returns
    -------
    wrong : bool
        Whether any bit is captured wrong, or never.
    inverted : int
        How many come inverted.
    """
    bits, inverted, k = law.bits, 0, st.pending
    data = CLOCK + 2 * bits
    for lane in range(law.lanes):
        delay, distortion = lane_delays[lane, 0], lane_delays[lane, 1]
        column = data + lane * (bits + 1)
        which = place[column]
        for edge in range(bits + 1 if which < 0 else 0):
            still[edge] = constant[column]
        jitter = draws[which : which + bits + 1, at] if which >= 0 else still
        begins = st.pending_ready + unit.msb_valid
        valid = valid_at_host(begins, delay, distortion, jitter[0], lanes[lane])
        until, before, sent = lanes[lane], FAR, begins
        for bit in range(bits):
            launch = clock[2 * bit + 1] if 2 * bit + 1 < passed else FAR
            off = jitter[bit + 1]
            ends = launch + unit.data_hold if launch < FAR else FAR
            until = valid_until_at_host(ends, delay, distortion, off, until)
            after = FAR
            if bit + 1 < bits:
                begins = launch + unit.data_valid if launch < FAR else FAR
                after = valid_at_host(begins, delay, distortion, off, valid)
            outcome = RIGHT
            if captured[bit] < FAR and (touched or not wrong):
                outcome = bit_outcome(
                    captured[bit], unit.host_setup, unit.host_hold, valid, until, before, after
                )
                wrong = wrong or outcome != RIGHT
            if touched:
                if captured[bit] == FAR:
                    outcome = EMPTY
                number = k * bits + bit
                if sent < FAR and hits(law, coming, sent, valid, seeds, LANE_SEEDS + lane, number):
                    outcome += INVERTED
                    inverted += 1
                if len(captures_kept) > 0:
                    captures_kept[lane * bits + bit] = outcome
                sent = begins
            before, valid = until, after
        changes[lane] = until
    return wrong, inverted


def read(
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
    captures_kept: Any,
    record: Any,
    first_bit: Any,
    last_bit: Any,
    at: int,
) -> None:
    """Start the clock of the read of the frame that was last released, and follow it through.

    Parameters
    ----------
    lane_delays : ndarray of int64, shape (lanes, 2), fs
        The fixed part of each lane's crossing, and how much longer a falling edge takes.
    rising, falling, captures : ndarray of int64, shape (N,), fs
        Edges and captures of the host's own clock, counted from its start.
    lanes, changes : ndarray of int64, shape (lanes,), fs
        When each lane last changed, but for the last read; when that one changes it.
    clock, still, back, captured : ndarray of int64, shape (2 N,)
        Room to work in.
    going, coming : (ndarray of int64, ndarray of int64), fs
        Starts and ends of the windows that upset the forward and the return channels.
    seeds
        As in `hits.chance_hits`.
    longest : int, fs
        How long after its start anything of a read arrives at the most.
    captures_kept : ndarray of int8, shape (lanes x N or 0,)
        Of the newest conversion: filled with how each bit was captured, where anything may be hit.
    record, first_bit, last_bit
        Of the newest conversion.
    at : int
        The place in the rings of the frame whose release is served.
    """
    bits, start, k = law.bits, st.starts, st.pending
    until = start + min(longest, FAR - start)
    touched = not calm(st, going, coming, st.pending_ready, until) and (
        meets(going[0], going[1], start, until)
        or meets(coming[0], coming[1], st.pending_ready, until)
    )
    for bit in range(bits):
        clock[2 * bit], clock[2 * bit + 1] = start + rising[bit], start + falling[bit]
    for edge in range(2 * bits if touched else 0):
        back[edge] = clock[edge]
    # What does not vary stands in the room given for it.
    column = place[CLOCK]
    for edge in range(2 * bits if column < 0 else 0):
        still[edge] = constant[CLOCK]
    jitter = draws[column : column + 2 * bits, at] if column >= 0 else still
    short, st.clock = cross_edges(
        clock, 2 * bits, unit.clock, unit.clock_distortion, jitter, unit.forward_pulse, st.clock
    )
    passed = 2 * bits
    if touched:
        passed = spare(law, going, back, clock, passed, seeds, CLOCK_SEED, k)
    pulses_hit = passed < 2 * bits
    if short:
        passed = passing(clock, passed, unit.forward_pulse)
    first = clock[0] if passed else FAR
    last = clock[passed - 1] if passed else NEVER
    there = st.pending == st.newest
    for lane in range(law.lanes):
        if st.clock_accepted and changes[lane] < FAR:
            lanes[lane] = changes[lane]
    data = CLOCK + 2 * bits
    # When each bit is captured; `clock` keeps the edges at the converter for the lanes.
    returned = data + law.lanes * (bits + 1)
    latest, wrong = NEVER, False
    if law.returns:
        column = place[returned]
        for edge in range(2 * bits if column < 0 else 0):
            still[edge] = constant[returned]
        jitter = draws[column : column + 2 * bits, at] if column >= 0 else still
        for edge in range(passed):
            back[edge] = clock[edge]
        short, st.returned = cross_edges(
            back, passed, unit.returned, unit.returned_distortion, jitter, unit.return_pulse,
            st.returned,
        )  # fmt: skip
        kept = passed
        if touched:
            kept = spare(law, coming, clock, back, kept, seeds, RETURNED_SEED, k)
            pulses_hit = pulses_hit or kept < passed
        if short:
            kept = passing(back, kept, unit.return_pulse)
        for bit in range(bits):
            edge = 2 * bit + (0 if law.by_rise else 1)
            if edge < kept:
                captured[bit] = latest = back[edge]
            else:
                captured[bit], wrong = FAR, True
    else:
        for bit in range(bits):
            captured[bit] = start + captures[bit]
            latest = max(latest, captured[bit])
    # Each way by itself, so that what nothing may hit is compiled without asking.
    if touched:
        wrong, inverted = cross_lanes(
            True, wrong, law, st, unit, lane_delays, draws, place, constant, lanes, changes,
            clock, passed, still, captured, coming, seeds, captures_kept, at,
        )  # fmt: skip
    else:
        wrong, inverted = cross_lanes(
            False, wrong, law, st, unit, lane_delays, draws, place, constant, lanes, changes,
            clock, passed, still, captured, coming, seeds, captures_kept, at,
        )  # fmt: skip
    end = max(start + falling[bits - 1], latest)
    st.free = end
    # The clock of a frame that is gone already is not accepted.
    st.clock_accepted = 1 if there else 0
    if not there:
        return
    st.first, st.last, st.end = first, last, end
    record.service = st.begun
    record.read_start = start
    record.read_end = end
    record.fate = fate_of_read(False, wrong or inverted > 0)
    if wrong or inverted > 0:
        record.wrong_bits = inverted
        record.hit |= (HIT_CLOCK if pulses_hit else 0) | (HIT_DATA if inverted > 0 else 0)
        if pulses_hit or inverted > 0:
            st.hurt = st.newest
    if law.keeps_words:
        for word in range(law.words):
            opens, closes = captured[word * law.word_bits], captured[(word + 1) * law.word_bits - 1]
            for lane in range(law.lanes):
                first_bit[lane, word] = opens if opens < FAR else NEVER
                last_bit[lane, word] = closes if closes < FAR else NEVER
