"""What a picture shows, and the lines that it is laid out in."""

from __future__ import annotations

from dataclasses import dataclass, field

from simlink.pictures.diagram.dense import Block
from simlink.pictures.diagram.events import Events, Sign
from simlink.pictures.diagram.intervals import Dimension
from simlink.pictures.diagram.palette import Sizes, sizes
from simlink.pictures.diagram.quiet import Quiet
from simlink.pictures.diagram.spread_bands import Band
from simlink.pictures.diagram.timescale import Scale
from simlink.pictures.diagram.tracks import Crossing, Track
from simlink.pictures.diagram.window import View


@dataclass
class Contents:
    """What is to be drawn in a width in mm; ``scaled`` if true to scale.

    ``over`` says what the limits of its dimensions were measured on, ``missing`` which intervals
    were asked for and cannot be drawn, and why.
    """

    width: float
    view: View
    tracks: list[Track]
    crossings: list[Crossing]
    dimensions: list[Dimension]
    quiet: Quiet | None
    bands: list[Band]
    scaled: bool
    over: str = ""
    missing: list[tuple[str, str]] = field(default_factory=list)
    #: What common-mode events do; None where there are none.
    events: Events | None = None

    @property
    def sizes(self) -> Sizes:
        """The sizes of type and lines for its width."""
        return sizes(self.width)


@dataclass(frozen=True)
class Piece:
    """What one line of the picture shows of a dimension line."""

    #: The whole of it.
    dimension: Dimension
    #: Its ends, in mm.
    left: float
    right: float
    #: Its height, in mm.
    y: float
    #: Whether it goes on in another line of the picture.
    open_left: bool
    open_right: bool


@dataclass(frozen=True)
class Bracket:
    """Where in the whole a detail is taken from: its letter, its ends and its height, in mm."""

    letter: str
    left: float
    right: float
    y: float
    down: bool


@dataclass
class Line:
    """One line of the picture: a scale of time, and all rows over it."""

    #: Where instants lie.
    scale: Scale
    #: Top and bottom of each track.
    rows: dict[str, tuple[float, float]] = field(default_factory=dict)
    #: Side, top and bottom of each side's block.
    blocks: list[tuple[str, float, float]] = field(default_factory=list)
    #: Top and bottom of the barrier.
    barrier: tuple[float, float] | None = None
    #: Dimension lines.
    pieces: list[Piece] = field(default_factory=list)
    #: Where each fate was met, where its label stands, and the label's top.
    fates: list[tuple[float, float, float]] = field(default_factory=list)
    #: What is drawn as blocks on each track.
    dense: dict[str, list[Block]] = field(default_factory=dict)
    #: Where details are taken from.
    brackets: list[Bracket] = field(default_factory=list)
    #: What came of symbols that common-mode events hit.
    signs: list[Sign] = field(default_factory=list)
    #: Whether no line of the same picture follows.
    last: bool = True
    #: The letter of an enlarged detail; empty for the whole.
    detail: str = ""

    def shows(self, time: int) -> bool:
        """Tell whether an instant is drawn on this line and on no other."""
        end = self.scale.end
        return self.scale.start <= time and (time < end or (self.last and time == end))

    def hides(self, track: str, time: int) -> bool:
        """Tell whether an instant of a track is within a block."""
        return any(block.holds(time, time) for block in self.dense.get(track, []))

    def strips(self) -> list[tuple[float, float]]:
        """Return the stretches of height that its blocks and the barrier take, joined."""
        found: list[tuple[float, float]] = []
        blocks = [(top, bottom) for _, top, bottom in self.blocks]
        for top, bottom in sorted([*blocks, *([self.barrier] if self.barrier else [])]):
            if found and top <= found[-1][1] + 1e-6:
                found[-1] = (found[-1][0], bottom)
            else:
                found.append((top, bottom))
        return found
