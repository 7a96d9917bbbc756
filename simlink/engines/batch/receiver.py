"""What becomes of a frame whose strobe or bits transients hit, in the batch engine.

A strobe that is lost brings no bit of any lane; the bits after it take the places ahead of their
own, and a gap ends the frame short, as the event engine's `receiver` has it. Compiled as it stands.
A frame that the gap would part in two is left to that engine.
"""

from __future__ import annotations

from typing import Any

from simlink.base.instants import FAR, NEVER
from simlink.engines.batch.draws import EDGES
from simlink.engines.batch.hits import (
    CLOSED,
    DRAWS,
    INVERTED,
    LATE_BITS,
    LOST,
    ROOM,
    WHOLE,
    WINDOWS,
    chance_hits,
    late_draw,
    meets_at,
    met,
    note_harm,
)
from simlink.engines.batch.rings import draw
from simlink.link.channel import arrives_at
from simlink.link.fifo import WhenFull
from simlink.link.host_clocked import cross_edges

STALL = int(WhenFull.STALL)


def strobes_come(
    law: Any,
    unit: Any,
    start: int,
    draws: Any,
    place: Any,
    constant: Any,
    at: int,
    offsets: Any,
    ahead: int,
    room: Any,
) -> None:
    """Work out when the edges of a frame's strobe come out, of one that is drawn edge by edge.

    Parameters
    ----------
    offsets : ndarray of int64, shape (2 N,), fs
        As they are sent, counted from the start.
    ahead : int, fs
        When the strobe's edge before came out.
    room : ndarray of int64, shape (2, 2 N)
        The first row is filled.
    """
    own = EDGES + law.lanes * law.bits
    for edge in range(2 * law.bits):
        room[0, edge] = start + offsets[edge]
        room[1, edge] = draw(draws, place, constant, own + edge, at)
    came, distortion = room[0], unit.strobe_distortion
    cross_edges(came, 2 * law.bits, unit.strobe, distortion, room[1], 0, ahead)


