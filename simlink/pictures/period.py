"""The picture of how each side of the link fills the trigger period."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

from simlink.base.instants import FS_PER_SECOND
from simlink.base.wording import Number, short_time
from simlink.figures.cycle import Cycle, cycles
from simlink.pictures import style
from simlink.pictures.spreading import keep_in, pixels_across, spread, width_of
from simlink.scenario.schema import Scenario

if TYPE_CHECKING:
    from matplotlib.axes import Axes

# Colour of a piece and of the text on it.
_PIECES = {
    "conversion": (style.TEAL, "white"),
    "start delay": ("#9fabb3", style.INK),
    "readout": (style.SKY, style.INK),
    "rest of acquisition": (style.SAND, style.INK),
    "packets": (style.PLUM, "white"),
    "service latency": ("#3f5f86", "white"),
    "read": (style.SKY, style.INK),
}
_HALF = 0.24


class OfScenario(Protocol):
    """A run, or a study that may be run."""

    @property
    def scenario(self) -> Scenario:
        """What it is of."""


@style.in_our_look
def period(run: OfScenario | Scenario, ax: Axes | None = None) -> Axes:
    """Draw how each side of the link fills the trigger period, on average.

    Parameters
    ----------
    run : Run, Study or Scenario
        What was run, or what may be.
    ax : matplotlib Axes, optional
        Where to draw; a new figure's when left out.

    Returns
    -------
    matplotlib Axes
        One bar a side: time in seconds across. What is left of the period is hatched; what does
        not fit stands past the period's line, crossed out. Triggers that wait for the host have
        no period, and no line.
    """
    scenario = run if isinstance(run, Scenario) else run.scenario
    found = cycles(scenario)
    height = 1.45 + 1.15 * len(found)
    ax = style.axes_for(
        ax, 8.4, height, left=0.2, right=0.965, bottom=0.62 / height, top=1 - 0.75 / height
    )
    style.entitle(ax, "Trigger-period budget", 26)
    ax.set_xlabel("time for one frame, on average")
    longest = max(_s(max(cycle.mean, cycle.period or 0)) for cycle in found)
    ax.set_xlim(0, longest * 1.03)
    ax.set_ylim(len(found) - 0.35, -0.45)
    ax.set_yticks(range(len(found)), [_side(cycle) for cycle in found], linespacing=1.35)
    ax.tick_params(axis="y", length=0)
    ax.xaxis.set_major_formatter(style.in_units("s"))
    ax.spines["left"].set_visible(False)
    style.settle(ax)
    for row, cycle in enumerate(found):
        _row(ax, row, cycle)
    _period_lines(ax, found, scenario)
    return ax


def _s(time: Number) -> float:
    return float(time) / FS_PER_SECOND


def _time(value: Number) -> str:
    return style.proper(short_time(value))


def _side(cycle: Cycle) -> str:
    most = "no bound" if math.isinf(cycle.largest) else f"at most {_time(cycle.largest)}"
    return f"{cycle.side}\nmean {_time(cycle.mean)}\n{most}"


@dataclass
class _Label:
    """A text for a stretch of a bar, to be put on it or, if too wide, below."""

    said: str
    start: float
    end: float
    colour: str
    ground: str
    inside: bool = True


def _row(ax: Axes, row: int, cycle: Cycle) -> None:
    labels: list[_Label] = []
    at, high = 0.0, 2 * _HALF

    def stretch(name: str, start: float, time: Number, height: float, **look: Any) -> float:
        """Draw a stretch of the bar; return its end."""
        ax.barh([row], [_s(time)], left=[start], height=height, label=name, **look)
        return start + _s(time)

    for piece in cycle.pieces:
        colour, ink = _PIECES.get(piece.name, (style.QUIET, "white"))
        look: dict[str, Any] = {"facecolor": colour, "edgecolor": "white", "linewidth": 1.2}
        end = stretch(piece.name, at, piece.mean, high, **look)
        labels.append(_Label(f"{piece.name}\n{_time(piece.mean)}", at, end, ink, colour))
        at = end
    slack = cycle.slack
    if slack is not None and slack > 0:
        look = {"facecolor": "white", "edgecolor": style.QUIET, "hatch": "///", "linewidth": 0.8}
        end = stretch("margin", at, slack, high, **look)
        labels.append(_Label(f"margin\n{_time(slack)}", at, end, style.INK, "white"))
    elif slack is not None and slack < 0:
        assert cycle.period is not None
        due = _s(cycle.period)
        look = {"facecolor": "none", "edgecolor": style.RUST, "hatch": "xxx", "linewidth": 1.8}
        stretch("over", due, -slack, high + 0.14, **look)
        said = f"over by\n{_time(-slack)}"
        labels.append(_Label(said, due, at, style.RUST, "none", inside=False))
    _write(ax, row, labels)


def _write(ax: Axes, row: int, labels: list[_Label]) -> None:
    """Write each label on its stretch if it fits there, else below with a line up to it."""
    low, high = ax.get_xlim()
    across = (high - low) / pixels_across(ax)
    below = []
    for label in labels:
        middle = (label.start + label.end) / 2
        look: dict[str, Any] = {"ha": "center", "va": "center", "linespacing": 1.2}
        size = 8.5 * style.fitting(ax)
        text = ax.text(middle, row, label.said, color=label.colour, size=size, **look)
        width = width_of(text) * across
        if label.inside and width * 1.1 < label.end - label.start:
            # The hatch, or the line of the period, does not run through the text.
            text.set_bbox({"facecolor": label.ground, "edgecolor": "none", "pad": 1.5})
            continue
        text.set_color(style.RUST if label.colour == style.RUST else style.INK)
        text.set_text(label.said.replace("\n", " "))
        text.set_verticalalignment("top")
        # A line of the period behind it is broken rather than run through the text.
        text.set_bbox({"facecolor": "white", "edgecolor": "none", "pad": 1.0})
        text.set_zorder(6)
        below.append((text, middle, width_of(text) * across))
    gap = 14 * across
    places = spread([m for _, m, _ in below], [w for _, _, w in below], low, high, gap)
    for (text, middle, _), place in zip(below, places, strict=True):
        text.set_position((place, row + _HALF + 0.17))
        ends = [row + _HALF + (0.07 if text.get_color() == style.RUST else 0), row + _HALF + 0.15]
        ax.plot([middle, place], ends, color=style.QUIET, lw=0.8)


def _period_lines(ax: Axes, found: list[Cycle], scenario: Scenario) -> None:
    """Draw where the time for one frame ends, once if it is the same for all sides."""
    spans = {cycle.period for cycle in found}
    dash = (0, (6, 2))
    if spans == {None}:
        said = "each trigger waits for the read before it, so there is no period"
        style.write_over(ax, said, 0, style.QUIET)
        return
    if len(spans) == 1:
        span = found[0].period
        assert span is not None
        said = "mean trigger spacing" if scenario.trigger.pattern == "poisson" else "trigger period"
        end, place = _s(span), ax.get_xaxis_transform()
        ax.axvline(end, color=style.INK, lw=1.6, linestyle=dash, label="period", zorder=4)
        said = f"{said} {_time(span)}"
        keep_in(ax, style.note(ax, said, (end, 1.0), (0, 5), xycoords=place, ha="center"), end)
        return
    for row, cycle in enumerate(found):
        assert cycle.period is not None
        ends = [row - _HALF - 0.1, row + _HALF + 0.1]
        end = _s(cycle.period)
        ax.plot([end, end], ends, color=style.INK, lw=1.6, linestyle=dash, label="period", zorder=4)
        what = "in a burst" if cycle.side == "converter" else "a frame, all in all"
        said = f"{_time(cycle.period)} {what}"
        keep_in(ax, style.note(ax, said, (end, ends[0]), (0, 2), ha="center", size=8.5), end)
