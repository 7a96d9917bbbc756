"""Enlarged details: a cycle or two of a clock, where the intervals of the whole fall together."""

from __future__ import annotations

from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simlink.pictures.diagram.contents import Contents
    from simlink.pictures.diagram.intervals import Dimension
    from simlink.pictures.diagram.tracks import Track

#: Intervals of a bit or of a clock cycle, which are the ones that a detail is for, and of which
#: clock.
_SMALL = (
    (("t_CH", "t_CL", "t_DV", "t_DH", "t_SU", "t_H", "t_PD,R"), "remote.clock"),
    (("t_RCH", "t_RCL"), "host.clock"),
)
#: The most periods of the clock that one detail shows, and what is shown around its intervals.
_MOST, _AROUND = 6.0, 0.45
#: What a detail shows besides the tracks of its intervals, if the whole does.
_WITH = {
    "remote.data": ("remote.clock",),
    "host.data": ("host.returned", "host.capture"),
    "host.clock": ("host.capture",),
}


@dataclass(frozen=True)
class Detail:
    """A stretch of time that is drawn enlarged."""

    #: What it is called in the picture.
    letter: str
    #: The stretch, in fs.
    start: int
    end: int
    #: Those that it shows, in the order of the picture.
    tracks: list[Track]
    #: The dimension lines that stand in it and not in the whole.
    dimensions: list[Dimension]


def details(contents: Contents) -> list[Detail]:
    """Return the details of a picture: where two or more small intervals are near each other."""
    found: list[Detail] = []
    for symbols, clock in _SMALL:
        some = [one for one in contents.dimensions if one.span.symbol in symbols]
        period = _period(contents, clock)
        found += [] if period is None else _near(contents, some, period, len(found))
    return found


def _near(contents: Contents, some: list[Dimension], period: int, before: int) -> list[Detail]:
    """Return the details that small intervals make; so many have been made before."""
    small = [one for one in some if abs(one.span.length) <= 3 * period]
    small.sort(key=lambda one: _ends([one])[0])
    groups: list[list[Dimension]] = []
    for one in small:
        start, end = _ends([*groups[-1], one]) if groups else (0, 0)
        if groups and end - start <= _MOST * period:
            groups[-1].append(one)
        else:
            groups.append([one])
    found: list[Detail] = []
    around, view = round(_AROUND * period), contents.view
    for group in [group for group in groups if len(group) > 1]:
        first, last = _ends(group)
        start, end = max(first - around, view.start), min(last + around, view.end)
        letter = "ABCDEFGH"[before + len(found)]
        found.append(Detail(letter, start, end, _tracks(group, contents), group))
    return found


def _ends(group: list[Dimension]) -> tuple[int, int]:
    """Return the first and the last instant of some dimension lines, in fs."""
    ends = [time for one in group for time in (one.span.start, one.span.end)]
    return min(ends), max(ends)


def _tracks(group: list[Dimension], contents: Contents) -> list[Track]:
    names = {name for one in group for name in (one.start_track, one.end_track)}
    for name in list(names):
        family, _, lane = name.partition("[")
        for other in _WITH.get(family, ()):
            names |= {other, f"{other}[{lane}"}
    return [track for track in contents.tracks if track.name in names]


def _period(contents: Contents, clock: str) -> int | None:
    """Return the period of a clock, in fs; None if it is not seen to run."""
    line = contents.view.edges.get(clock, ())
    rises = [time for time, level in line if level]
    return min((after - before for before, after in pairwise(rises)), default=None)
