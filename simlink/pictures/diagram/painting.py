"""The drawing itself: a placed picture as a matplotlib figure.

Axes are in millimetres on the page, so a line width in points prints as it says.
"""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from simlink.pictures import style
from simlink.pictures.diagram.cells import TEAR
from simlink.pictures.diagram.contents import Line, Piece
from simlink.pictures.diagram.events import INVERTED, LOST, RADIUS, SAID, SLIPPED
from simlink.pictures.diagram.layout import SHORT, Layout, arrow
from simlink.pictures.diagram.legend import Item
from simlink.pictures.diagram.palette import MM, Palette
from simlink.pictures.diagram.placing import FONT, Label
from simlink.pictures.diagram.rows import Order, Points, RowPainter, cross, head
from simlink.pictures.diagram.tracks import CLOCKS, Crossing

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Dots per inch of a PNG, enough for print.
DPI = 300
#: How far from the barrier an upright is drawn that is only begun, in mm.
STUB = 1.2
KINDS = ("svg", "pdf", "png")
#: What is written bold.
_BOLD = ("side", "title", "detail")


@style.in_our_look
def paint(layout: Layout, palette: Palette) -> Figure:
    """Draw a picture on no window.

    Every label is a text whose ``gid`` is ``role:name``, every dimension line a line whose ``gid``
    is ``interval:name``.
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
    for line in [*layout.lines, *layout.details]:
        painter.line(line)
    for item in layout.legend:
        painter.legend(item)
    painter.labels()
    return figure


class _Painter(RowPainter):
    """Draws whole lines of a picture: blocks, rows, and what goes across them."""

    def line(self, line: Line) -> None:
        """Draw one line of the picture."""
        palette, left, right = self.palette, self.layout.left, line.scale.right
        for side, top, bottom in line.blocks:
            tint = palette.remote if side == "remote" else palette.host
            rim = {"edgecolor": palette.ink, "linewidth": 0.3} if palette.plain else {}
            self.box(left, top, right, bottom, Order.BLOCK, facecolor=tint, **rim)
        if line.barrier is not None:
            top, bottom = line.barrier
            look = {"facecolor": palette.barrier, "edgecolor": palette.barrier_hatch}
            hatch = "-" if palette.plain else "////"
            self.box(left, top, right, bottom, Order.BLOCK, hatch=hatch, **look)
            edges = [[(left, y), (right, y)] for y in (top, bottom)]
            self.strokes(edges, Order.BAND, palette.quiet, linewidths=self.sizes.trace)
        self.windows(line)
        self.events(line)
        self.spreads(line)
        for track in self.layout.tracks:
            if track.name in line.rows:
                self.track(line, track)
        self.crossings(line)
        self.tears(line)
        self.rings(line)
        for piece in line.pieces:
            self.piece(line, piece)
        self.brackets(line)
        self.fates(line)

    def brackets(self, line: Line) -> None:
        """Draw where details are taken from."""
        strokes: list[Points] = []
        for one in line.brackets:
            tip = one.y + (0.9 if one.down else -0.9)
            strokes.append(
                [(one.left, tip), (one.left, one.y), (one.right, one.y), (one.right, tip)]
            )
        self.strokes(strokes, Order.LINE, self.palette.ink, gid="bracket")

    def legend(self, item: Item) -> None:
        """Draw one mark of the legend, as it is drawn in the rows."""
        palette, x, y = self.palette, item.x + 1.6, item.y
        top, bottom, left, right = y - 0.9, y + 0.9, x - 1.5, x + 1.5
        if item.mark == "capture":
            self.shapes([head(x, top + 0.4, 0.0, -1.0, 0.75)], Order.MARK, palette.ink)
        elif item.mark == "release":
            self.shapes([head(x, bottom - 0.4, 0.0, 1.0, 0.9)], Order.MARK, palette.quiet)
        elif item.mark in ("sample", "cross", "wrong", "false"):
            self.sign(item.mark, x, y)
        elif item.mark == "unknown":
            self.unknown(left, right, top, bottom)
        elif item.mark == "bad":
            look: dict[str, Any] = {"hatch": "\\" * 6, "edgecolors": palette.bad}
            outline = [(left, top), (right, top), (right, bottom), (left, bottom)]
            self.shapes([outline], Order.FILL, palette.paper, **look)
        elif item.mark == "block":
            self.dense(left, top, right, bottom)
        elif item.mark == "tear":
            self.torn(x, top, bottom)
        elif item.mark in ("band", "window", "upset"):
            self.box(left, top, right, bottom, Order.FILL, **self.tint(item.mark))
        elif item.mark == "event":
            self.strokes([[(x, top), (x, bottom)]], Order.FILL, palette.bad, **self.event_look)
        elif item.mark in SAID:
            self.hit(item.mark, x, y)

    def tint(self, what: str) -> dict[str, Any]:
        """Return how a shaded area is filled: tinted, or hatched."""
        palette = self.palette
        if palette.plain:
            hatch = {"band": "////////", "window": "\\" * 6, "upset": "....."}[what]
            return {"facecolor": "none", "edgecolor": palette.ink, "hatch": hatch}
        alpha = {"band": 0.8, "window": 0.75, "upset": 0.8}[what]
        return {"facecolor": getattr(palette, what), "alpha": alpha}

    @property
    def event_look(self) -> dict[str, Any]:
        """How the mark of an event is drawn."""
        return {"linewidths": 1.3 * self.sizes.trace, "linestyles": [(0, (5, 1.2, 1, 1.2))]}

    def events(self, line: Line) -> None:
        """Draw common-mode events: a mark through all rows, its window, and what it hit."""
        if self.layout.events is None:
            return
        marks: list[Points] = []
        for start, end in self.layout.events.windows:
            if not line.scale.meets(start, end):
                continue
            x0, x1 = line.scale.at(start), line.scale.at(end)
            for top, bottom in line.strips():
                self.box(x0, top, x1, bottom, Order.WINDOW, **self.tint("upset"))
        top, bottom = line.blocks[0][1], line.blocks[-1][2]
        for time in self.layout.events.instants:
            if line.shows(time):
                x = line.scale.at(time)
                marks.append([(x, top - 0.5), (x, bottom + 0.5)])
        # Over what fills a row, behind what is written in it.
        look = {**self.event_look, "gid": "event"}
        self.strokes(marks, Order.FILL + 0.5, self.palette.bad, **look)
        self.struck(line)

    def struck(self, line: Line) -> None:
        """Draw the symbols that events hit across the barrier, and the signs of what came of it."""
        assert self.layout.events is not None
        if line.barrier is None:
            return
        lines: list[Points] = []
        for one in self.layout.events.drawn:
            if line.scale.start <= one.sent and one.arrives <= line.scale.end:
                near, far = line.barrier if one.way == "return" else line.barrier[::-1]
                lines.append([(line.scale.at(one.sent), near), (line.scale.at(one.arrives), far)])
        look = {"linewidths": 0.8 * self.sizes.trace, "linestyles": [(0, (2, 1))]}
        self.strokes(lines, Order.CROSS, self.palette.bad, **look)
        for sign in line.signs:
            if sign.right - sign.left > 2 * RADIUS:
                reach = [[(sign.left, sign.y), (sign.right, sign.y)]]
                self.strokes(reach, Order.MARK, self.palette.bad)
            self.hit(sign.effect, sign.x, sign.y)

    def hit(self, effect: str, x: float, y: float) -> None:
        """Draw a sign about a point: a ring, and in it what came of the symbol."""
        from matplotlib.patches import Circle

        palette, r = self.palette, 0.5 * RADIUS
        look = {"ec": palette.bad, "fc": palette.paper, "lw": 0.8, "zorder": Order.MARK}
        self.ax.add_patch(Circle((x, y), RADIUS, gid=effect, **look))
        inner: dict[str, list[Points]] = {
            LOST: cross(x, y, r),
            INVERTED: [[(x - 1.2 * r, y), (x + 1.2 * r, y)]],
            SLIPPED: [[(x - 0.5 * r, y - r), (x + 0.7 * r, y), (x - 0.5 * r, y + r)]],
        }
        self.strokes(inner[effect], Order.MARK + 0.1, palette.bad, linewidths=0.9)

    def windows(self, line: Line) -> None:
        """Shade the stretches in which nothing should switch."""
        if self.layout.quiet is None:
            return
        for start, end in self.layout.quiet.stretches:
            if not line.scale.meets(start, end):
                continue
            x0, x1 = line.scale.at(start), line.scale.at(end)
            for _, top, bottom in line.blocks:
                self.box(x0, top, x1, bottom, Order.WINDOW, **self.tint("window"))

    def spreads(self, line: Line) -> None:
        """Shade where else an edge could have been."""
        for band in self.layout.bands:
            if band.track not in line.rows or not line.shows(band.edge):
                continue
            top, bottom = line.rows[band.track]
            x0, x1 = line.scale.at(band.low), line.scale.at(band.high)
            self.box(x0, top, x1, bottom, Order.REACH, **self.tint("band"))

    def tears(self, line: Line) -> None:
        """Draw the cuts: a torn strip through every row, and through the barrier."""
        for top, bottom in line.strips():
            for x in line.scale.tears:
                self.torn(x, top - 0.3, bottom + 0.3)

    def torn(self, x: float, top: float, bottom: float) -> None:
        """Draw one torn strip."""
        import numpy as np

        y = np.linspace(top, bottom, max(int((bottom - top) * 4), 12))
        wave = 0.35 * np.sin((y - y[0]) * 2.1)
        left = list(zip(x - TEAR / 2 + wave, y, strict=True))
        right = list(zip(x + TEAR / 2 + wave, y, strict=True))
        self.shapes([left + right[::-1]], Order.TEAR, self.palette.paper)
        self.strokes([left, right], Order.TEAR + 0.1, self.palette.quiet, gid="tear")

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
            hidden = line.hides(one.source, one.start) or line.hides(one.target, one.end)
            if hidden or not {one.source, one.target} <= line.rows.keys():
                continue
            slant, uprights, tips = self.crossing(line, one)
            # Of a burst, the clock's edges stand back behind the data.
            (fine if one.follows and one.source in CLOCKS else slanted).append(slant)
            upright += uprights
            heads += tips
        color = self.palette.crossing
        alpha = 1.0 if self.palette.plain else 0.55
        self.strokes(upright, Order.CROSS, color, linewidths=0.35, alpha=alpha)
        alpha = 1.0 if self.palette.plain else 0.8
        self.strokes(fine, Order.CROSS, color, linewidths=0.4 * self.sizes.trace, alpha=alpha)
        self.strokes(slanted, Order.CROSS, color, linewidths=0.8 * self.sizes.trace)
        self.shapes(heads, Order.MARK, color)

    def crossing(self, line: Line, one: Crossing) -> tuple[Points, list[Points], list[Points]]:
        """Return a crossing as far as it is on this line: slanted, upright, and its head."""
        assert line.barrier is not None
        down = self.tracks[one.source].signal.side == "remote"
        near, far = line.barrier if down else line.barrier[::-1]
        scale = line.scale

        def height(time: int) -> float:
            share = (time - one.start) / max(one.end - one.start, 1)
            return near + share * (far - near)

        t0, t1 = max(one.start, scale.start), min(one.end, scale.end)
        slanted = [(scale.at(t0), height(t0)), (scale.at(t1), height(t1))]
        if one.start == one.end:
            slanted = [(scale.at(t0), near), (scale.at(t0), far)]
        upright: list[Points] = []
        heads: list[Points] = []
        if line.shows(one.start):
            x, row = scale.at(one.start), line.rows[one.source]
            edge = row[1] if down else row[0]
            upright.append([(x, self.reach(line, near, edge, one)), (x, near)])
        if line.shows(one.end):
            x, row = scale.at(one.end), line.rows[one.target]
            tip = row[0] if down else row[1]
            upright.append([(x, far), (x, self.reach(line, far, tip, one))])
            heads.append(head(x, tip, 0.0, 1.0 if down else -1.0, 0.7))
        return slanted, upright, heads

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
        names = [dimension.start_track, dimension.end_track]
        if dimension.span.length < 0:
            names.reverse()
        left, right, y = piece.left, piece.right, piece.y
        short, tail = right - left < SHORT, arrow(left, right)
        strokes: list[Points] = [[(left, y), (right, y)]]
        heads: list[Points] = []
        ends = ((left, piece.open_left, -1.0), (right, piece.open_right, 1.0))
        for (x, is_open, out), name in zip(ends, names, strict=True):
            if is_open:
                continue
            if name in line.rows:
                top, bottom = line.rows[name]
                middle = (top + bottom) / 2
                beyond = 0.7 if y > middle else -0.7
                look: dict[str, Any] = {"linewidths": 0.35, "linestyles": [(0, (3, 2))]}
                upright = [[(x, middle), (x, y + beyond)]]
                self.strokes(upright, Order.REACH + 0.5, palette.quiet, **look)
            heads.append(head(x, y, -out if short else out, 0.0, 0.8))
            if short:
                strokes.append(sorted([(x, y), (x + out * tail, y)]))
        self.strokes(strokes, Order.LINE, palette.ink, gid=f"interval:{dimension.name}")
        self.shapes(heads, Order.LINE, palette.ink)

    def fates(self, line: Line) -> None:
        """Point from the rows to what became of each conversion."""
        bottom = line.blocks[-1][2] if line.blocks else 0.0
        lines: list[Points] = [
            [(at, bottom - 1.2), (at, bottom + 0.5), (x, top + 0.2)] for at, x, top in line.fates
        ]
        self.strokes(lines, Order.REACH, self.palette.quiet)

    def labels(self) -> None:
        """Write every label."""
        palette = self.palette
        leaders: list[Points] = []
        for label in self.layout.labels:
            foot = label.role in ("foot", "title")
            self.ax.text(
                label.x - label.half if foot else label.x,
                label.y,
                label.text,
                size=label.size,
                color=palette.quiet if label.role in ("side", "foot") else palette.ink,
                fontfamily=FONT,
                ha="left" if foot else "center",
                va="center" if label.upright else "center_baseline",
                rotation=90 if label.upright else 0,
                zorder=Order.ROW_TEXT if label.in_row else Order.TEXT,
                bbox=self.ground(label),
                gid=f"{label.role}:{label.name}",
                fontweight="bold" if label.role in _BOLD else "normal",
                parse_math="$" in label.text,
            )
            if label.leader is not None:
                leaders.append([label.leader, (label.x, label.leader[1] + 0.5)])
        self.strokes(leaders, Order.LINE, palette.quiet, linewidths=0.35)

    def ground(self, label: Label) -> dict[str, Any] | None:
        """Return what hides the thin lines behind a label that stands among them."""
        if not label.ground:
            return None
        color = getattr(self.palette, label.ground)
        return {"facecolor": color, "edgecolor": "none", "pad": 0.4}
