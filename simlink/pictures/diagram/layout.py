"""Where everything goes: lines of the picture, rows of a line, dimension lines and labels.

Everything is placed here, in millimetres with y downwards, before anything is drawn; so labels
are known not to meet, and tests can ask what is where.
"""

from __future__ import annotations

from dataclasses import dataclass, field

from simlink.pictures.diagram.cells import Strip, label_cells, label_marks, needs_of
from simlink.pictures.diagram.contents import Contents, Line, Piece
from simlink.pictures.diagram.footing import foot_lines
from simlink.pictures.diagram.intervals import Dimension
from simlink.pictures.diagram.placing import CLEAR, Label, in_lanes, width_of
from simlink.pictures.diagram.timescale import Scale, lines, to_scale
from simlink.pictures.diagram.tracks import Track
from simlink.records import Fate

#: Between the lines of a picture, around it, and between a block and what is beside it.
_BETWEEN, _EDGE, _AROUND = 4.0, 1.2, 0.9
_SIDES = {"remote": "converter side", "host": "host side"}
#: A dimension line shorter than this has its arrows outside, each so long.
SHORT, ARROW = 3.4, 2.0
#: Rows whose edges set the scale.
CLOCKS = ("remote.clock", "host.clock", "host.returned")
_SIGNS = {
    Fate.DELIVERED: "\N{CHECK MARK}",
    Fate.IN_FLIGHT: "\N{HORIZONTAL ELLIPSIS}",
}


