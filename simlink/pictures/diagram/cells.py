"""The values that are written on tracks: in their cells, or in a strip below where they fit."""

from __future__ import annotations

from itertools import groupby, pairwise
from typing import TYPE_CHECKING

from simlink.pictures.diagram.palette import Sizes
from simlink.pictures.diagram.placing import Label, in_a_row, width_of
from simlink.pictures.diagram.timescale import Need
from simlink.pictures.diagram.tracks import UNREQUESTED, Cell, Track

if TYPE_CHECKING:
    from simlink.pictures.diagram.contents import Line
    from simlink.pictures.diagram.window import View

#: How wide a cut through the rows is, and what a label keeps clear of its middle, in mm.
TEAR, CLEARANCE = 0.75, 1.0
#: From the line of a filling to the middle of its number, in mm.
_CLEAR_OF_LINE = 1.15


def needs_of(track: Track, sizes: Sizes, room: float) -> list[Need]:
    """Return what room the labels of a track ask for.

    Numbers and fillings get a cell that is as wide as the number; bits do not, for there are
    many; a trigger gets room for its number up to the next one.
    """
    if track.signal.kind in ("number", "count"):
        return [
            Need(cell.start, cell.end, width_of(_number(cell), sizes.small) + 0.7)
            for cell in track.cells[1:-1]
            if _holds(cell, track)
        ]
    named = [mark for mark in track.marks if mark.label]
    found = []
    for mark, following in pairwise(named):
        wide = min(width_of(mark.label, sizes.small), room / 2)
        found.append(Need(mark.time, following.time, wide + 2.4, wide + 1.2))
    if named:
        wide = width_of(named[-1].label, sizes.small)
        found.append(Need(named[-1].time, named[-1].time, 0.0, wide + 1.2))
    return found


def _holds(cell: Cell, track: Track) -> bool:
    """Tell whether something that has a name is on a line: a bit, a number, a frame."""
    if cell.value is None:
        return False
    return cell.value >= 0 or (track.signal.kind == "number" and cell.value != track.signal.rest)


def _number(cell: Cell) -> str:
    """Return the number in a cell; of a frame of no conversion, that nobody asked for it."""
    return UNREQUESTED if cell.value is not None and cell.value < 0 else str(cell.value)


def full_scale(track: Track, depth: int) -> int:
    """Return the filling that is drawn as high as the row: the depth, if it was ever in reach."""
    most = max([cell.value or 0 for cell in track.cells] + [1])
    return depth if depth <= 2 * most + 2 else most + 1


#: Where something is to be said below a row, in mm, what, and which one it is.
_Wanted = tuple[float, str, str]


