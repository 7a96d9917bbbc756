"""From time to millimetres: each burst of clock edges to its own scale, idle stretches cut short.

Only a stretch between two neighbouring instants at which something is drawn can be cut, so no
cut hides an edge. A picture that would make a clock pulse too narrow to see is given a denser
middle of each burst, which is drawn as a block, or goes on in another line below, whichever takes
fewer lines.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from dataclasses import dataclass, field
from itertools import pairwise

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

#: Half a period of a clock in mm: as wide as is useful, the least that is legible, and what a
#: picture that needs several lines is given.
WIDEST = 1.5
LEAST = 0.42
WRAPPED = 0.55
#: An idle stretch drawn longer than this (mm) is cut to `CUT`.
LONG = 6.0
CUT = 4.2
#: The least distance of two instants (mm), so that what follows is seen to follow.
APART = 0.3


#: Clocks whose speeds differ by no more than this share one scale while they run together.
LIKE = 4.0


@dataclass(frozen=True)
class Tightness:
    """How far a picture that needs several lines is tightened."""

    #: Half periods that a burst keeps before and after its denser middle.
    before: int
    after: int
    #: How wide that middle is, in mm.
    dense: float
    #: An idle stretch drawn longer than the one is cut to the other (mm).
    long: float = LONG
    cut: float = CUT


#: From the least to the most.
TIGHTER = (Tightness(6, 4, 10.0), Tightness(2, 2, 6.0, 3.0, 2.4))


@dataclass(frozen=True)
class Need:
    """Between two instants at least so many mm, for the label that stands after the first."""

    start: int
    end: int
    mm: float
    #: What of it stands right after the first instant, where no cut may be drawn.
    beside: float = 0.0


@dataclass
class Scale:
    """Where the instants of one line of the picture lie."""

    #: Instants in fs, ascending.
    times: list[int]
    #: Where each of them lies, in mm from the left edge of the picture.
    places: Floats
    #: The stretches of time that are cut, in fs.
    breaks: list[tuple[int, int]] = field(default_factory=list)
    #: Where each cut is drawn, in mm.
    tears: list[float] = field(default_factory=list)

    @property
    def start(self) -> int:
        """The first instant of the line."""
        return self.times[0]

    @property
    def end(self) -> int:
        """The last instant of the line."""
        return self.times[-1]

    @property
    def left(self) -> float:
        """Where the line begins, in mm."""
        return float(self.places[0])

    @property
    def right(self) -> float:
        """Where the line ends, in mm."""
        return float(self.places[-1])

    def at(self, time: float) -> float:
        """Return where an instant lies, in mm; what is outside lies at the end of the line."""
        place = bisect_right(self.times, time) - 1
        if place < 0:
            return self.left
        if place >= len(self.times) - 1:
            return self.right
        before, after = self.times[place], self.times[place + 1]
        share = (time - before) / (after - before)
        return float(self.places[place] + share * (self.places[place + 1] - self.places[place]))

    def shows(self, time: int) -> bool:
        """Tell whether an instant lies on this line."""
        return self.start <= time <= self.end

    def meets(self, start: int, end: int) -> bool:
        """Tell whether some of a stretch of time, and not its end alone, lies on this line."""
        return start < self.end and end > self.start


def to_scale(start: int, end: int, left: float, right: float) -> list[Scale]:
    """Return one line that is true to scale."""
    return [Scale([start, end], np.array([left, right]))]


@dataclass
class _Plan:
    """Gaps between neighbouring instants, and how each may be drawn."""

    times: list[int]
    gaps: Floats
    #: Half a period of the quickest clock that runs within each gap, infinite where none does.
    unit: Floats
    needs: list[tuple[int, int, float]]
    #: Room in mm that a label takes at the beginning of each gap.
    beside: Floats
    #: Where no clock runs, time is drawn to the scale of this.
    reference: float
    #: Where a line begins and ends, in mm, and stretches that it should not end within.
    left: float
    right: float
    whole: list[tuple[int, int]]
    #: How wide a gap in the middle of a denser burst is, in mm; not a number elsewhere.
    dense: Floats
    #: An idle stretch drawn longer than the one is cut to the other, in mm.
    long: float = LONG
    cut: float = CUT

    @property
    def room(self) -> float:
        """How long a line is, in mm."""
        return self.right - self.left

    def widths(self, pitch: float) -> tuple[Floats, Flags]:
        """Return how wide each gap is drawn, in mm, and which are cut."""
        idle = ~np.isfinite(self.unit)
        wide = pitch * self.gaps / np.where(idle, self.reference, self.unit)
        cut = idle & (wide > self.long)
        wide = np.where(cut, self.cut + self.beside, np.where(idle, np.maximum(wide, APART), wide))
        wide = np.where(np.isnan(self.dense), wide, self.dense)
        for _ in range(4):
            done = True
            for first, last, need in self.needs:
                have = float(wide[first:last].sum())
                if have < need - 1e-9:
                    wide[first:last] *= need / have
                    done = False
            if done:
                break
        return wide, cut

    def fits(self, pitch: float) -> bool:
        """Tell whether everything fits on one line."""
        return float(self.widths(pitch)[0].sum()) <= self.room

    def lines(self) -> list[Scale]:
        """Return the lines that are needed, clocks as wide as there is room for."""
        pitch = WRAPPED
        if self.fits(WIDEST):
            pitch = WIDEST
        elif self.fits(LEAST):
            pitch, high = LEAST, WIDEST
            for _ in range(40):
                middle = (pitch + high) / 2
                if self.fits(middle):
                    pitch = middle
                else:
                    high = middle
        wide, cut = self.widths(pitch)
        if float(wide.sum()) <= self.room:
            return [self.scale(wide, cut, 0, len(self.times) - 1)]
        return self.wrapped(wide, cut)

    def scale(self, wide: Floats, cut: Flags, first: int, last: int, stretch: bool = True) -> Scale:
        """Return the line from one instant to another, as long as there is room for if asked."""
        some = wide[first:last]
        factor = self.room / float(some.sum())
        if not stretch:
            factor = min(1.0, factor)
        places = self.left + np.concatenate([[0.0], np.cumsum(some * factor)])
        gone = [i for i in range(first, last) if cut[i]]
        tears = []
        for i in gone:
            start, end = places[i - first], places[i - first + 1]
            tears.append(float(start + self.beside[i] + (end - start - self.beside[i]) / 2))
        breaks = [(self.times[i], self.times[i + 1]) for i in gone]
        return Scale(self.times[first : last + 1], places, breaks, tears)

    def wrapped(self, wide: Floats, cut: Flags) -> list[Scale]:
        """Cut the picture into lines, within idle stretches where that leaves them well filled."""
        # A gap that is wider than a line (it cannot be cut) is drawn as wide as one.
        wide = np.minimum(wide, self.room)
        ends = np.cumsum(wide)
        inside = np.zeros(len(self.times), dtype=bool)
        for begun, done in self.whole:
            inside[bisect_right(self.times, begun) : bisect_left(self.times, done)] = True
        idle = np.append(~np.isfinite(self.unit), False)
        found = []
        first = 0
        while first < len(wide):
            start = float(ends[first - 1]) if first else 0.0
            last = int(np.searchsorted(ends, start + self.room + 1e-9, side="right"))
            if last < len(wide):
                last = max(last, first + 1)
                filled = [
                    i for i in range(last, first, -1) if ends[i - 1] - start >= 0.5 * self.room
                ]
                good = [i for where in (idle & ~inside, ~inside) for i in filled if where[i]]
                last = next(iter(good), last)
            used = float(ends[last - 1]) - start
            found.append(self.scale(wide, cut, first, last, stretch=used > 0.72 * self.room))
            first = last
        return found

    def tighten(self, how: Tightness, frames: Sequence[int]) -> None:
        """Give the middle of each long burst a width of its own, whatever runs in it."""
        self.long, self.cut = how.long, how.cut
        times = np.array(self.times, dtype=np.float64)
        parts = []
        for burst in _bursts(self.unit):
            within = [bisect_left(self.times, time) - burst[0] for time in frames]
            parts += np.split(burst, sorted({one for one in within if 0 < one < len(burst)}))
        for burst in parts:
            half = float(self.unit[burst].max())
            start = float(times[burst[0]]) + (how.before - 0.2) * half
            end = float(times[burst[-1] + 1]) - (how.after - 0.2) * half
            middle = burst[(times[burst] >= start) & (times[burst + 1] <= end)]
            # A little more than it could be drawn in, so that it is a block.
            if middle.size and 0.95 * float(self.gaps[middle].sum()) * LEAST > how.dense * half:
                self.dense[middle] = how.dense * self.gaps[middle] / self.gaps[middle].sum()


def lines(
    times: list[int],
    clocks: list[list[int]],
    needs: list[Need],
    left: float,
    right: float,
    whole: list[tuple[int, int]],
    frames: Sequence[int] = (),
) -> list[Scale]:
    """Return the lines of a picture.

    Parameters
    ----------
    times : list of int
        Every instant at which something is drawn, ascending, the ends of the stretch included.
    clocks : list of list of int
        The edges of each clock.
    needs : list of Need
        Room for labels.
    left, right : float
        Where a line begins and ends, in mm.
    whole : list of (int, int)
        Stretches that a line should not end within, if it can be helped.
    frames : sequence of int
        Where one frame ends and the next begins on a clock that runs on: no block covers it.
    """
    gaps = np.diff(np.array(times, dtype=np.float64))
    unit, halves = _units(times, clocks)
    reference = min(halves) if halves else float(np.median(gaps)) / 3
    beside = np.zeros(len(gaps))
    for need in needs:
        beside[min(bisect_left(times, need.start), len(gaps) - 1)] = need.beside
    placed = [
        (bisect_left(times, need.start), bisect_left(times, need.end), need.mm) for need in needs
    ]
    asked = [one for one in placed if one[1] > one[0]]
    none = np.full(len(gaps), np.nan)
    plan = _Plan(times, gaps, unit, asked, beside, reference, left, right, whole, none)
    best = plan.lines()
    for tightness in TIGHTER:
        if len(best) > 1:
            plan.tighten(tightness, frames)
            best = min(best, plan.lines(), key=len)
    return best


def _units(times: list[int], clocks: list[list[int]]) -> tuple[Floats, list[float]]:
    """Return half a period of the quickest clock within each gap, and of each clock.

    A burst in which clocks of like speed run together has one scale, that of the quickest.
    """
    unit = np.full(len(times) - 1, np.inf)
    halves = []
    for edges in clocks:
        steps = np.diff(np.array(edges, dtype=np.float64))
        steps = steps[steps > 0]
        if not steps.size:
            continue
        half = float(steps.min())
        halves.append(half)
        for start, end in pairwise(edges):
            if 0 < end - start <= 1.6 * half:
                inside = slice(bisect_left(times, start), bisect_left(times, end))
                unit[inside] = np.minimum(unit[inside], half)
    for burst in _bursts(unit):
        some = unit[burst]
        if some.max() <= LIKE * some.min():
            unit[burst] = some.min()
    return unit, halves


def _bursts(unit: Floats) -> list[npt.NDArray[np.int64]]:
    """Return the runs of gaps in which a clock runs."""
    active = np.flatnonzero(np.isfinite(unit))
    if not active.size:
        return []
    return np.split(active, np.flatnonzero(np.diff(active) > 1) + 1)
