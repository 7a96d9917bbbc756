"""The values that are written on tracks: in their cells, or in a strip below where they fit."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import groupby, pairwise
from typing import TYPE_CHECKING

from simlink.pictures.diagram.palette import Sizes
from simlink.pictures.diagram.placing import Label, in_a_row, width_of
from simlink.pictures.diagram.timescale import Need, Scale
from simlink.pictures.diagram.tracks import UNREQUESTED, Cell, Mark, Track

if TYPE_CHECKING:
    from simlink.pictures.diagram.contents import Line
    from simlink.pictures.diagram.dense import Block
    from simlink.pictures.diagram.window import View
    from simlink.scenario.schema import Scenario

#: How wide a cut through the rows is, and what a label keeps clear of its middle, in mm.
TEAR, CLEARANCE = 0.75, 1.0
#: From the line of a filling to the middle of its number, in mm.
_CLEAR_OF_LINE = 1.15


@dataclass(frozen=True)
class Strip:
    """Room for labels below a row: its height, and where it begins and ends, in mm."""

    y: float
    left: float
    right: float


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


def _fits(cell: Cell, text: str, size: float, scale: Scale, crosses: list[float]) -> float | None:
    """Return where a label stands within a cell, clear of cuts and crosses; None if nowhere."""
    left, right = scale.at(cell.start), scale.at(cell.end)
    half = width_of(text, size) / 2 + 0.2
    free = [(left, right)]
    for at in sorted([*scale.tears, *crosses]):
        if left < at < right:
            a, b = free.pop()
            free += [(a, at - CLEARANCE), (at + CLEARANCE, b)]
    wide = max(free, key=lambda one: one[1] - one[0])
    if wide[1] - wide[0] < 2 * half:
        return None
    middle = (wide[0] + wide[1]) / 2
    # In a long cell the label stays near its beginning, where the eye looks for it.
    return min(middle, free[0][0] + 9.0) if len(free) == 1 else middle


def label_cells(
    track: Track, line: Line, sizes: Sizes, strip: Strip, view: View
) -> tuple[list[Label], int]:
    """Label the values of a track on one line.

    Returns
    -------
    labels : list of Label
    rows : int
        How many rows of the strip they use.
    """
    scale = line.scale
    blocks = line.dense.get(track.name, [])
    inside, below = _counts(track, blocks, line, sizes)
    if track.signal.kind == "level":
        placed, rows = _below(below, sizes, strip, line.rows[track.name][1], scale.tears)
        return inside + placed, rows
    crosses = [scale.at(m.time) for m in track.marks if m.shape == "cross" and line.shows(m.time)]
    here = [
        cell
        for cell in track.cells
        if _holds(cell, track)
        and cell.end > scale.start
        and line.shows(max(cell.start, scale.start))
    ]
    runs = (
        [list(run) for _, run in groupby(here, key=lambda cell: cell.run)]
        if track.signal.kind == "bits"
        else [[cell] for cell in here]
    )
    for run in runs:
        # Of a frame of which little more than an edge is shown, nothing is said.
        if track.signal.kind == "bits" and _sliver(run, scale, view):
            continue
        texts = [_text(cell, track, view) for cell in run]
        places = [
            _fits(c, text, sizes.small, scale, crosses) for c, text in zip(run, texts, strict=True)
        ]
        if line.detail:
            some = [number for number, place in enumerate(places) if place is not None]
        elif all(place is not None for place in places) and not blocks:
            some = list(range(len(run)))
        else:
            # Of many narrow bits the first and the last are named.
            some = sorted({0, len(run) - 1})
            texts = [_named(text, cell, track, view) for text, cell in zip(texts, run, strict=True)]
        for number in some:
            cell, text, place = run[number], texts[number], places[number]
            name = f"{track.name}@{cell.start}"
            if place is not None and (line.detail or len(run) == 1 or len(some) == len(run)):
                inside.append(
                    Label(text, place, _height(cell, track, line, view), sizes.small, "cell", name)
                )
            else:
                x = (scale.at(cell.start) + scale.at(cell.end)) / 2
                below.append((x, text, name))
    below.sort()
    placed, rows = _below(below, sizes, strip, line.rows[track.name][1], scale.tears)
    return inside + placed, rows


def _counts(
    track: Track, blocks: list[Block], line: Line, sizes: Sizes
) -> tuple[list[Label], list[tuple[float, str, str]]]:
    """Return what is said within blocks, and what is to stand below them for want of room."""
    top, bottom = line.rows[track.name]
    inside, below = [], []
    for block in blocks:
        text, name = f"\N{MULTIPLICATION SIGN}{block.count}", f"{track.name}@{block.start}"
        x = (block.left + block.right) / 2
        if width_of(text, sizes.small) + 0.6 <= block.right - block.left:
            inside.append(Label(text, x, (top + bottom) / 2, sizes.small, "block", name))
        else:
            below.append((x, text, name))
    return inside, below


def _sliver(run: list[Cell], scale: Scale, view: View) -> bool:
    """Tell whether a run of bits is cut off by the end of the picture after a millimetre or two."""
    cut = run[-1].end >= view.end and run[-1].end == scale.end
    return cut and scale.at(run[-1].end) - scale.at(run[0].start) < 2.5


def full_scale(track: Track, depth: int) -> int:
    """Return the filling that is drawn as high as the row: the depth, if it was ever in reach."""
    most = max([cell.value or 0 for cell in track.cells] + [1])
    return depth if depth <= 2 * most + 2 else most + 1


def _height(cell: Cell, track: Track, line: Line, view: View) -> float:
    """Return where the number of a cell stands: of a filling, above it or within it."""
    top, bottom = line.rows[track.name]
    if track.signal.kind != "count":
        return (top + bottom) / 2
    assert cell.value is not None
    share = cell.value / full_scale(track, view.trace.scenario.fifo.depth)
    height = bottom - share * (bottom - top)
    return height - _CLEAR_OF_LINE if share <= 0.5 else height + _CLEAR_OF_LINE


def _text(cell: Cell, track: Track, view: View) -> str:
    assert cell.value is not None
    if track.signal.kind != "bits":
        return _number(cell)
    scenario = view.trace.scenario
    if cell.value >= scenario.data_bits_per_lane:
        return _behind(scenario, cell.value - scenario.data_bits_per_lane)
    bits = scenario.frame.word_bits
    # The first bit on the line is the most significant one of its word.
    return str(bits - 1 - cell.value % bits)


def _behind(scenario: Scenario, place: int) -> str:
    """Return what a bit behind the words is called: of the sequence counter, or of the check."""
    first = place < scenario.check.sequence_bits
    letter, end = ("s", scenario.check.sequence_bits) if first else ("c", scenario.check.beside)
    return f"{letter}{end - 1 - place}"


def _named(text: str, cell: Cell, track: Track, view: View) -> str:
    """Return what the first and the last bit of a word are called where not all are numbered."""
    if track.signal.kind != "bits":
        return text
    bits = view.trace.scenario.frame.word_bits
    return {str(bits - 1): "MSB", "0": "LSB"}.get(text, text) if bits > 1 else text


def _below(
    wanted: list[tuple[float, str, str]],
    sizes: Sizes,
    strip: Strip,
    bottom: float,
    tears: list[float],
) -> tuple[list[Label], int]:
    """Put labels in the strip, in as many rows as they need, by turns; return how many."""
    if not wanted:
        return [], 0
    rows = 1
    while True:
        labels: list[Label] = []
        for row in range(rows):
            some = wanted[row::rows]
            middles = in_a_row(
                [x for x, _, _ in some],
                [width_of(text, sizes.small) for _, text, _ in some],
                strip.left,
                strip.right,
                [(at - CLEARANCE, at + CLEARANCE) for at in tears],
            )
            if middles is None:
                break
            y = strip.y + row * sizes.strip
            labels += [
                Label(text, x, y, sizes.small, "cell", name, leader=(at, bottom))
                for x, (at, text, name) in zip(middles, some, strict=True)
            ]
        else:
            return labels, rows
        rows += 1
        if rows > len(wanted):
            tears = []  # There is no room beside a cut.


def label_marks(
    track: Track, line: Line, sizes: Sizes, strip: Strip, view: View
) -> tuple[list[Label], int]:
    """Label the instants of a track on one line; see `label_cells`."""
    top, bottom = line.rows[track.name]
    named: list[Mark] = [m for m in track.marks if m.label and line.shows(m.time)]
    if not named:
        return [], 0
    at = [line.scale.at(mark.time) for mark in named]
    names = [f"{track.name}@{mark.time}" for mark in named]
    tears = line.scale.tears
    beside = _beside(at, [width_of(mark.label, sizes.small) for mark in named], strip, tears)
    if beside is not None:
        middle = (top + bottom) / 2
        labels = [
            Label(mark.label, x, middle, sizes.small, "mark", name)
            for mark, x, name in zip(named, beside, names, strict=True)
        ]
        return labels, 0
    labels, rows = _below(
        [(x, mark.label, name) for x, mark, name in zip(at, named, names, strict=True)],
        sizes,
        strip,
        bottom,
        tears,
    )
    return [replace(one, role="mark") for one in labels], rows


def _beside(
    at: list[float], widths: list[float], strip: Strip, tears: list[float]
) -> list[float] | None:
    """Return where labels stand to the right of their marks, or to the left; None if one cannot."""
    found: list[float] = []
    taken = strip.left
    for place, (x, wide) in enumerate(zip(at, widths, strict=True)):
        end = at[place + 1] - 0.8 if place + 1 < len(at) else strip.right
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
