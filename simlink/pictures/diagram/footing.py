"""What is said below the picture."""

from __future__ import annotations

from collections import Counter
from typing import TYPE_CHECKING

from simlink.pictures.diagram.intervals import said
from simlink.pictures.diagram.placing import width_of

if TYPE_CHECKING:
    from simlink.pictures.diagram.contents import Contents


def foot_lines(contents: Contents, torn: bool) -> list[str]:
    """Return the lines of text below a picture, each short enough for its width.

    ``torn``: whether time is left out of its rows.
    """
    view = contents.view
    first, last = view.conversions[0], view.conversions[-1]
    which = f"conversion {first}" if first == last else f"conversions {first} to {last}"
    parts = [f"Board {view.trace.trial}, {which}."]
    if contents.scaled:
        parts.append("To scale.")
    elif torn:
        parts.append("Not to scale; where the rows are torn, time without any edge is left out.")
    else:
        parts.append("Not to scale.")
    if any(one.follows for one in contents.crossings):
        parts.append("Of a burst the first to cross is drawn to its row.")
    if any(dimension.with_limits for dimension in contents.dimensions):
        over = f" over {contents.over}" if contents.over else ""
        parts.append(f"In brackets: least … typical … largest{over}, in the same unit.")
    for symbol, why in contents.missing:
        parts.append(f"{symbol} is not drawn: {why}.")
    if contents.bands:
        parts.append("Shaded edges: range of each edge about its cause (3σ where unbounded).")
    if contents.events is not None and contents.events.sentence:
        parts.append(contents.events.sentence)
    if contents.quiet is not None:
        parts.append(_quiet(contents))
    return wrapped(" ".join(parts), contents.sizes.small, contents.width - 2.4)


def _quiet(contents: Contents) -> str:
    assert contents.quiet is not None
    quiet = contents.quiet
    window = f"{said(quiet.before, 3)} before to {said(quiet.after, 3)} after sampling"
    if not quiet.edges:
        return f"Nothing that is drawn switches from {window}."
    counts = Counter(name for name, _ in quiet.edges)
    sides = []
    for side, called in (("remote", "converter side"), ("host", "host side")):
        here = [t for t in contents.tracks if t.signal.side == side and counts[t.name]]
        if here:
            which = ", ".join(f"{track.label} {counts[track.name]}" for track in here)
            sides.append(f"{called}: {which}")
    total = len(quiet.edges)
    edges = f"{total} edge{'s' if total > 1 else ''}"
    return f"Ringed: {edges} from {window} ({'; '.join(sides)})."


def wrapped(text: str, size: float, room: float) -> list[str]:
    """Break a text into lines of at most so many mm."""
    found: list[str] = []
    for word in text.split():
        longer = f"{found[-1]} {word}" if found else word
        if found and width_of(longer, size) <= room:
            found[-1] = longer
        else:
            found.append(word)
    return found
