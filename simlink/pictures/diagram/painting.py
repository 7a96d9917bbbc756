"""The drawing itself: a placed picture as a matplotlib figure.

Axes are in millimetres on the page, so a line width in points prints as it says.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from simlink.pictures import style
from simlink.pictures.diagram.cells import TEAR
from simlink.pictures.diagram.contents import Line, Piece
from simlink.pictures.diagram.layout import ARROW, CLOCKS, SHORT, Layout
from simlink.pictures.diagram.palette import MM, Palette
from simlink.pictures.diagram.placing import Label
from simlink.pictures.diagram.rows import Order, Points, RowPainter, head
from simlink.pictures.diagram.tracks import Crossing

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Dots per inch of a PNG, enough for print.
DPI = 300
#: How far from the barrier an upright is drawn that is only begun, in mm.
STUB = 1.2
KINDS = ("svg", "pdf", "png")


@style.in_our_look
def paint(layout: Layout, palette: Palette) -> Figure:
    """Draw a picture.

    Parameters
    ----------
    layout : Layout
        Everything in its place.
    palette : Palette
        Light or dark.

    Returns
    -------
    matplotlib Figure
        On no window. Every label is a text whose ``gid`` is ``role:name``, every dimension line
        a line whose ``gid`` is ``interval:name``.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    size = (layout.width / MM, layout.height / MM)
    figure = Figure(figsize=size, dpi=DPI, facecolor=palette.paper)
    FigureCanvasAgg(figure)
    ax = figure.add_axes((0, 0, 1, 1))
    ax.set_axis_off()
    ax.set_xlim(0, layout.width)
    ax.set_ylim(layout.height, 0)
    painter = _Painter(ax, layout, palette)
    for line in layout.lines:
        painter.line(line)
    painter.labels()
    return figure