class RowLabels:
    """Labels what a track shows on one line of the picture, whose row has been placed."""

    def __init__(self, track: Track, line: Line, sizes: Sizes, view: View) -> None:
        self.track, self.line, self.sizes, self.view = track, line, sizes, view
        self.kind, self.scale = track.signal.kind, line.scale
        self.top, self.bottom = line.rows[track.name]
        self.middle = (self.top + self.bottom) / 2

    def placed(self) -> tuple[list[Label], int]:
        """Return the labels, and how many rows of a strip below they use."""
        if self.kind == "instant":
            return self._marks()
        inside, below = self._counts()
        for run in self._runs():
            here, there = self._cells(run)
            inside += here
            below += there
        placed, rows = self._below(sorted(below), self.scale.tears)
        return inside + placed, rows

    def _label(self, text: str, x: float, role: str, name: str, y: float, ground: str) -> Label:
        in_row = role == "cell" and self.kind == "count"
        return Label(text, x, y, self.sizes.small, role, name, ground=ground, in_row=in_row)

    def _named(self, time: int) -> str:
        return f"{self.track.name}@{time}"

    def _counts(self) -> tuple[list[Label], list[_Wanted]]:
        """Return what is said within blocks, and what is to stand below them for want of room."""
        inside, below = [], []
        for block in self.line.dense.get(self.track.name, []):
            text, name = f"\N{MULTIPLICATION SIGN}{block.count}", self._named(block.start)
            x = (block.left + block.right) / 2
            if width_of(text, self.sizes.small) + 0.6 <= block.right - block.left:
                inside.append(self._label(text, x, "block", name, self.middle, "paper"))
            else:
                below.append((x, text, name))
        return inside, below

    def _runs(self) -> list[list[Cell]]:
        """Return the cells that have something to say, the bits of a frame together."""
        if self.kind == "level":
            return []
        scale = self.scale
        here = [
            cell
            for cell in self.track.cells
            if _holds(cell, self.track)
            and cell.end > scale.start
            and self.line.shows(max(cell.start, scale.start))
        ]
        if self.kind != "bits":
            return [[cell] for cell in here]
        runs = [list(run) for _, run in groupby(here, key=lambda cell: cell.run)]
        # Of a frame of which little more than an edge is shown, nothing is said.
        return [run for run in runs if not self._sliver(run)]

    def _sliver(self, run: list[Cell]) -> bool:
        """Tell whether a run is cut off by the end of the picture after a millimetre or two."""
        cut = run[-1].end >= self.view.end and run[-1].end == self.scale.end
        return cut and self.scale.at(run[-1].end) - self.scale.at(run[0].start) < 2.5

    def _cells(self, run: list[Cell]) -> tuple[list[Label], list[_Wanted]]:
        """Return what is said within the cells of a run, and what is to stand below them."""
        inside, below = [], []
        texts = [self._text(cell) for cell in run]
        places = [self._fits(cell, text) for cell, text in zip(run, texts, strict=True)]
        if self.line.detail:
            some = [number for number, place in enumerate(places) if place is not None]
        elif None not in places and not self.line.dense.get(self.track.name):
            some = list(range(len(run)))
        else:
            # Of many narrow bits the first and the last are named.
            some = sorted({0, len(run) - 1})
            texts = [self._end_of_word(text) for text in texts]
        for number in some:
            cell, text, place = run[number], texts[number], places[number]
            name = self._named(cell.start)
            if place is not None and (self.line.detail or len(some) == len(run)):
                inside.append(self._label(text, place, "cell", name, *self._height(cell)))
            else:
                x = (self.scale.at(cell.start) + self.scale.at(cell.end)) / 2
                below.append((x, text, name))
        return inside, below

    def _fits(self, cell: Cell, text: str) -> float | None:
        """Return where a label stands within a cell, clear of cuts and crosses; None if nowhere."""
        left, right = self.scale.at(cell.start), self.scale.at(cell.end)
        half = width_of(text, self.sizes.small) / 2 + 0.2
        marks = [one for one in self.track.marks if one.shape == "cross"]
        crosses = [self.scale.at(one.time) for one in marks if self.line.shows(one.time)]
        free = [(left, right)]
        for at in sorted([*self.scale.tears, *crosses]):
            if left < at < right:
                a, b = free.pop()
                free += [(a, at - CLEARANCE), (at + CLEARANCE, b)]
        wide = max(free, key=lambda one: one[1] - one[0])
        if wide[1] - wide[0] < 2 * half:
            return None
        middle = (wide[0] + wide[1]) / 2
        # In a long cell the label stays near its beginning, where the eye looks for it.
        return min(middle, free[0][0] + 9.0) if len(free) == 1 else middle

    def _height(self, cell: Cell) -> tuple[float, str]:
        """Return where a cell's number stands, of a filling above it or within, and on what."""
        if self.kind != "count":
            return self.middle, "paper"
        assert cell.value is not None
        share = cell.value / full_scale(self.track, self.view.trace.scenario.fifo.depth)
        height = self.bottom - share * (self.bottom - self.top)
        if share <= 0.5:
            return height - _CLEAR_OF_LINE, self.track.signal.side
        return height + _CLEAR_OF_LINE, "fill"

    def _text(self, cell: Cell) -> str:
        assert cell.value is not None
        if self.kind != "bits":
            return _number(cell)
        scenario = self.view.trace.scenario
        behind = cell.value - scenario.data_bits_per_lane
        if behind >= 0:
            # A bit behind the words is one of the sequence counter, or of the check.
            first = behind < scenario.check.sequence_bits
            bits = scenario.check.sequence_bits if first else scenario.check.beside
            return f"{'s' if first else 'c'}{bits - 1 - behind}"
        bits = scenario.frame.word_bits
        # The first bit on the line is the most significant one of its word.
        return str(bits - 1 - cell.value % bits)

    def _end_of_word(self, text: str) -> str:
        """Return what a word's first and last bit are called where not all are numbered."""
        bits = self.view.trace.scenario.frame.word_bits
        if self.kind != "bits" or bits == 1:
            return text
        return {str(bits - 1): "MSB", "0": "LSB"}.get(text, text)

    def _below(
        self, wanted: list[_Wanted], tears: list[float], role: str = "cell"
    ) -> tuple[list[Label], int]:
        """Put labels in the strip, in as many rows as they need, by turns; return how many."""
        if not wanted:
            return [], 0
        size, side = self.sizes.small, self.track.signal.side
        rows = 1
        while True:
            labels: list[Label] = []
            for row in range(rows):
                some = wanted[row::rows]
                middles = in_a_row(
                    [x for x, _, _ in some],
                    [width_of(text, size) for _, text, _ in some],
                    self.scale.left,
                    self.scale.right,
                    [(at - CLEARANCE, at + CLEARANCE) for at in tears],
                )
                if middles is None:
                    break
                y = self.bottom + self.sizes.strip / 2 + row * self.sizes.strip
                labels += [
                    Label(text, x, y, size, role, name, leader=(at, self.bottom), ground=side)
                    for x, (at, text, name) in zip(middles, some, strict=True)
                ]
            else:
                return labels, rows
            rows += 1
            if rows > len(wanted):
                tears = []  # There is no room beside a cut.

    def _marks(self) -> tuple[list[Label], int]:
        """Label the instants of a track."""
        named = [m for m in self.track.marks if m.label and self.line.shows(m.time)]
        wanted = [(self.scale.at(m.time), m.label, self._named(m.time)) for m in named]
        places = self._beside(wanted)
        if places is None:
            return self._below(wanted, self.scale.tears, "mark")
        side = self.track.signal.side
        labels = [
            self._label(text, x, "mark", name, self.middle, side)
            for x, (_, text, name) in zip(places, wanted, strict=True)
        ]
        return labels, 0

    def _beside(self, wanted: list[_Wanted]) -> list[float] | None:
        """Return where labels stand right of their marks, or left; None if one cannot."""
        found: list[float] = []
        taken, tears = self.scale.left, self.scale.tears
        at = [x for x, _, _ in wanted]
        for (x, text, _), following in zip(wanted, [*at[1:], None], strict=False):
            wide = width_of(text, self.sizes.small)
            end = self.scale.right if following is None else following - 0.8
            end = min([end, *(tear - CLEARANCE for tear in tears if tear > x)])
            taken = max([taken, *(tear + CLEARANCE - 0.8 for tear in tears if tear < x)])
            if x + 0.9 + wide <= end:
                found.append(x + 0.9 + wide / 2)
                taken = x + 0.9 + wide
            elif x - 0.9 - wide >= taken + 0.8:
                found.append(x - 0.9 - wide / 2)
                taken = x + 0.8
            else:
                return None
        return found
