"""How each kind of row is drawn: two levels, bits, numbers, a filling, single instants."""

from __future__ import annotations

import math
from enum import IntEnum
from typing import TYPE_CHECKING, Any

from simlink.link.line import UNDRIVEN
from simlink.pictures.diagram.cells import full_scale
from simlink.pictures.diagram.contents import Line
from simlink.pictures.diagram.layout import Layout
from simlink.pictures.diagram.palette import Palette
from simlink.pictures.diagram.tracks import Cell, Mark, Track

if TYPE_CHECKING:
    from matplotlib.axes import Axes

Points = list[tuple[float, float]]


class Order(IntEnum):
    """What is drawn over what, from back to front."""

    BLOCK = 1
    WINDOW = 2
    BAND = 3
    REACH = 4
    CROSS = 5
    FILL = 6
    ROW_TEXT = 7
    TRACE = 8
    TEAR = 9
    MARK = 10
    LINE = 11
    TEXT = 12


class RowPainter:
    """Draws the rows of a picture on axes in mm, y downwards."""

    def __init__(self, ax: Axes, layout: Layout, palette: Palette) -> None:
        self.ax = ax
        self.layout = layout
        self.palette = palette
        self.sizes = layout.sizes
        self.tracks = {track.name: track for track in layout.tracks}

    def box(self, x0: float, y0: float, x1: float, y1: float, order: float, **look: Any) -> None:
        """Fill a rectangle."""
        from matplotlib.patches import Rectangle

        look = {"linewidth": 0, "edgecolor": "none", **look}
        self.ax.add_patch(Rectangle((x0, y0), x1 - x0, y1 - y0, zorder=order, **look))

    def strokes(self, lines: list[Points], order: float, color: str, **look: Any) -> None:
        """Draw lines, each through its points."""
        from matplotlib.collections import LineCollection

        if lines:
            look = {"linewidths": self.sizes.thin, "capstyle": "butt", **look}
            collection = LineCollection(lines, colors=color, zorder=order, **look)
            self.ax.add_collection(collection, autolim=False)

    def shapes(self, outlines: list[Points], order: float, color: str, **look: Any) -> None:
        """Fill outlines."""
        from matplotlib.collections import PolyCollection

        if outlines:
            look = {"linewidths": 0, "edgecolors": "none", **look}
            collection = PolyCollection(outlines, facecolors=color, zorder=order, **look)
            self.ax.add_collection(collection, autolim=False)

    def track(self, line: Line, track: Track) -> None:
        """Draw one row."""
        kind = track.signal.kind
        dense = line.dense.get(track.name, [])
        cells = [
            cell
            for cell in track.cells
            if line.scale.meets(cell.start, cell.end)
            and not any(block.holds(cell.start, cell.end) for block in dense)
        ]
        if kind == "level":
            self.level(line, track, cells)
        elif kind == "count":
            self.count(line, track, cells)
        elif kind in ("bits", "number"):
            self.bus(line, track, cells)
        else:
            bottom = line.rows[track.name][1]
            ends = [(self.layout.left, bottom), (line.scale.right, bottom)]
            self.strokes([ends], Order.TRACE, self.palette.hair)
        for block in dense:
            top, bottom = line.rows[track.name]
            self.dense(block.left, top, block.right, bottom)
        for mark in track.marks:
            if line.shows(mark.time) and not line.hides(track.name, mark.time):
                self.mark(line, track, mark)

    def dense(self, left: float, top: float, right: float, bottom: float) -> None:
        """Draw the block that stands for edges too close to be drawn."""
        palette = self.palette
        look = {"edgecolor": palette.hair, "hatch": "|||||||", "facecolor": palette.paper}
        self.box(left, top, right, bottom, Order.TRACE, **look)
        outline = [(left, top), (right, top), (right, bottom), (left, bottom), (left, top)]
        self.strokes([outline], Order.TRACE + 0.1, palette.ink, linewidths=0.75 * self.sizes.trace)

    def stair(self, line: Line, track: Track, cells: list[Cell], full: int) -> list[Points]:
        """Return the runs of a line whose height is its value; hatch what is not known."""
        top, bottom = line.rows[track.name]
        runs: list[Points] = [[]]
        ended = None
        for cell in cells:
            if ended is not None and cell.start > ended:
                runs.append([])
            ended = cell.end
            x0, x1 = line.scale.at(cell.start), line.scale.at(cell.end)
            if cell.value is None:
                self.unknown(x0, x1, top, bottom)
                runs.append([])
                continue
            y = bottom - (bottom - top) * cell.value / full
            runs[-1] += [(x0, y), (x1, y)]
        return [run for run in runs if run]

    def level(self, line: Line, track: Track, cells: list[Cell]) -> None:
        """Draw a line of two levels."""
        top, bottom = line.rows[track.name]
        runs = self.stair(line, track, cells, 1)
        if cells and cells[0].start >= line.scale.start and cells[0].start in track.edges:
            # The edge that begins a line of the picture belongs to it.
            runs[0].insert(0, (line.scale.left, bottom if cells[0].value else top))
        look = {"linewidths": self.sizes.trace, "joinstyle": "miter", "capstyle": "projecting"}
        self.strokes(runs, Order.TRACE, self.palette.ink, **look)

    def unknown(self, x0: float, x1: float, top: float, bottom: float) -> None:
        """Hatch a stretch in which a line is not known or not settled."""
        look = {"facecolor": "none", "edgecolor": self.palette.unknown, "hatch": "xxxxxxx"}
        self.box(x0, top, x1, bottom, Order.FILL, **look)

    def count(self, line: Line, track: Track, cells: list[Cell]) -> None:
        """Draw a filling as a stair, filled below."""
        (top, bottom), palette = line.rows[track.name], self.palette
        depth = self.layout.view.trace.scenario.fifo.depth
        full = full_scale(track, depth)
        runs = self.stair(line, track, cells, full)
        steps = [run[i : i + 2] for run in runs for i in range(0, len(run), 2)]
        fills = [[*step, (step[1][0], bottom), (step[0][0], bottom)] for step in steps]
        hatch = {"hatch": "....", "edgecolors": palette.ink} if palette.plain else {}
        self.shapes(fills, Order.FILL, palette.fill, **hatch)
        self.strokes(runs, Order.TRACE, palette.ink, linewidths=self.sizes.trace)
        left, right = self.layout.left, line.scale.right
        self.strokes([[(left, bottom), (right, bottom)]], Order.TRACE, palette.hair)
        if full == depth:
            line_of_depth: list[Points] = [[(left, top), (right, top)]]
            self.strokes(line_of_depth, Order.FILL, palette.quiet, linestyles=[(0, (2, 2))])

    def bus(self, line: Line, track: Track, cells: list[Cell]) -> None:
        """Draw a line of values: a box for each, a middle line while nothing drives it."""
        top, bottom = line.rows[track.name]
        middle = (top + bottom) / 2
        idle: list[Points] = []
        boxes: list[Points] = []
        for cell in cells:
            x0, x1 = line.scale.at(cell.start), line.scale.at(cell.end)
            rests = cell.value is not None and (
                cell.value == (track.signal.rest if track.signal.kind == "number" else UNDRIVEN)
            )
            if rests:
                idle.append([(x0, middle), (x1, middle)])
            elif cell.value is None or (cell.value < 0 and track.signal.kind != "number"):
                self.unknown(x0, x1, top, bottom)
                boxes.append([(x0, top), (x1, top)])
                boxes.append([(x0, bottom), (x1, bottom)])
            else:
                tip, a, b = min(0.35, (x1 - x0) / 4), x0, x1
                begun, done = [], []
                # An end that is cut off stays open.
                if cell.start >= line.scale.start and cell is not track.cells[0]:
                    a, begun = x0 + tip, [(x0, middle)]
                if cell.end <= line.scale.end and cell is not track.cells[-1]:
                    b, done = x1 - tip, [(x1, middle)]
                above, under = [*begun, (a, top), (b, top), *done], [(b, bottom), (a, bottom)]
                outline = [*above, *under, *begun]
                boxes += [above, [*done, *under, *begun]]
                self.shapes([outline], Order.FILL, self.palette.paper)
                if cell.bad:
                    look = {"hatch": "\\" * 6, "edgecolors": self.palette.bad}
                    self.shapes([outline], Order.FILL, "none", **look)
        self.strokes(idle, Order.TRACE, self.palette.quiet, linewidths=self.sizes.trace)
        self.strokes(boxes, Order.TRACE, self.palette.ink, linewidths=0.75 * self.sizes.trace)

    def height(self, track: Track, time: int, top: float, bottom: float) -> float:
        """Return the height of a track's line at an instant, the upper one at an edge."""
        depth = self.layout.view.trace.scenario.fifo.depth
        full = full_scale(track, depth) if track.signal.kind == "count" else 1
        values = [cell.value for cell in track.cells if cell.start <= time <= cell.end]
        share = max([value for value in values if value is not None] or [0]) / full
        return bottom - (bottom - top) * share

    def mark(self, line: Line, track: Track, mark: Mark) -> None:
        """Draw a single instant."""
        top, bottom = line.rows[track.name]
        x, palette = line.scale.at(mark.time), self.palette
        upright, wide = [[(x, bottom), (x, top)]], self.sizes.trace
        if mark.shape == "arrow":
            self.strokes(upright, Order.MARK, palette.ink, linewidths=1.3 * wide)
            self.shapes([head(x, top, 0.0, -1.0)], Order.MARK, palette.ink)
        elif mark.shape == "tick":
            self.strokes(upright, Order.MARK, palette.ink, linewidths=wide)
        elif mark.shape == "capture":
            self.shapes([head(x, bottom, 0.0, -1.0, 0.75)], Order.MARK, palette.ink)
        elif mark.shape == "release":
            # It stands on the line of its track.
            y = self.height(track, mark.time, top, bottom)
            self.shapes([head(x, y, 0.0, 1.0, 0.9)], Order.MARK, palette.quiet)
        elif mark.shape == "sample":
            self.sign("sample", x, bottom)
        elif mark.shape == "false":
            self.strokes(upright, Order.MARK, palette.bad, linewidths=1.3 * wide)
            self.sign("false", x, (top + bottom) / 2)
        else:
            self.sign("cross", x, (top + bottom) / 2)

    def sign(self, shape: str, x: float, y: float) -> None:
        """Draw a diamond, a cross, or a plus in a ring about a point."""
        palette, r = self.palette, 0.85
        if shape == "sample":
            diamond = [(x - 0.6, y), (x, y - 0.75), (x + 0.6, y), (x, y + 0.75)]
            look: dict[str, Any] = {"linewidths": 0.7, "edgecolors": palette.ink}
            self.shapes([diamond], Order.MARK, palette.paper, **look)
        elif shape == "false":
            turns = [math.tau * k / 24 for k in range(24)]
            ring = [(x + r * math.cos(turn), y + r * math.sin(turn)) for turn in turns]
            look = {"edgecolors": palette.bad, "linewidths": 0.8}
            self.shapes([ring], Order.MARK + 0.1, palette.paper, **look)
            s = 0.6 * r
            plus: list[Points] = [[(x - s, y), (x + s, y)], [(x, y - s), (x, y + s)]]
            self.strokes(plus, Order.MARK + 0.2, palette.bad, linewidths=0.9)
        else:
            self.strokes(cross(x, y, r), Order.MARK, palette.bad, linewidths=1.5 * self.sizes.trace)


def cross(x: float, y: float, r: float) -> list[Points]:
    """Return the two strokes of a cross about a point."""
    return [[(x - r, y - r), (x + r, y + r)], [(x - r, y + r), (x + r, y - r)]]


def head(x: float, y: float, dx: float, dy: float, size: float = 1.0) -> Points:
    """Return an arrow head whose tip is at (x, y) and which points along (dx, dy)."""
    long, half = 1.1 * size, 0.42 * size
    return [
        (x, y),
        (x - long * dx - half * dy, y - long * dy + half * dx),
        (x - long * dx + half * dy, y - long * dy - half * dx),
    ]
