"""Labels and the room that they take: measured before anything is drawn, placed so as not to meet.

All lengths are millimetres, y counts downwards.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

from simlink.pictures.diagram.palette import POINTS
from simlink.pictures.spreading import spread

#: The face of every label, which an SVG names.
FONT = "DejaVu Sans"
#: Between two labels, at the least.
CLEAR = 0.6


def width_of(text: str, size: float) -> float:
    """Return how wide a text is, in mm, with a little to spare for the hinting of screens."""
    # A symbol is set as mathematics, which is slow; there are few, so each is measured once.
    symbol, _, rest = text.rpartition("$")
    wide = (_points(f"{symbol}$", size) if symbol else 0.0) + _points(rest, size)
    return 1.03 * wide / POINTS + 0.15


@lru_cache(maxsize=4096)
def _points(text: str, size: float) -> float:
    from matplotlib.font_manager import FontProperties
    from matplotlib.textpath import text_to_path

    face = FontProperties(family=FONT, size=size)
    return float(text_to_path.get_text_width_height_descent(text, face, "$" in text)[0])


@dataclass(frozen=True)
class Label:
    """A text in the picture."""

    #: As it is drawn.
    text: str
    #: Its middle, in mm.
    x: float
    y: float
    #: In points.
    size: float
    #: What it says: ``side``, ``row``, ``cell``, ``mark``, ``interval``, ``fate`` or ``foot``.
    role: str
    #: Which one it is, for whoever looks at the picture's objects.
    name: str = ""
    upright: bool = False
    leader: tuple[float, float] | None = None
    #: The colour of the palette that hides the thin lines behind it; empty if none is hidden.
    ground: str = ""
    #: Whether it stands beside the line of its own row, which it does not hide.
    in_row: bool = False

    @property
    def half(self) -> float:
        """Half its width."""
        return width_of(self.text, self.size) / 2


def in_lanes(spans: list[tuple[float, float]]) -> list[int]:
    """Give each stretch, as its two ends, the first lane, from 0, in which it meets no other."""
    taken: list[list[tuple[float, float]]] = []
    lanes = []
    for start, end in spans:
        free = (
            number
            for number, lane in enumerate(taken)
            if all(end + CLEAR <= a or b + CLEAR <= start for a, b in lane)
        )
        number = next(free, len(taken))
        if number == len(taken):
            taken.append([])
        taken[number].append((start, end))
        lanes.append(number)
    return lanes


def in_a_row(
    wanted: list[float],
    widths: list[float],
    low: float,
    high: float,
    taken: Sequence[tuple[float, float]] = (),
) -> list[float] | None:
    """Move the middles of labels apart along a row, in their order; None if they do not fit.

    ``taken``: stretches of the row that no label may touch, ascending.
    """
    if not taken:
        if sum(widths) + CLEAR * max(len(widths) - 1, 0) > high - low:
            return None
        return spread(wanted, widths, low, high, CLEAR)
    # Each label goes to the room between two taken stretches whose ends it is nearest to.
    ends = [low, *(end for stretch in taken for end in stretch), high]
    rooms = list(zip(ends[::2], ends[1::2], strict=True))
    held: list[list[int]] = [[] for _ in rooms]
    first = 0
    for number, (x, wide) in enumerate(zip(wanted, widths, strict=True)):
        fits = [
            (max(a + wide / 2 - x, x - b + wide / 2, 0.0), place)
            for place, (a, b) in enumerate(rooms)
            if place >= first and b - a >= wide
        ]
        if not fits:
            return None
        first = min(fits)[1]
        held[first].append(number)
    found: list[float] = []
    for (a, b), some in zip(rooms, held, strict=True):
        row = in_a_row([wanted[i] for i in some], [widths[i] for i in some], a, b)
        if row is None:
            return None
        found += row
    return found
