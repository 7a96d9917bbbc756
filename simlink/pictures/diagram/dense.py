"""What follows too closely to be drawn one by one: a block with its count."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

from simlink.pictures.diagram.timescale import LEAST

if TYPE_CHECKING:
    from simlink.pictures.diagram.timescale import Scale
    from simlink.pictures.diagram.tracks import Track

#: Fewer edges than this are drawn, however close they are.
FEWEST = 6


@dataclass(frozen=True)
class Block:
    """A stretch of a track in which its edges are too close to be drawn."""

    #: Its first and last edge, in fs.
    start: int
    end: int
    #: Where they lie, in mm.
    left: float
    right: float
    #: Clock cycles, bits, or instants within it.
    count: int

    def holds(self, start: int, end: int) -> bool:
        """Tell whether a stretch of time is within it."""
        return self.start <= start and end <= self.end


def blocks(track: Track, scale: Scale) -> list[Block]:
    """Return the blocks of a track on one line of the picture."""
    kind = track.signal.kind
    if kind == "level":
        # A cycle takes two edges.
        return _runs(track.edges, track.edges, scale, 0.99 * LEAST, per=2)
    if kind == "instant":
        times = [mark.time for mark in track.marks if mark.shape == "tick"]
        return _runs(times, times, scale, 1.8 * LEAST, per=1)
    if kind == "bits":
        cells = [cell for cell in track.cells if cell.value is not None and cell.value >= 0]
        starts = [cell.start for cell in cells]
        return _runs(starts, [cell.end for cell in cells], scale, 1.8 * LEAST, per=1)
    return []


def _runs(starts: list[int], ends: list[int], scale: Scale, close: float, per: int) -> list[Block]:
    """Return the runs of what starts on a line less than so many mm apart."""
    here = [
        (start, end)
        for start, end in zip(starts, ends, strict=True)
        if scale.start <= start and end <= scale.end
    ]
    if not here:
        return []
    runs = [[here[0]]]
    for before, after in pairwise(here):
        if scale.at(after[0]) - scale.at(before[0]) >= close:
            runs.append([])
        runs[-1].append(after)
    found = []
    for run in runs:
        if len(run) < FEWEST:
            continue
        first, last = run[0][0], run[-1][1]
        count = len(run) // per
        found.append(Block(first, last, scale.at(first), scale.at(last), count))
    return found
