"""Where everything goes: lines of the picture, rows of a line, dimension lines and labels.

Everything is placed here, in millimetres with y downwards, before anything is drawn; so labels
are known not to meet, and tests can ask what is where.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import NamedTuple

from simlink.pictures.diagram.cells import RowLabels, needs_of
from simlink.pictures.diagram.contents import Bracket, Contents, Line, Piece
from simlink.pictures.diagram.dense import blocks
from simlink.pictures.diagram.details import Detail, details
from simlink.pictures.diagram.events import signs
from simlink.pictures.diagram.footing import foot_lines
from simlink.pictures.diagram.intervals import Dimension
from simlink.pictures.diagram.legend import GLYPH, Item, marks_in, placed
from simlink.pictures.diagram.placing import CLEAR, Label, in_lanes, width_of
from simlink.pictures.diagram.timescale import Need, Scale, lines, to_scale
from simlink.pictures.diagram.tracks import CLOCKS, Track
from simlink.records import Fate

#: Between the lines of a picture, around it, and between a block and what is beside it.
_BETWEEN, _EDGE, _AROUND = 3.0, 1.2, 0.9
_SIDES = {"remote": "converter side", "host": "host side"}
#: A dimension line shorter than this has its arrows outside, each as long as it, within limits.
SHORT, _LEAST_ARROW, _MOST_ARROW = 3.4, 1.2, 2.0
#: The least width of the window of a common-mode event, in mm.
_UPSET = 1.3
#: The widest that a detail is drawn, in mm.
_WIDEST_DETAIL = 100.0
_SIGNS = {
    Fate.DELIVERED: "\N{CHECK MARK}",
    Fate.IN_FLIGHT: "\N{HORIZONTAL ELLIPSIS}",
}


class Plan(NamedTuple):
    """A dimension line in a lane: its room along it, its text's middle, whether that is in it."""

    reach: tuple[float, float]
    x: float
    shares: bool = True


