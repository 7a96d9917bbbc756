"""The picture of an exposure: one conversion, and what an event does, by when it begins."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from simlink.base.instants import FS_PER_SECOND
from simlink.pictures import style
from simlink.studies.exposure import TARGET, UNHARMED, Exposure, undisturbed
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
    "damaged": (style.RUST, "xxx"),
    "not received": (style.PLUM, "///"),
    "missed trigger": (style.SAND, "..."),
}
_OTHER = (style.SKY, "\\\\\\")
#: Inches of a row, and of what stands above and below all rows.
_ROW, _FRAME = 0.3, 1.5


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
        for this conversion and for each that follows, with bars where its words come to harm.
    """
    seen = trace(undisturbed(found.scenario), range(TARGET, TARGET + 1), found.trial)
    levels = [name for name in _LEVELS if seen.of(name)]
    rows = [one.channel for one in found.channels]
    outcomes = max((len(one.outcomes) for one in found.moments), default=0)
    count = len(levels) + len(rows) + outcomes
    height = _FRAME + _ROW * count
    ax = style.new_axes(
        8.4, height, left=0.235, right=0.975, bottom=0.55 / height, top=1 - 0.6 / height
    )
    sent = next(one.time for one in seen.changes if one.signal == "host.trigger")
    first, last = found.moments[0].offset, found.moments[-1].offset
    labels: list[str] = []
    for name in levels:
        _level(ax, -len(labels), seen, name, sent, last)
        labels.append(_LEVELS[name])
    for channel in rows:
        spans = _spans(found, [channel in one.hit for one in found.moments])
        _bars(ax, -len(labels), spans, style.TEAL, "")
        labels.append(f"hits {channel}")
    used: dict[str, Any] = {}
    for number in range(outcomes):
        kinds = {one.outcomes[number] for one in found.moments} - {UNHARMED}
        for kind in sorted(kinds):
            spans = _spans(found, [one.outcomes[number] == kind for one in found.moments])
            colour, hatch = _LOOKS.get(kind, _OTHER)
            used[kind] = _bars(ax, -len(labels), spans, colour, hatch)
        labels.append("this conversion" if number == 0 else f"{number} after it")
    ax.set_yticks([-row for row in range(count)], labels)
    ax.set_ylim(-count + 0.4, 0.7)
    ax.set_xlim(min(first, 0) / FS_PER_SECOND, last / FS_PER_SECOND)
    for row in (len(levels), len(levels) + len(rows)):
        ax.axhline(-row + 0.5, color=style.GRID, lw=1.0)
    ax.xaxis.set_major_formatter(style.in_units("s"))
    ax.set_xlabel("from the trigger: edges above, the beginning of the event below")
    ax.tick_params(axis="y", length=0)
    ax.set_title("What one common-mode event hits, by when it begins", loc="left", pad=22)
    if used:
        ax.legend(
            used.values(),
            used.keys(),
            loc="lower right",
            bbox_to_anchor=(1.0, 1.0),
            ncols=len(used),
            frameon=False,
            borderaxespad=0.1,
            fontsize=8.5,
        )
    return style.figure_of(ax)


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


def _spans(found: Exposure, there: list[bool]) -> list[tuple[float, float]]:
    """Return start and width, in s, of the stretches in which something is so."""
    spans: list[tuple[float, float]] = []
    half = found.step / 2 / FS_PER_SECOND
    wide = found.step / FS_PER_SECOND
    joined = False
    for moment, so in zip(found.moments, there, strict=True):
        if so:
            at = moment.offset / FS_PER_SECOND - half
            if joined:
                spans[-1] = spans[-1][0], spans[-1][1] + wide
            else:
                spans.append((at, wide))
        joined = so
    return spans


def _bars(ax: Axes, row: int, spans: list[tuple[float, float]], colour: str, hatch: str) -> Any:
    return ax.broken_barh(
        spans,
        (row - 0.32, 0.64),
        facecolor=colour,
        edgecolor=style.INK if hatch else colour,
        hatch=hatch,
        linewidth=0.5,
    )
