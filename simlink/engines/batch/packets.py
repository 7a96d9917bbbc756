"""What becomes of a frame whose packets transients hit, in the batch engine.

A line bit that is hit is inverted; one of the header's loses the packet whole, as the event
engine's `upset_packets` has it. Compiled as it stands. A frame with a packet too few that is
released all the same, or that holds a credit, is left to that engine.
"""

from __future__ import annotations

from typing import Any

from simlink.base.instants import FAR, NEVER
from simlink.base.sfc64 import numbered
from simlink.engines.batch.draws import EDGES
from simlink.engines.batch.hits import (
    LANE_SEEDS,
    LINE_BIT,
    ROOM,
    WHOLE,
    WINDOWS,
    met,
    note_harm,
)
from simlink.engines.batch.rings import draw
from simlink.link.channel import arrives_at
from simlink.link.fifo import WhenFull
from simlink.link.transient import is_upset
from simlink.link.transport import line_bit_begins, sent_at

STALL = int(WhenFull.STALL)


def receive(
    law: Any,
    t: int,
    k: int,
    start: int,
    draws: Any,
    place: Any,
    constant: Any,
    at: int,
    lanes: Any,
    offsets: Any,
    line_times: Any,
    takes: Any,
    shapes: Any,
    ahead: Any,
    line_free: Any,
    starts: Any,
    ends: Any,
    seeds: Any,
    harms: Any,
    pushed: Any,
) -> tuple[int, bool, bool, tuple[int, int, int, int]]:
    """Receive a frame that windows may have met.

    Parameters
    ----------
    start, lanes, offsets, line_times, takes, ahead, line_free, pushed
        As in `pushes.push`; only ``pushed`` is changed.
    shapes : ndarray of int64, shape (3, packets)
        Of each packet: its first bit, its line bits, and those of all ahead of it in the frame.
    starts, ends, seeds, harms
        As in `hits.inverted`.

    Returns
    -------
    lacks : int
        What it lacks, as in `hits.Wanted`; nothing is noted then.
    wrong : bool
        Whether a bit of a word is wrong.
    short : bool
        Whether a packet is lost.
    comes : (int, int, int, int), fs
        As `pushes.push` returns them, of what comes; the first is `FAR` if nothing does,
        the second if too little does for a release.
    """
    last = law.symbols - 1
    noted, total = harms[0, 0], shapes[1, last] + shapes[2, last]
    if noted + law.lanes * total >= len(harms):
        return ROOM, False, False, (FAR, FAR, NEVER, NEVER)
    wrong, short, unknown = False, False, False
    first, enough, whole, need = FAR, NEVER, NEVER, NEVER
    for lane in range(law.lanes):
        free, out, come, enough_here = line_free[lane], ahead[lane], 0, FAR
        for symbol in range(law.symbols):
            sent = free = sent_at(start + offsets[symbol], free, line_times[symbol])
            off = draw(draws, place, constant, EDGES + lane * law.symbols + symbol, at)
            out = arrives_at(sent, lanes[lane], off, out)
            begins_with, size = shapes[0, symbol], shapes[1, symbol]
            holds, gone = size - law.overhead, False
            meets = met(starts, ends, sent - line_times[symbol], out)
            for bit in range(size if meets > 0 else 0):
                begins = line_bit_begins(sent, line_times[symbol], size, bit)
                done = line_bit_begins(sent, line_times[symbol], size, bit + 1)
                meets = met(starts, ends, begins, done + out - sent)
                unknown = unknown or meets == 2
                if meets != 1:
                    continue
                number = shapes[2, symbol] + bit
                own = numbered(seeds[LANE_SEEDS + lane], k * total + number)
                if is_upset(own, law.line_parts):
                    note_harm(harms, LINE_BIT, t, k, lane, number, out)
                    data = bit - law.header
                    gone = gone or data < 0
                    wrong = wrong or (0 <= data < holds and begins_with + data < law.data_bits)
            if gone:
                short, wrong = True, wrong or begins_with < law.data_bits
            else:
                first, whole = min(first, out), max(whole, out)
                need = max(need, out - takes[symbol])
                if come < law.release_bits <= come + holds:
                    enough_here = out
                come += holds
            if len(pushed) > 0:
                pushed[lane, symbol] = NEVER if gone else out
        enough = max(enough, enough_here)
    lacks = WINDOWS if unknown else 0
    if not lacks and short and (enough < FAR or law.when_full == STALL):
        lacks = WHOLE
    if lacks:
        harms[0, 0] = noted
    return lacks, wrong, short, (first, enough, whole, need)
