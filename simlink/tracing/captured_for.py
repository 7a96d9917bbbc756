"""Which capture each bit comes from that is pushed, where bits may be lost or take others' places.

Pushes are otherwise told by their order, which a bit that was lost upsets. Here each lane has a
line of its own beside its pushes: for each of them, when what is pushed was captured (`NEVER` where
that is not known), and of which conversion it is.
"""

from __future__ import annotations

from bisect import bisect_right
from typing import TYPE_CHECKING

from simlink.base.instants import FAR, NEVER
from simlink.tracing.edges import Edge, Edges, captures, lanes_of

if TYPE_CHECKING:
    from simlink.tracing.trace import Trace

#: The name of a lane's line.
CAPTURED_FOR = "captured for fifo.push[{}]"


def captured_for(trace: Trace) -> dict[str, list[Edge]]:
    """Return the lines of a trace, which knows."""
    together = trace.scenario.barrier.return_.style == "packets"
    captured = {
        (one.conversion, one.bit): one.time
        for one in trace.changes
        if one.signal == "remote.capture"
    }
    found: dict[str, list[Edge]] = {}
    came = set()
    for one in trace.changes:
        if one.family == "fifo.push" and one.conversion is not None:
            # In packets no bit takes the place of another; otherwise its own edge brought it.
            left = one.since
            if together:
                # That of a repeated frame comes out of the memory.
                own = (one.lane, one.conversion, one.bit)
                left = None if own in came else captured.get((one.conversion, one.bit))
                came.add(own)
            line = found.setdefault(CAPTURED_FOR.format(one.lane), [])
            line.append((NEVER if left is None else left, one.conversion))
    return found


def captured_for_whole(edges: Edges, bits: int) -> dict[str, list[Edge]]:
    """Return the lines as far as edges tell: of frames that came whole ahead of the next one.

    ``bits``: of a frame on each lane.
    """
    of: dict[int, dict[int, int]] = {}
    for index, bit, time in captures(edges):
        of.setdefault(index, {})[bit] = time
    begun = sorted((own[0], index) for index, own in of.items() if 0 in own)
    firsts = [time for time, _ in begun]
    found: dict[str, list[Edge]] = {}
    for lane, line in lanes_of(edges, "fifo.push"):
        told: list[Edge] = [(NEVER, -1)] * len(line)
        known = set()
        for start in (place for place, (_, bit) in enumerate(line) if bit == 0):
            frame = line[start : start + bits]
            place = bisect_right(firsts, frame[0][0]) - 1
            if [bit for _, bit in frame] != list(range(bits)) or place < 0:
                continue
            own = of[begun[place][1]]
            if begun[place][1] in known:
                # Sent once more, out of the memory.
                continue
            following = firsts[place + 1] if place + 1 < len(firsts) else FAR
            if frame[-1][0] < following and all(own.get(bit, FAR) <= at for at, bit in frame):
                known.add(begun[place][1])
                told[start : start + bits] = [(own[bit], begun[place][1]) for _, bit in frame]
        found[CAPTURED_FOR.format(lane)] = told
    return found
