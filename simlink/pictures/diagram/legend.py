"""What the marks of a picture mean: those that are in it, each with its words."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from simlink.pictures.diagram.placing import width_of

if TYPE_CHECKING:
    from simlink.pictures.diagram.contents import Contents, Line

#: What each mark means, in the order in which they are listed.
MEANINGS = {
    "sample": "sampling instant",
    "capture": "data captured",
    "release": "frame released",
    "cross": "missed, lost or given up",
    "wrong": "wrong bit captured",
    "unknown": "not valid or not known",
    "bad": "captured, but not there",
    "block": "\N{MULTIPLICATION SIGN}n: n cycles, bits or pushes, not drawn singly",
    "tear": "time left out",
    "band": "range of an edge",
    "false": "edge that no part drove",
    "window": "nothing should switch",
    "event": "common-mode event",
    "upset": "channels upset",
    "hit lost": "symbol hit: lost",
    "hit inverted": "symbol hit: inverted",
    "hit slipped": "symbol hit: lost, later bits move up",
}
#: Width of a mark with what is clear after it, and between two items, in mm.
GLYPH, _APART = 4.4, 3.0


@dataclass(frozen=True)
class Item:
    """One mark of the legend: which, the left end and the height of its middle, in mm."""

    mark: str
    x: float
    y: float

    @property
    def text(self) -> str:
        """What it means."""
        return MEANINGS[self.mark]


def marks_in(contents: Contents, lines: list[Line]) -> list[str]:
    """Return the marks that a picture has, in the order of `MEANINGS`."""
    found: set[str] = set()
    for line in lines:
        if line.scale.tears:
            found.add("tear")
        for track in contents.tracks:
            if track.name not in line.rows:
                continue
            if line.dense.get(track.name):
                found.add("block")
            for mark in track.marks:
                hidden = line.hides(track.name, mark.time)
                if mark.shape in MEANINGS and line.shows(mark.time) and not hidden:
                    found.add(mark.shape)
            for cell in track.cells:
                if not line.scale.meets(cell.start, cell.end):
                    continue
                if cell.bad:
                    found.add("bad")
                if cell.value is None or (track.signal.kind == "bits" and cell.value == -1):
                    found.add("unknown")
    if contents.bands:
        found.add("band")
    if contents.quiet is not None and contents.quiet.stretches:
        found.add("window")
    if contents.events is not None:
        for line in lines:
            found |= {sign.effect for sign in line.signs}
            if any(line.scale.meets(*window) for window in contents.events.windows):
                found.add("upset")
            if any(line.shows(time) for time in contents.events.instants):
                found.add("event")
    return [mark for mark in MEANINGS if mark in found]


def placed(
    marks: list[str], size: float, left: float, right: float, y: float, pitch: float
) -> tuple[list[Item], float]:
    """Put marks side by side in as many rows as they need; return them and the bottom."""
    items = []
    x, middle = left, y + pitch / 2
    for mark in marks:
        wide = GLYPH + width_of(MEANINGS[mark], size)
        if x > left and x + wide > right:
            x, middle = left, middle + pitch
        items.append(Item(mark, x, middle))
        x += wide + _APART
    return items, middle + pitch / 2 if items else y