class _Painter(RowPainter):
    """Draws whole lines of a picture: blocks, rows, and what goes across them."""

    def line(self, line: Line) -> None:
        """Draw one line of the picture."""
        palette, left, right = self.palette, self.layout.left, line.scale.right
        for side, top, bottom in line.blocks:
            tint = palette.remote if side == "remote" else palette.host
            self.box(left, top, right, bottom, Order.BLOCK, facecolor=tint)
        if line.barrier is not None:
            top, bottom = line.barrier
            look = {"facecolor": palette.barrier, "edgecolor": palette.barrier_hatch}
            self.box(left, top, right, bottom, Order.BLOCK, hatch="////", **look)
            edges = [[(left, y), (right, y)] for y in (top, bottom)]
            self.strokes(edges, Order.BAND, palette.quiet, linewidths=self.sizes.trace)
        self.windows(line)
        self.spreads(line)
        for track in self.layout.tracks:
            self.track(line, track)
        self.crossings(line)
        self.tears(line)
        self.rings(line)
        for piece in line.pieces:
            self.piece(line, piece)
        self.fates(line)

    def windows(self, line: Line) -> None:
        """Shade the stretches in which nothing should switch."""
        if self.layout.quiet is None:
            return
        for start, end in self.layout.quiet.stretches:
            if end <= line.scale.start or start >= line.scale.end:
                continue
            x0, x1 = line.scale.at(start), line.scale.at(end)
            for _, top, bottom in line.blocks:
                self.box(
                    x0, top, x1, bottom, Order.WINDOW, facecolor=self.palette.window, alpha=0.75
                )

    def spreads(self, line: Line) -> None:
        """Shade where else an edge could have been."""
        shapes = []
        for band in self.layout.bands:
            if band.track not in line.rows or not line.shows(band.edge):
                continue
            top, bottom = line.rows[band.track]
            x0, x1 = line.scale.at(band.low), line.scale.at(band.high)
            shapes.append([(x0, top), (x1, top), (x1, bottom), (x0, bottom)])
        self.shapes(shapes, Order.REACH, self.palette.band, alpha=0.8)

    def tears(self, line: Line) -> None:
        """Draw the cuts: a torn strip through every row."""
        import numpy as np

        for x in line.scale.tears:
            for _, top, bottom in line.blocks:
                y = np.linspace(top - 0.3, bottom + 0.3, max(int((bottom - top) * 4), 12))
                wave = 0.35 * np.sin((y - y[0]) * 2.1)
                left = list(zip(x - TEAR / 2 + wave, y, strict=True))
                right = list(zip(x + TEAR / 2 + wave, y, strict=True))
                self.shapes([left + right[::-1]], Order.TEAR, self.palette.paper)
                self.strokes([left, right], Order.TEAR + 0.1, self.palette.quiet)

    def rings(self, line: Line) -> None:
        """Ring the edges that fall into a window in which nothing should switch."""
        if self.layout.quiet is None:
            return
        from matplotlib.patches import Circle

        for name, time in self.layout.quiet.edges:
            if name in line.rows and line.shows(time):
                top, bottom = line.rows[name]
                center = (line.scale.at(time), (top + bottom) / 2)
                look = {"ec": self.palette.bad, "lw": 0.8, "zorder": Order.MARK}
                self.ax.add_patch(Circle(center, 0.95, fill=False, gid="ring", **look))

    def crossings(self, line: Line) -> None:
        """Draw what crosses the barrier: slanted through it, upright between it and its rows."""
        if line.barrier is None:
            return
        upright: list[Points] = []
        slanted: list[Points] = []
        fine: list[Points] = []
        heads: list[Points] = []
        for one in self.layout.crossings:
            if one.end < line.scale.start or one.start > line.scale.end:
                continue
            # Of a burst, the clock's edges stand back behind the data.
            back = one.follows and one.source in CLOCKS
            self.crossing(line, one, upright, fine if back else slanted, heads)
        color = self.palette.crossing
        self.strokes(upright, Order.CROSS, color, linewidths=0.35, alpha=0.55)
        self.strokes(fine, Order.CROSS, color, linewidths=0.4 * self.sizes.trace, alpha=0.8)
        self.strokes(slanted, Order.CROSS, color, linewidths=0.8 * self.sizes.trace)
        self.shapes(heads, Order.MARK, color)

    def crossing(
        self,
        line: Line,
        one: Crossing,
        upright: list[Points],
        slanted: list[Points],
        heads: list[Points],
    ) -> None:
        """Add the strokes of one crossing, as far as it is on this line."""
        assert line.barrier is not None
        down = self.tracks[one.source].signal.side == "remote"
        near, far = line.barrier if down else line.barrier[::-1]
        scale = line.scale

        def height(time: int) -> float:
            share = (time - one.start) / max(one.end - one.start, 1)
            return near + share * (far - near)

        t0, t1 = max(one.start, scale.start), min(one.end, scale.end)
        slanted.append([(scale.at(t0), height(t0)), (scale.at(t1), height(t1))])
        if one.start == one.end:
            slanted[-1] = [(scale.at(t0), near), (scale.at(t0), far)]
        if line.shows(one.start):
            x, row = scale.at(one.start), line.rows[one.source]
            edge = row[1] if down else row[0]
            upright.append([(x, self.reach(line, near, edge, one)), (x, near)])
        if line.shows(one.end):
            x, row = scale.at(one.end), line.rows[one.target]
            tip = row[0] if down else row[1]
            upright.append([(x, far), (x, self.reach(line, far, tip, one))])
            heads.append(head(x, tip, 0.0, 1.0 if down else -1.0, 0.7))

    def reach(self, line: Line, barrier: float, row: float, one: Crossing) -> float:
        """Return how far from the barrier an upright goes: to its row, if it shows the way there.

        Those that follow in a burst are only begun where they would go through other rows.
        """
        low, high = sorted((barrier, row))
        between = any(low < top and bottom < high for top, bottom in line.rows.values())
        if not one.follows or not between:
            return row
        return barrier + (STUB if row > barrier else -STUB)

    def piece(self, line: Line, piece: Piece) -> None:
        """Draw a dimension line, and thin lines from its ends to the rows it is measured on."""
        palette = self.palette
        dimension = piece.dimension
        swapped = dimension.span.length < 0
        names = [dimension.start_track, dimension.end_track]
        ends = ((piece.left, piece.open_left), (piece.right, piece.open_right))
        for (x, is_open), name in zip(ends, reversed(names) if swapped else names, strict=True):
            if is_open or name not in line.rows:
                continue
            top, bottom = line.rows[name]
            middle = (top + bottom) / 2
            beyond = 0.7 if piece.y > middle else -0.7
            look: dict[str, Any] = {"linewidths": 0.35, "linestyles": [(0, (3, 2))]}
            upright = [[(x, middle), (x, piece.y + beyond)]]
            self.strokes(upright, Order.REACH + 0.5, palette.quiet, **look)
        short = piece.right - piece.left < SHORT
        left, right, y = piece.left, piece.right, piece.y
        gid = f"interval:{dimension.name}"
        strokes: list[Points] = [[(left, y), (right, y)]]
        heads: list[Points] = []
        if not piece.open_left:
            heads.append(head(left, y, 1.0 if short else -1.0, 0.0, 0.8))
            if short:
                strokes.append([(left - ARROW, y), (left, y)])
        if not piece.open_right:
            heads.append(head(right, y, -1.0 if short else 1.0, 0.0, 0.8))
            if short:
                strokes.append([(right, y), (right + ARROW, y)])
        self.strokes(strokes, Order.LINE, palette.ink, gid=gid)
        self.shapes(heads, Order.LINE, palette.ink)

    def fates(self, line: Line) -> None:
        """Point from the rows to what became of each conversion."""
        bottom = max(bottom for _, _, bottom in line.blocks) if line.blocks else 0.0
        lines: list[Points] = [
            [(at, bottom), (at, bottom + 0.5), (x, top + 0.2)] for at, x, top in line.fates
        ]
        self.strokes(lines, Order.REACH, self.palette.quiet)
        heads = [head(at, bottom, 0.0, 1.0, 0.9) for at, _, _ in line.fates]
        self.shapes(heads, Order.MARK, self.palette.quiet)

    def labels(self) -> None:
        """Write every label."""
        palette = self.palette
        leaders: list[Points] = []
        for label in self.layout.labels:
            foot = label.role == "foot"
            self.ax.text(
                label.x - label.half if foot else label.x,
                label.y,
                label.text,
                size=label.size,
                color=palette.quiet if label.role in ("side", "foot") else palette.ink,
                ha="left" if foot else "center",
                va="center" if label.upright else "center_baseline",
                rotation=90 if label.upright else 0,
                zorder=Order.TEXT,
                bbox=self.knocked_out(label),
                gid=f"{label.role}:{label.name}",
                fontweight="bold" if label.role == "side" else "normal",
                parse_math="$" in label.text,
            )
            if label.leader is not None:
                leaders.append([label.leader, (label.x, label.leader[1] + 0.5)])
        self.strokes(leaders, Order.LINE, palette.quiet, linewidths=0.35)

    def knocked_out(self, label: Label) -> dict[str, Any] | None:
        """Return what hides the thin lines behind a label that stands among them."""
        color = {"interval": self.palette.paper, "fate": self.palette.paper}.get(label.role)
        track = self.tracks.get(label.name.partition("@")[0])
        if track is not None and track.signal.kind == "bits" and label.role == "cell":
            color = self.palette.paper
        if label.leader is not None:
            for line in self.layout.lines:
                for side, top, bottom in line.blocks:
                    if top <= label.y <= bottom:
                        color = getattr(self.palette, side)
        return None if color is None else {"facecolor": color, "edgecolor": "none", "pad": 0.4}