def receive(
    law: Any,
    t: int,
    k: int,
    unit: Any,
    start: int,
    draws: Any,
    place: Any,
    constant: Any,
    at: int,
    lanes: Any,
    captured: Any,
    offsets: Any,
    ahead: Any,
    strobe_ahead: int,
    judged: bool,
    takes: Any,
    starts: Any,
    ends: Any,
    late: Any,
    asked: Any,
    harms: Any,
    room: Any,
    placed: Any,
    comes: tuple[int, int, int, int],
) -> tuple[int, bool, int, tuple[int, int, int, int], int]:
    """Receive a frame that windows may have met.

    Parameters
    ----------
    start : int, fs
        When the frame's clock starts.
    lanes, ahead : ndarray of int64, shape (lanes,), fs
        The fixed part of each crossing; when the last bit of the frame before came out.
    captured : ndarray of int64, shape (N,), fs
    offsets : ndarray of int64, shape (2 N,), fs
        When each bit and each edge of the strobe is sent, counted from the start.
    strobe_ahead : int, fs
        When the strobe's last edge of the frame before came out.
    judged : bool
        Whether the strobe is drawn edge by edge.
    takes : ndarray of int64, shape (N,), fs
        When the host takes each bit, counted from the start of the read.
    starts, ends, late, asked, harms
        As in `hits.inverted`.
    room : ndarray of int64, shape (2, 2 N)
        Room to work in.
    placed : ndarray of int64, shape (1 + lanes, N)
        Filled with the bit in each place and when it comes on each lane, if the frame ends short.
    comes : (int, int, int, int), fs
        As `remote_master.push` returns them: of the frame as if nothing were hit.

    Returns
    -------
    lacks : int
        What it lacks, as in `hits.Wanted`; nothing is noted then.
    wrong : bool
        Whether a bit of a word is wrong.
    kept : int
        How many bits of each lane come.
    comes : (int, int, int, int), fs
        Of what comes; the second is `FAR` if too little comes for a release.
    closes : int, fs
        When a gap ends the frame short, or the latest that may be, where it is of no matter;
        `NEVER` if it is whole.
    """
    bits, noted = law.bits, harms[0, 0]
    if noted + (law.lanes + 1) * bits + 1 >= len(harms):
        return ROOM, False, 0, comes, NEVER
    if judged:
        strobes_come(law, unit, start, draws, place, constant, at, offsets, strobe_ahead, room)
    wrong, unknown, parted = False, False, False
    edge_jitter = LATE_BITS + 2 * law.lanes * bits
    # The first and the last that the strobe of the last bit in place may come.
    soonest, latest = FAR, NEVER
    kept, first_lost = 0, bits
    for bit in range(bits):
        sent = start + offsets[2 * bit]
        if judged:
            low = high = room[0, 2 * bit]
            meets = met(starts, ends, sent, low)
        else:
            low, high, meets = meets_at(
                law, sent, unit.strobe, starts, ends, late, asked, edge_jitter + 2 * bit, k
            )
        unknown = unknown or meets == 2
        if meets == 1 and chance_hits(law, late, asked, edge_jitter + 2 * bits + bit, k):
            note_harm(harms, LOST, t, k, 0, bit, NEVER)
            first_lost = min(first_lost, bit)
            continue
        parted = parted or high - soonest > law.gap
        soonest, latest = low, high
        placed[0, kept] = bit
        kept += 1
    last_push = NEVER
    for lane in range(law.lanes):
        out, taken = ahead[lane] if law.all_drawn else NEVER, 0
        for bit in range(bits):
            sent, column = start + captured[bit], LATE_BITS + lane * bits + bit
            if law.all_drawn:
                off = draw(draws, place, constant, EDGES + lane * bits + bit, at)
                out = arrives_at(sent, lanes[lane], off, out)
            # Without its strobe nobody takes it.
            if taken == kept or placed[0, taken] != bit:
                continue
            if law.all_drawn:
                high, meets = out, met(starts, ends, sent, out)
            else:
                _, high, meets = meets_at(
                    law, sent, lanes[lane], starts, ends, late, asked, column, k
                )
            unknown = unknown or meets == 2
            if meets == 1 and chance_hits(law, late, asked, column + law.lanes * bits, k):
                note_harm(harms, INVERTED, t, k, lane, taken, out)
                wrong = wrong or taken < law.data_bits
            placed[1 + lane, taken] = high
            last_push = max(last_push, high)
            taken += 1
    lacks = WINDOWS if unknown else DRAWS if asked[0, 0] > 0 else 0
    if not lacks and kept < bits:
        # A credit for nothing comes back only with all of them.
        late_push = kept > 0 and last_push >= soonest + law.gap
        if parted or late_push or (kept == 0 and law.refreshes):
            lacks = WHOLE
    if lacks:
        harms[0, 0] = noted
        return lacks, False, 0, comes, NEVER
    if kept == bits:
        return 0, wrong, kept, comes, NEVER
    if kept == 0:
        return 0, wrong, kept, (FAR, FAR, NEVER, NEVER), NEVER
    first, released = comes[0], kept >= law.release_bits
    exact, every = law.all_drawn or law.low == law.high, released or law.keeps_words
    if not exact and (every or first_lost == 0):
        # Nothing else asks when exactly a bit comes.
        for lane in range(law.lanes):
            for at_place in range(kept if every else 1):
                bit = placed[0, at_place]
                off = late_draw(late, asked, LATE_BITS + lane * bits + bit, k)
                placed[1 + lane, at_place] = arrives_at(
                    start + captured[bit], lanes[lane], off, NEVER
                )
    if soonest != latest and (released or law.when_full == STALL):
        bit = placed[0, kept - 1]
        off = late_draw(late, asked, edge_jitter + 2 * bit, k)
        latest = arrives_at(start + offsets[2 * bit], unit.strobe, off, NEVER)
    if asked[0, 0] > 0:
        harms[0, 0] = noted
        return DRAWS, False, 0, comes, NEVER
    enough, need, closes = FAR, NEVER, latest + law.gap
    if exact or every or first_lost == 0:
        first = FAR
    if released:
        enough = NEVER
    for lane in range(law.lanes):
        came = placed[1 + lane]
        if exact or every or first_lost == 0:
            first = min(first, came[0])
        if released:
            enough = max(enough, came[law.release_bits - 1])
            for at_place in range(kept):
                need = max(need, came[at_place] - takes[at_place])
    if exact or every:
        for number in range(noted + 1, harms[0, 0] + 1):
            note = harms[number]
            if note[0] == INVERTED:
                note[5] = placed[1 + note[3], note[4]]
    note_harm(harms, CLOSED, t, k, 0, 0, closes)
    return 0, wrong or first_lost < law.data_bits, kept, (first, enough, closes, need), closes
