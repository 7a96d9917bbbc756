"""The values that are written on tracks: in their cells, or in a strip below where they fit."""

from __future__ import annotations

from dataclasses import dataclass, replace
from itertools import groupby, pairwise
from typing import TYPE_CHECKING

from simlink.pictures.diagram.palette import Sizes
from simlink.pictures.diagram.placing import Label, in_a_row, width_of
from simlink.pictures.diagram.timescale import Need, Scale
from simlink.pictures.diagram.tracks import Cell, Mark, Track

if TYPE_CHECKING:
    from simlink.pictures.diagram.contents import Line
    from simlink.pictures.diagram.window import View

#: How wide a cut through the rows is, and what a label keeps clear of its middle, in mm.
TEAR, CLEARANCE = 0.75, 1.0


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
            Need(cell.start, cell.end, width_of(str(cell.value), sizes.small) + 0.7)
            for cell in track.cells[1:-1]
            if cell.value is not None and cell.value >= 0
        ]
    named = [mark for mark in track.marks if mark.label]
    found = []
    for mark, following in pairwise(named):
        wide = min(width_of(mark.label, sizes.small), room / 2)
        found.append(Need(mark.time, following.time, wide + 2.4, wide + 0.6))
    if named:
        wide = width_of(named[-1].label, sizes.small)
        found.append(Need(named[-1].time, named[-1].time, 0.0, wide + 0.6))
    return found


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
    if track.signal.kind == "level":
        return [], 0
    scale = line.scale
    crosses = [scale.at(m.time) for m in track.marks if m.shape == "cross" and line.shows(m.time)]
    inside: list[Label] = []
    below: list[tuple[float, str, str]] = []
    here = [
        cell
        for cell in track.cells
        if cell.value is not None
        and cell.value >= 0
        and cell.end > scale.start
        and line.shows(max(cell.start, scale.start))
    ]
    runs = (
        [list(run) for _, run in groupby(here, key=lambda cell: cell.run)]
        if track.signal.kind == "bits"
        else [[cell] for cell in here]
    )
    for run in runs:
        texts = [_text(cell, track, view) for cell in run]
        places = [
            _fits(c, text, sizes.small, scale, crosses) for c, text in zip(run, texts, strict=True)
        ]
        if all(place is not None for place in places):
            some = range(len(run))
        else:
            # Of many narrow bits the first and the last are named.
            some = sorted({0, len(run) - 1})  # type: ignore[assignment]
        for number in some:
            cell, text, place = run[number], texts[number], places[number]
            name = f"{track.name}@{cell.start}"
            if place is not None and (len(run) == 1 or len(some) == len(run)):
                inside.append(
                    Label(text, place, _height(cell, track, line, view), sizes.small, "cell", name)
                )
            else:
                x = (scale.at(cell.start) + scale.at(cell.end)) / 2
                below.append((x, text, name))
    placed, rows = _below(below, sizes, strip, line.rows[track.name][1])
    return inside + placed, rows


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
    return (top + height) / 2 if share <= 0.5 else (height + bottom) / 2


def _text(cell: Cell, track: Track, view: View) -> str:
    assert cell.value is not None
    if track.signal.kind != "bits":
        return str(cell.value)
    bits = view.trace.scenario.frame.word_bits
    # The first bit on the line is the most significant one of its word.
    return str(bits - 1 - cell.value % bits)


def _below(
    wanted: list[tuple[float, str, str]], sizes: Sizes, strip: Strip, bottom: float
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
    beside = _beside(at, [width_of(mark.label, sizes.small) for mark in named], strip)
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
    )
    return [replace(one, role="mark") for one in labels], rows


def _beside(at: list[float], widths: list[float], strip: Strip) -> list[float] | None:
    """Return where labels stand to the right of their marks, or to the left; None if one cannot."""
    found: list[float] = []
    taken = strip.left
    for place, (x, wide) in enumerate(zip(at, widths, strict=True)):
        end = at[place + 1] - 0.8 if place + 1 < len(at) else strip.right
        if x + 0.9 + wide <= end:
            found.append(x + 0.9 + wide / 2)
            taken = x + 0.9 + wide
        elif x - 0.9 - wide >= taken + 0.8:
            found.append(x - 0.9 - wide / 2)
            taken = x + 0.8
        else:
            return None
    return found
