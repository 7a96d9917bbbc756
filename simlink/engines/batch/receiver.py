"""What becomes of a frame whose strobe or bits transients hit, in the batch engine.

A strobe that is lost brings no bit of any lane; the bits after it take the places ahead of their
own, and a gap ends the frame short, or parts it, as the event engine's `receiver` has it. Where the
host is told of a part that is no conversion's frame, that engine goes on. Compiled as it stands.
"""

from __future__ import annotations

from typing import Any

from simlink.base.instants import FAR, NEVER
from simlink.engines.batch.draws import EDGES
from simlink.engines.batch.hits import (
    CLOSED,
    DRAWS,
    INVERTED,
    LANE_SEEDS,
    LOST,
    ROOM,
    STROBE_SEED,
    WHOLE,
    WINDOWS,
    chance_hits,
    late_draw,
    meets_at,
    met,
    note_harm,
)
from simlink.engines.batch.rings import draw
from simlink.engines.batch.strobe import send
from simlink.link.channel import arrives_at
from simlink.link.fifo import WhenFull
from simlink.link.host_clocked import cross_edges

DROP_OLD, STALL = int(WhenFull.DROP_OLD), int(WhenFull.STALL)


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
    seeds: Any,
    harms: Any,
    room: Any,
    strobe: Any,
    placed: Any,
    comes: tuple[int, int, int, int],
) -> tuple[int, bool, int, tuple[int, int, int, int], int, int]:
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
    starts, ends, late, asked, seeds, harms
        As in `hits.inverted`.
    room : ndarray of int64, shape (2, 2 N)
        Room to work in; what `apart` fills.
    strobe : ndarray of int64, shape (2, N), fs
        Room to work in.
    placed : ndarray of int64, shape (1 + lanes, N)
        Filled with the bits that come, and when they do on each lane, if the frame ends short.
    comes : (int, int, int, int), fs
        As `pushes.push` returns them: of the frame as if nothing were hit.

    Returns
    -------
    lacks : int
        What it lacks, as in `hits.Wanted`; nothing is noted then.
    wrong : bool
        Whether a bit of a word is wrong.
    own : int
        How many bits of each lane come in it.
    comes : (int, int, int, int), fs
        Of what comes; the second is `FAR` if too little comes for a release.
    closes : int, fs
        When a gap ends the frame short, or the latest that may be, where it is of no matter;
        `NEVER` if it is whole.
    parts : int
        How many frames gaps part from it, that nobody asked for.
    """
    bits, noted = law.bits, harms[0, 0]
    if noted + (law.lanes + 2) * bits + 1 >= len(harms):
        return ROOM, False, 0, comes, NEVER, 0
    if judged:
        send(law, start, draws, place, constant, at, offsets, room)
        distortion = unit.strobe_distortion
        cross_edges(room[0], 2 * bits, unit.strobe, distortion, room[1], 0, strobe_ahead)
    edge_jitter = law.lanes * bits
    kept, first_lost, unknown = 0, bits, False
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
        if meets == 1 and chance_hits(law, seeds, STROBE_SEED, k * bits + bit):
            note_harm(harms, LOST, t, k, 0, bit, NEVER)
            first_lost = min(first_lost, bit)
            continue
        strobe[0, kept], strobe[1, kept] = low, high
        placed[0, kept] = bit
        kept += 1
    own, doubt = kept, False
    if kept < bits and not unknown and asked[0, 0] == 0:
        # How many of them are the frame's own, ahead of the first gap that is too long.
        for one in range(kept - 1):
            if strobe[1, one + 1] - strobe[0, one] <= law.gap:
                continue
            if strobe[0, one + 1] - strobe[1, one] <= law.gap:
                for which in (one, one + 1):
                    bit = placed[0, which]
                    off = late_draw(late, asked, edge_jitter + 2 * bit, k)
                    time = arrives_at(start + offsets[2 * bit], unit.strobe, off, NEVER)
                    strobe[0, which] = strobe[1, which] = time
                doubt = asked[0, 0] > 0
            if not doubt and begins_apart(law, strobe, one + 1):
                own = min(own, one + 1)
    wrong, exact = False, law.all_drawn or law.low == law.high
    for lane in range(law.lanes):
        out, taken = ahead[lane] if law.all_drawn else NEVER, 0
        for bit in range(bits):
            sent, column = start + captured[bit], lane * bits + bit
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
            placed[1 + lane, taken] = high
            if taken < own:
                unknown = unknown or meets == 2
                if meets == 1 and chance_hits(law, seeds, LANE_SEEDS + lane, k * bits + bit):
                    note_harm(harms, INVERTED, t, k, lane, taken, out)
                    wrong = wrong or taken < law.data_bits
            taken += 1
    lacks = WINDOWS if unknown else DRAWS if asked[0, 0] > 0 else 0
    if not lacks and kept == 0 and law.refreshes:
        # A credit for nothing comes back only with all of them.
        lacks = WHOLE
    if lacks:
        harms[0, 0] = noted
        return lacks, False, 0, comes, NEVER, 0
    if kept == bits:
        return 0, wrong, kept, comes, NEVER, 0
    if kept == 0:
        return 0, wrong, kept, (FAR, FAR, NEVER, NEVER), NEVER, 0
    released = own >= law.release_bits
    every = released or law.keeps_words
    if not exact:
        # Nothing else asks when exactly these come.
        for one in range(kept):
            asks = one < own and (every or (one == 0 and first_lost == 0))
            if asks or (one > 0 and begins_apart(law, strobe, one)):
                bit = placed[0, one]
                for lane in range(law.lanes):
                    off = late_draw(late, asked, lane * bits + bit, k)
                    placed[1 + lane, one] = arrives_at(
                        start + captured[bit], lanes[lane], off, NEVER
                    )
    if strobe[0, own - 1] != strobe[1, own - 1] and (released or law.when_full == STALL):
        bit = placed[0, own - 1]
        off = late_draw(late, asked, edge_jitter + 2 * bit, k)
        time = arrives_at(start + offsets[2 * bit], unit.strobe, off, NEVER)
        strobe[0, own - 1] = strobe[1, own - 1] = time
    lacks = DRAWS if asked[0, 0] > 0 else 0
    parts = 0
    if not lacks:
        parts = apart(law, kept, strobe, placed, room)
        if parts < 0 or (parts > 0 and law.when_full == STALL):
            lacks = WHOLE
    if lacks:
        harms[0, 0] = noted
        return lacks, False, 0, comes, NEVER, 0
    first, enough, need, closes = comes[0], FAR, NEVER, strobe[1, own - 1] + law.gap
    known = exact or every or first_lost == 0
    if known:
        first = FAR
    if released:
        enough = NEVER
    for lane in range(law.lanes):
        came = placed[1 + lane]
        if known:
            first = min(first, came[0])
        if released:
            enough = max(enough, came[law.release_bits - 1])
            for one in range(own):
                need = max(need, came[one] - takes[one])
    if exact or every:
        for number in range(noted + 1, harms[0, 0] + 1):
            note = harms[number]
            if note[0] == INVERTED:
                note[5] = placed[1 + note[3], note[4]]
    note_harm(harms, CLOSED, t, k, 0, own, closes)
    return 0, wrong or first_lost < law.data_bits, own, (first, enough, closes, need), closes, parts


def begins_apart(law: Any, strobe: Any, one: int) -> bool:
    """Tell whether a gap parts a bit that comes from the one ahead of it."""
    found: bool = strobe[0, one] - strobe[1, one - 1] > law.gap
    return found


def apart(law: Any, kept: int, strobe: Any, placed: Any, room: Any) -> int:
    """Find the frames that gaps part from a conversion's own.

    Parameters
    ----------
    kept : int
        How many bits of each lane come.
    strobe : ndarray of int64, shape (2, N), fs
        The first and the last that the strobe of each may come.
    placed
        As in `receive`.
    room : ndarray of int64, shape (2, 2 N), fs
        Filled with when the first bit of each comes, and when a gap has ended it, at the latest.

    Returns
    -------
    int
        How many there are; -1 if the host is told of one, if bits come when a frame is over, or if
        one may take the place of another frame that the host may begin to read meanwhile.
    """
    parts, begun = 0, 0
    before = NEVER
    for one in range(1, kept + 1):
        if one < kept and not begins_apart(law, strobe, one):
            continue
        came, last = FAR, NEVER
        for lane in range(law.lanes):
            came = min(came, placed[1 + lane, begun])
            for each in range(begun, one):
                last = max(last, placed[1 + lane, each])
        # A bit comes ahead of its strobe, and so a part before the one ahead of it is over.
        early = begun > 0 and came <= before and law.when_full == DROP_OLD
        if early or last >= strobe[0, one - 1] + law.gap:
            return -1
        if begun > 0:
            if one - begun >= law.release_bits:
                return -1
            room[0, parts], room[1, parts] = came, strobe[1, one - 1] + law.gap
            parts += 1
        before = strobe[1, one - 1] + law.gap
        begun = one
    return parts