@dataclass
class Layout(Contents):
    """A picture with everything in its place; see `Line`."""

    height: float = 0.0
    lines: list[Line] = field(default_factory=list)
    details: list[Line] = field(default_factory=list)
    labels: list[Label] = field(default_factory=list)
    legend: list[Item] = field(default_factory=list)

    def __post_init__(self) -> None:
        tags = [*(track.label for track in self.tracks), "barrier"]
        widest = max(width_of(tag, self.sizes.text) for tag in tags)
        #: Right end of the names of the rows, and the two ends of a line.
        self.names = _EDGE + 3.0 + widest
        self.left = self.names + 1.0
        self.right = self.width - _EDGE
        self.enlarged = details(self)
        inside = {one.name for detail in self.enlarged for one in detail.dimensions}
        self._whole = [one for one in self.dimensions if one.name not in inside]
        y = _EDGE
        self.lines = [Line(scale, last=False) for scale in self._scales()]
        self.lines[-1].last = True
        for line in self.lines:
            y = self._line(line, self.tracks, self._whole, y) + _BETWEEN
        for detail in self.enlarged:
            y = self._detail(detail, y) + _BETWEEN
        y -= _BETWEEN - 1.2
        marks = marks_in(self, [*self.lines, *self.details])
        room = self.width - _EDGE
        self.legend, y = placed(marks, self.sizes.small, _EDGE, room, y, self.sizes.lane)
        for item in self.legend:
            self._say(item.text, item.x + GLYPH, item.y, "foot", item.mark)
        torn = any(line.scale.breaks for line in self.lines)
        for text in foot_lines(self, torn):
            y += self.sizes.lane * 0.9
            self._say(text, _EDGE, y - self.sizes.lane * 0.45, "foot")
        self.height = y + _EDGE

    def _say(self, text: str, x: float, y: float, role: str, name: str = "") -> None:
        """Place a label that begins at a point, or a row's that ends there."""
        size = self.sizes.small if role == "foot" else self.sizes.text
        half = width_of(text, size) / 2
        middle = x - half if role == "row" else x + half
        self.labels.append(Label(text, middle, y, size, role, name))

    def _scales(self) -> list[Scale]:
        view = self.view
        if self.scaled:
            return to_scale(view.start, view.end, self.left, self.right)
        times = {view.start, view.end}
        times |= {time for track in self.tracks for time in track.edges}
        times |= {time for one in self.crossings for time in (one.start, one.end)}
        times |= {t for d in self._whole for t in (d.span.start, d.span.end)}
        times |= {time for detail in self.enlarged for time in (detail.start, detail.end)}
        times |= {time for _, time, _ in view.fates}
        if self.quiet is not None:
            times |= {time for stretch in self.quiet.stretches for time in stretch}
        if self.events is not None:
            times |= {time for window in self.events.windows for time in window}
            times |= set(self.events.instants)
            times |= {time for one in self.events.drawn for time in (one.sent, one.arrives)}
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
        if self.events is not None:
            needs += [Need(start, end, _UPSET) for start, end in self.events.windows]
        whole = [(one.start, one.end) for one in self.crossings]
        reads = [time for time, _ in view.edges.get("host.read", ())]
        return lines(inside, clocks, needs, self.left, self.right, whole, reads)

    def _detail(self, detail: Detail, y: float) -> float:
        """Place an enlarged detail from y on; return its bottom."""
        right = min(self.right, self.left + _WIDEST_DETAIL)
        (scale,) = to_scale(detail.start, detail.end, self.left, right)
        line = Line(scale, detail=detail.letter)
        self.details.append(line)
        y += self.sizes.lane
        text, middle = f"Detail {detail.letter}", y - self.sizes.lane / 2
        self._say(text, _EDGE, middle, "title", detail.letter)
        return self._line(line, detail.tracks, detail.dimensions, y)

    def _line(
        self, line: Line, tracks: list[Track], dimensions: list[Dimension], y: float
    ) -> float:
        """Place one line of the picture from y on; return its bottom."""
        remote = [track for track in tracks if track.signal.side == "remote"]
        host = [track for track in tracks if track.signal.side == "host"]
        y = self._dimensions(line, dimensions, "remote", y)
        y = self._block(line, "remote", remote, y)
        if remote and host:
            line.barrier = (y, y + self.sizes.band)
            self._say("barrier", self.names, y + self.sizes.band / 2, "row", "barrier")
            if self.events is not None:
                shows = line.scale.start, line.scale.end
                line.signs = signs(self.events.drawn, line.scale, line.barrier, shows)
            y += self.sizes.band
            below = self._dimensions(line, dimensions, "barrier", y + 0.5)
            y = below if below > y + 0.5 else y
        else:
            y = self._dimensions(line, dimensions, "barrier", y)
        y = self._block(line, "host", host, y)
        if not line.detail:
            y = self._fates(line, y)
        return self._dimensions(line, dimensions, "host", y + 0.3)

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
            line.dense[track.name] = blocks(track, line.scale)
            self._say(track.label, self.names, y + s.row / 2, "row", track.name)
            labels, rows = RowLabels(track, line, s, self.view).placed()
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

    def _dimensions(self, line: Line, dimensions: list[Dimension], place: str, y: float) -> float:
        """Place the dimension lines of one kind in lanes from y on, and what brackets details."""
        shown = []
        for dimension in dimensions:
            low, high = sorted((dimension.span.start, dimension.span.end))
            if dimension.place == place and _meets(line, low, high):
                shown.append((dimension, line.scale.at(low), line.scale.at(high), low, high))
        shown.sort(key=lambda one: (one[2] - one[1], one[1]))
        bracketed = [] if line.detail else self._bracketed(line, place)
        plans = {d.letter: self._beside(line, d.letter, a, b) for d, a, b in bracketed}
        plans |= {one[0].name: self._plan(*one[:3]) for one in shown}
        # Those whose label fits neither within nor beside have two lanes of their own.
        sharing = {name: plan.reach for name, plan in plans.items() if plan.shares}
        lanes = in_lanes(list(sharing.values()))
        count = max(lanes, default=-1) + 1
        lane_of = dict(zip(sharing, lanes, strict=True))
        for name in [one for one in plans if one not in sharing]:
            lane_of[name] = count if place == "remote" else count + 1
            count += 2
        if place == "remote":
            # The shortest stand next to the rows.
            lane_of = {name: count - 1 - lane for name, lane in lane_of.items()}
        size, middles = self.sizes.text, {}
        for name, lane in lane_of.items():
            middles[name] = y + (lane + 0.5) * self.sizes.lane
        for detail, left, right in bracketed:
            name = detail.letter
            line.brackets.append(Bracket(name, left, right, middles[name], place == "remote"))
            self.labels.append(
                Label(name, plans[name].x, middles[name], size, "detail", name, ground="paper")
            )
        for dimension, left, right, low, high in shown:
            name, text = dimension.name, dimension.text
            begun, goes_on = low < line.scale.start, high > line.scale.end
            line.pieces.append(Piece(dimension, left, right, middles[name], begun, goes_on))
            height = middles[name] - (0.0 if plans[name].shares else self.sizes.lane)
            self.labels.append(
                Label(text, plans[name].x, height, size, "interval", name, ground="paper")
            )
        return y + count * self.sizes.lane + (0.4 if count else 0.0)

    def _bracketed(self, line: Line, place: str) -> list[tuple[Detail, float, float]]:
        """Return the details that are taken from a line beside one of its sides."""
        found = []
        for one in self.enlarged:
            sides = {track.signal.side for track in one.tracks}
            here = (place == "remote") == ("remote" in sides) and place != "barrier"
            if here and _meets(line, one.start, one.end):
                found.append((one, line.scale.at(one.start), line.scale.at(one.end)))
        return found

    def _plan(self, dimension: Dimension, left: float, right: float) -> Plan:
        """Return how a dimension line and its text share a lane."""
        wide = width_of(dimension.text, self.sizes.text) + 0.8
        if wide + 2 * _MOST_ARROW <= right - left:
            return Plan((left, right), (left + right) / 2)
        tail = arrow(left, right)
        a, b = (left - tail, right + tail) if right - left < SHORT else (left, right)
        if b + 0.4 + wide <= self.right:
            return Plan((a, b + wide), b + wide / 2)
        if a - 0.4 - wide >= self.left:
            return Plan((a - wide, b), a - wide / 2)
        low, high = self.left + wide / 2, self.right - wide / 2
        middle = min(max((left + right) / 2, low), high) if low <= high else (low + high) / 2
        return Plan((a, b), middle, shares=False)

    def _beside(self, line: Line, letter: str, left: float, right: float) -> Plan:
        """Return how the bracket of a detail and its letter share a lane."""
        wide = width_of(letter, self.sizes.text) + 0.8
        if right + wide <= line.scale.right:
            return Plan((left, right + wide), right + wide / 2)
        return Plan((left - wide, right), left - wide / 2)

    def _fates(self, line: Line, y: float) -> float:
        """Place what became of the conversions whose fate was met on this line."""
        s = self.sizes
        here = [one for one in self.view.fates if line.shows(one[1])]
        if not here or not line.blocks:
            return y
        told, spans = [], []
        for index, time, fate in here:
            more = self.view.told.get(index, "")
            sign = "\N{MULTIPLICATION X}" if more else _SIGNS.get(fate, "\N{MULTIPLICATION X}")
            text = f"{index} {fate.said}{more} {sign}"
            half = width_of(text, s.text) / 2
            x = min(max(line.scale.at(time), self.left + half), self.right - half)
            told.append((index, time, text))
            spans.append((x - half, x + half))
        lanes = in_lanes(spans)
        y += CLEAR
        for (index, time, text), span, lane in zip(told, spans, lanes, strict=True):
            x = (span[0] + span[1]) / 2
            height = y + 0.6 + (lane + 0.5) * s.lane
            name = f"fate@{index}"
            self.labels.append(Label(text, x, height, s.text, "fate", name, ground="paper"))
            line.fates.append((line.scale.at(time), x, height - s.lane / 2))
        return y + 0.6 + (max(lanes) + 1) * s.lane


def arrow(left: float, right: float) -> float:
    """Return how long each arrow is that stands outside what it measures, in mm."""
    return min(max(right - left, _LEAST_ARROW), _MOST_ARROW)


def _meets(line: Line, low: int, high: int) -> bool:
    """Tell whether a line of the picture shows some of a stretch of time."""
    if low == high:
        return line.shows(low)
    return low < line.scale.end and high > line.scale.start