@dataclass
class Layout(Contents):
    """A picture with everything in its place; see `Line`."""

    height: float = 0.0
    lines: list[Line] = field(default_factory=list)
    labels: list[Label] = field(default_factory=list)

    def __post_init__(self) -> None:
        tags = [*(track.label for track in self.tracks), "barrier"]
        widest = max(width_of(tag, self.sizes.text) for tag in tags)
        #: Right end of the names of the rows, and the two ends of a line.
        self.names = _EDGE + 3.0 + widest
        self.left = self.names + 1.0
        self.right = self.width - _EDGE
        scales = self._scales()
        y = _EDGE
        for number, scale in enumerate(scales):
            line = Line(scale, last=number == len(scales) - 1)
            self.lines.append(line)
        # The part of a dimension line that is longest bears its label.
        self.bearers = {}
        for dimension in self.dimensions:
            lengths = [_length(scale, dimension) for scale in scales]
            self.bearers[dimension.name] = lengths.index(max(lengths))
        for number, line in enumerate(self.lines):
            y = self._line(line, number, y) + _BETWEEN
        y -= _BETWEEN - 1.2
        torn = any(line.scale.breaks for line in self.lines)
        for text in foot_lines(self, torn):
            y += self.sizes.lane * 0.9
            half = width_of(text, self.sizes.small) / 2
            middle = y - self.sizes.lane * 0.45
            self.labels.append(Label(text, _EDGE + half, middle, self.sizes.small, "foot"))
        self.height = y + _EDGE

    def _scales(self) -> list[Scale]:
        view = self.view
        if self.scaled:
            return to_scale(view.start, view.end, self.left, self.right)
        times = {view.start, view.end}
        times |= {time for track in self.tracks for time in track.edges}
        times |= {time for one in self.crossings for time in (one.start, one.end)}
        times |= {t for d in self.dimensions for t in (d.span.start, d.span.end)}
        times |= {time for _, time, _ in view.fates}
        if self.quiet is not None:
            times |= {time for stretch in self.quiet.stretches for time in stretch}
        inside = sorted(time for time in times if view.start <= time <= view.end)
        names = [track.name for track in self.tracks]
        clocks = [track.edges for track in self.tracks if track.name in CLOCKS]
        for clock, bits in (("remote.clock", "remote.data"), ("host.clock", "host.capture")):
            if clock not in names:
                clocks += [t.edges for t in self.tracks if t.signal.name == bits][:1]
        if "remote.clock" not in names and not any(n.startswith("remote.data") for n in names):
            clocks += [t.edges for t in self.tracks if t.signal.name == "fifo.push"][:1]
        room = self.right - self.left
        needs = [need for track in self.tracks for need in needs_of(track, self.sizes, room)]
        whole = [(one.start, one.end) for one in self.crossings]
        return lines(inside, clocks, needs, self.left, self.right, whole)

    def _line(self, line: Line, number: int, y: float) -> float:
        """Place one line of the picture from y on; return its bottom."""
        remote = [track for track in self.tracks if track.signal.side == "remote"]
        host = [track for track in self.tracks if track.signal.side == "host"]
        y = self._dimensions(line, number, "remote", y)
        y = self._block(line, "remote", remote, y)
        if remote and host:
            line.barrier = (y, y + self.sizes.band)
            middle = y + self.sizes.band / 2
            half = width_of("barrier", self.sizes.text) / 2
            self.labels.append(
                Label("barrier", self.names - half, middle, self.sizes.text, "row", "barrier")
            )
            y += self.sizes.band
            below = self._dimensions(line, number, "barrier", y + 0.5)
            y = below if below > y + 0.5 else y
        else:
            y = self._dimensions(line, number, "barrier", y)
        y = self._block(line, "host", host, y)
        y = self._fates(line, y)
        return self._dimensions(line, number, "host", y + 0.3)

    def _block(self, line: Line, side: str, tracks: list[Track], y: float) -> float:
        """Place the rows of one side."""
        if not tracks:
            return y
        s = self.sizes
        top = y
        y += _AROUND
        for track in tracks:
            y += s.row_gap / 2
            row = (y, y + s.row)
            line.rows[track.name] = row
            middle = y + s.row / 2
            half = width_of(track.label, s.text) / 2
            self.labels.append(
                Label(track.label, self.names - half, middle, s.text, "row", track.name)
            )
            strip = Strip(row[1] + s.strip / 2, self.left, self.right)
            label = label_marks if track.signal.kind == "instant" else label_cells
            labels, rows = label(track, line, s, strip, self.view)
            self.labels += labels
            y += s.row + rows * s.strip + s.row_gap / 2
        y += _AROUND
        line.blocks.append((side, top, y))
        text = _SIDES[side]
        if width_of(text, s.small) > y - top:
            text = text.split()[0]
        if width_of(text, s.small) <= y - top:
            self.labels.append(
                Label(text, _EDGE + 1.3, (top + y) / 2, s.small, "side", side, upright=True)
            )
        return y

    def _dimensions(self, line: Line, number: int, place: str, y: float) -> float:
        """Place the dimension lines of one kind in lanes from y on."""
        shown = []
        for dimension in self.dimensions:
            low, high = sorted((dimension.span.start, dimension.span.end))
            scale = line.scale
            if dimension.place != place or high <= scale.start or low >= scale.end:
                continue
            if _length(scale, dimension) <= 0:
                continue
            shown.append((dimension, scale.at(low), scale.at(high), low, high))
        shown.sort(key=lambda one: (one[2] - one[1], one[1]))
        plans = [self._plan(one, number) for one in shown]
        # Those whose label fits neither within nor beside have two lanes of their own.
        sharing = [plan for plan in plans if plan[2]]
        lanes = in_lanes([plan[1] for plan in sharing])
        count = max(lanes, default=-1) + 1
        placed = dict(zip((plan[0] for plan in sharing), lanes, strict=True))
        for name, _, shares, _ in plans:
            if not shares:
                placed[name] = count if place == "remote" else count + 1
                count += 2
        if place == "remote":
            # The shortest stand next to the rows.
            placed = {name: count - 1 - lane for name, lane in placed.items()}
        for (dimension, left, right, low, high), (name, _, shares, x) in zip(
            shown, plans, strict=True
        ):
            middle = y + (placed[name] + 0.5) * self.sizes.lane
            begun, goes_on = low < line.scale.start, high > line.scale.end
            line.pieces.append(Piece(dimension, left, right, middle, begun, goes_on))
            if x is not None:
                height = middle if shares else middle - self.sizes.lane
                self.labels.append(
                    Label(dimension.text, x, height, self.sizes.text, "interval", dimension.name)
                )
        return y + count * self.sizes.lane + (0.4 if count else 0.0)

    def _plan(
        self, one: tuple[Dimension, float, float, int, int], number: int
    ) -> tuple[str, tuple[float, float], bool, float | None]:
        """Return name, room along the lane, whether the lane is shared, and where the text is."""
        dimension, left, right, _, _ = one
        reach = (left - ARROW, right + ARROW) if right - left < SHORT else (left, right)
        if self.bearers[dimension.name] != number:
            return dimension.name, reach, True, None
        wide = width_of(dimension.text, self.sizes.text) + 0.8
        if wide + 2 * ARROW <= right - left:
            return dimension.name, reach, True, (left + right) / 2
        if reach[1] + 0.4 + wide <= self.right:
            return dimension.name, (reach[0], reach[1] + wide), True, reach[1] + wide / 2
        if reach[0] - 0.4 - wide >= self.left:
            return dimension.name, (reach[0] - wide, reach[1]), True, reach[0] - wide / 2
        low, high = self.left + wide / 2, self.right - wide / 2
        middle = min(max((left + right) / 2, low), high) if low <= high else (low + high) / 2
        return dimension.name, reach, False, middle

    def _fates(self, line: Line, y: float) -> float:
        """Place what became of the conversions whose fate was met on this line."""
        s = self.sizes
        here = [one for one in self.view.fates if line.shows(one[1])]
        if not here or not line.blocks:
            return y
        texts = []
        for index, _, fate in here:
            sign = _SIGNS.get(fate, "\N{MULTIPLICATION X}")
            texts.append(f"{index} {fate.word.replace('_', ' ')} {sign}")
        spans = []
        for (_, time, _), text in zip(here, texts, strict=True):
            wide = width_of(text, s.text)
            x = min(max(line.scale.at(time), self.left + wide / 2), self.right - wide / 2)
            spans.append((x - wide / 2, x + wide / 2))
        lanes = in_lanes(spans)
        y += CLEAR
        for (index, time, _), text, span, lane in zip(here, texts, spans, lanes, strict=True):
            x = (span[0] + span[1]) / 2
            height = y + 0.6 + (lane + 0.5) * s.lane
            self.labels.append(Label(text, x, height, s.text, "fate", f"fate@{index}"))
            line.fates.append((line.scale.at(time), x, height - s.lane / 2))
        return y + 0.6 + (max(lanes) + 1) * s.lane


def _length(scale: Scale, dimension: Dimension) -> float:
    low, high = sorted((dimension.span.start, dimension.span.end))
    if high <= scale.start or low >= scale.end:
        return 0.0
    return scale.at(high) - scale.at(low)
