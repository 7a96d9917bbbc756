"""The picture of an exposure: one conversion, and what an event does, by when it begins."""

from __future__ import annotations

from collections.abc import Collection, Iterable
from typing import TYPE_CHECKING, Any

from simlink.base.instants import FS_PER_SECOND
from simlink.pictures import style
from simlink.studies.exposing import TARGET, undisturbed
from simlink.studies.exposure import MENDED, UNHARMED, Exposure
from simlink.tracing.trace import Trace, trace

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

#: Levels of the conversion that are drawn where they move, in the order of a frame's way.
_LEVELS = {
    "host.busy": "busy at the host",
    "remote.busy": "busy at the converter",
    "host.clock": "host clock",
    "remote.clock": "serial clock at the converter",
    "fifo.strobe": "strobe at the FIFO",
}
#: How each outcome is filled: colour and hatch, neither of which means anything alone.
_LOOKS = {
    "wrong bits": (style.RUST, "xxx"),
    "not received": (style.PLUM, "///"),
    "missed trigger": (style.SAND, "..."),
    MENDED: (style.QUIET, ""),
    "misaligned": (style.SKY, "\\\\\\"),
}
_OTHER = (style.TEAL, "|||")
#: Inches of a row, and of what stands below all rows.
_ROW, _BELOW = 0.3, 0.6


@style.in_our_look
def exposure(found: Exposure) -> Figure:
    """Draw one conversion undisturbed, and below it what an event does, by when it begins.

    Parameters
    ----------
    found : Exposure
        What `simlink.studies.exposure.exposure` returned.

    Returns
    -------
    matplotlib Figure
        Time from the conversion's trigger across. Levels of the conversion above; then a row for
        each channel, with a bar from and until when an event has to begin to hit it; then a row
        for this conversion and for each that follows, with bars where its words come to harm or
        are mended.
    """
    seen = trace(undisturbed(found.scenario), range(TARGET, TARGET + 1), found.trial)
    levels = [name for name in _LEVELS if seen.of(name)]
    rows = [one.channel for one in found.channels]
    outcomes = max((len(one.outcomes) for one in found.moments), default=0)
    count = len(levels) + len(rows) + outcomes
    harms = {one.said(number) for one in found.moments for number in range(outcomes)} - {UNHARMED}
    ax = framed(harms, _ROW * count, left=0.235, right=0.975)
    sent = next(one.time for one in seen.changes if one.signal == "host.trigger")
    first, last = found.moments[0].offset, found.moments[-1].offset
    labels: list[str] = []
    for name in levels:
        _level(ax, -len(labels), seen, name, sent, last)
        labels.append(_LEVELS[name])
    for channel in rows:
        spans = _spans(found, (channel in one.hit for one in found.moments))
        _bars(ax, -len(labels), spans, style.TEAL, "")
        labels.append(f"hits {channel}")
    used: dict[str, Any] = {}
    for number in range(outcomes):
        outcomes_of(ax, -len(labels), found, number, used)
        names = ("this conversion", "the next one")
        labels.append(names[number] if number < 2 else f"{number} after it")
    ax.set_yticks([-row for row in range(count)], labels)
    ax.set_ylim(-count + 0.4, 0.7)
    for row in (len(levels), len(levels) + len(rows)):
        ax.axhline(-row + 0.5, color=style.GRID, lw=1.0)
    ax.set_xlabel("from the trigger: edges above, the beginning of the event below")
    finish(ax, first, last, used, "What one common-mode event hits, by when it begins")
    return style.figure_of(ax)


def framed(kinds: Collection[str], inside: float, **ends: float) -> Axes:
    """Return axes of so many inches' height, below the legend of some outcomes."""
    above = 0.45 + 0.19 * _legend_rows(kinds)
    height = _BELOW + above + inside
    return style.new_axes(8.4, height, bottom=_BELOW / height, top=1 - above / height, **ends)


def finish(ax: Axes, first: int, last: int, used: dict[str, Any], title: str) -> None:
    """Put the time across, in fs from end to end, and write above what each kind of bar means."""
    ax.set_xlim(min(first, 0) / FS_PER_SECOND, last / FS_PER_SECOND)
    ax.xaxis.set_major_formatter(style.in_units("s"))
    ax.tick_params(axis="y", length=0)
    ax.set_title(title, loc="left", pad=8 + 13.5 * _legend_rows(used))
    if used:
        look: dict[str, Any] = {"ncols": _SIDE_BY_SIDE, "borderaxespad": 0.1, "fontsize": 8.5}
        style.key_over(ax, used.values(), used.keys(), **look)


def _level(ax: Axes, row: int, seen: Trace, name: str, sent: int, last: int) -> None:
    """Draw a level as it moves."""
    times: list[float] = []
    values: list[float] = []
    before = None
    for time, value in seen.of(name):
        now = (time - sent) / FS_PER_SECOND
        if before is None:
            times.append(min(0.0, now))
            values.append(1 - value)
        before = value
        times.append(now)
        values.append(value)
    times.append(last / FS_PER_SECOND)
    values.append(values[-1])
    lifted = [row - 0.3 + 0.6 * value for value in values]
    ax.step(times, lifted, where="post", color=style.INK, lw=0.9)


def _spans(found: Exposure, there: Iterable[bool]) -> list[tuple[float, float]]:
    """Return start and width, in s, of the stretches in which something is so."""
    spans: list[tuple[float, float]] = []
    half = found.step / 2 / FS_PER_SECOND
    wide = found.step / FS_PER_SECOND
    joined = False
    for moment, so in zip(found.moments, there, strict=True):
        if so and joined:
            spans[-1] = spans[-1][0], spans[-1][1] + wide
        elif so:
            spans.append((moment.offset / FS_PER_SECOND - half, wide))
        joined = so
    return spans


def _bars(ax: Axes, row: float, spans: list[tuple[float, float]], colour: Any, hatch: str) -> Any:
    return ax.broken_barh(
        spans,
        (row - 0.32, 0.64),
        facecolor=colour,
        edgecolor=style.INK if hatch else colour,
        hatch=hatch,
        linewidth=0.5,
    )


def outcomes_of(ax: Axes, row: float, found: Exposure, number: int, used: dict[str, Any]) -> None:
    """Draw the outcomes of one conversion in a row: pale what is told, hatched what nobody says.

    What was mended is grey. ``used`` gets what stands for each kind in the legend.
    """
    for kind in sorted({one.said(number) for one in found.moments} - {UNHARMED}):
        spans = _spans(found, (one.said(number) == kind for one in found.moments))
        outcome, _, how = kind.partition(", ")
        colour, hatch = _LOOKS.get(outcome, _OTHER)
        look = (_pale(colour), "") if how == "told" else (colour, hatch)
        used[kind] = _bars(ax, row, spans, *look)


#: Items side by side in the legend.
_SIDE_BY_SIDE = 3


def _legend_rows(used: Collection[str]) -> int:
    """Return how many rows the legend of some outcomes takes."""
    return -(-len(used) // _SIDE_BY_SIDE)


def _pale(colour: str) -> tuple[float, float, float]:
    from matplotlib.colors import to_rgb

    red, green, blue = (1 - 0.4 * (1 - part) for part in to_rgb(colour))
    return red, green, blue
