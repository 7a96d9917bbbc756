"""The window around the sampling instant in which nothing should switch."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from simlink.base.instants import NEVER
from simlink.pictures.diagram.tracks import Track

if TYPE_CHECKING:
    from simlink.pictures.diagram.window import View


@dataclass(frozen=True)
class Quiet:
    """The windows that are seen, and what falls into them."""

    #: How far a window reaches before and after its sampling instant, in fs.
    before: int
    after: int
    #: The windows, in fs, as far as they are within what is shown.
    stretches: list[tuple[int, int]]
    #: Track and instant of every edge within one, its own trigger's excepted.
    edges: list[tuple[str, int]]


def quiet(view: View, drawn: list[Track], before: int, after: int) -> Quiet:
    """Find the windows, and the edges of the drawn tracks that fall into them."""
    found = sorted(
        (max(time - before, view.start), min(time + after, view.end))
        for time in view.trace.record.aperture[0].tolist()
        if time != NEVER and time + after >= view.start and time - before <= view.end
    )
    edges = [
        (track.name, time)
        for track in drawn
        for time in track.switching
        if track.signal.name not in ("host.trigger", "remote.trigger")
        and any(start <= time <= end for start, end in found)
    ]
    return Quiet(before, after, found, edges)
