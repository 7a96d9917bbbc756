"""Pictures of a run: its latencies, how full its FIFO was, and how its period is filled.

``simlink.plot.latency(run)`` draws on a figure of its own, ``ax.figure``; given ``ax``, it draws
there. No function here opens a window or touches any other drawing.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Protocol

import numpy as np

from simlink.base.instants import FS_PER_SECOND
from simlink.base.wording import Number, short_time
from simlink.figures.cycle import Cycle, Piece, cycles
from simlink.pictures import style
from simlink.scenario.schema import Scenario

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.text import Text
    from matplotlib.transforms import Transform

    from simlink.figures.latencies import Latencies
    from simlink.running.run import Run
__all__ = ["latency", "occupancy", "period"]

_BINS = 90
#: From this ratio of the largest latency to the least, time is drawn on a logarithmic axis.
_WIDE = 8.0
#: The deepest FIFO whose every slot gets a bar and a tick of its own.
_FEW_SLOTS = 24


@dataclass(frozen=True)
class _Series:
    """One latency: how it is called and drawn."""

    name: str
    label: str
    colour: str
    hatch: str
    dash: str
    rail: float


_SERIES = (
    _Series("latency_release", "trigger to release", style.TEAL, "", "-", 0.955),
    _Series("latency_read", "trigger to last bit read", style.SAND, "////", "--", 0.885),
)
# Name, label, marker, and the sign that stands for that marker in the key.
_MARKS = (
    ("median", "median", "o", "○"),
    ("p99", "99 %", "^", "△"),
    ("p999", "99.9 %", "D", "◇"),
    ("largest_seen", "largest seen", "x", "✕"),
)
_COLUMNS = (0.34, 0.50, 0.66, 0.82)


@style.in_our_look
def latency(run: Run, ax: Axes | None = None) -> Axes:
    """Draw how long frames took from trigger to release, and from trigger to last bit read.

    Parameters
    ----------
    run : Run
        A finished run.
    ax : matplotlib Axes, optional
        Where to draw; a new figure's when left out. The key above it takes about 1.1 inches.

    Returns
    -------
    matplotlib Axes
        Time in seconds across, frames a bin up (logarithmic). Each latency has its marks on a
        line of its own above the distributions, at the figures of the run, which the key says.
    """
    if ax is None:
        ax = style.new_axes(8.4, 5.0, left=0.09, right=0.975, bottom=0.11, top=0.755)
    laws = {"latency_release": run.tally.to_release, "latency_read": run.tally.to_read}
    edges = _edges(list(laws.values()))
    highest = 1
    for series in _SERIES:
        highest = max(highest, _distribution(ax, series, laws[series.name], edges))
    _scale(ax, edges, highest)
    for series in _SERIES:
        _marks(ax, series, run)
    _key(ax, run)
    ax.set_title("Latency from the trigger", loc="left", pad=66)
    ax.set_xlabel("time from the trigger")
    ax.set_ylabel("frames in a bin")
    if not run.tally.to_release.count and not run.tally.to_read.count:
        ax.text(0.5, 0.5, "no frame was released", transform=ax.transAxes, ha="center")
    return ax


def _edges(laws: list[Latencies]) -> np.ndarray:
    """Return bin edges in seconds that both latencies share, so that heights compare."""
    least = [law.least for law in laws if law.least is not None]
    largest = [law.largest for law in laws if law.largest is not None]
    if not least or not largest:
        return np.linspace(0.0, 1e-6, _BINS + 1)
    low, high = min(least) / FS_PER_SECOND, max(largest) / FS_PER_SECOND
    if low > 0 and high > _WIDE * low:
        return np.geomspace(low / 1.03, high * 1.03, _BINS + 1)
    room = 0.02 * (high - low) or 0.05 * high or 1e-9
    return np.linspace(max(low - room, 0.0), high + room, _BINS + 1)


def _distribution(ax: Axes, series: _Series, law: Latencies, edges: np.ndarray) -> int:
    """Draw one latency; return its fullest bin."""
    counts = law.counts_in(edges * FS_PER_SECOND)
    ax.stairs(
        np.where(counts > 0, counts, np.nan),
        edges,
        baseline=0.5,
        fill=True,
        facecolor=series.colour,
        edgecolor=style.INK,
        hatch=series.hatch,
        linewidth=0.8,
        linestyle=series.dash,
        alpha=0.85,
        label=series.label,
    )
    return int(counts.max())


def _scale(ax: Axes, edges: np.ndarray, highest: int) -> None:
    from matplotlib.ticker import EngFormatter, LogLocator, MaxNLocator, NullLocator

    ax.set_yscale("log")
    # A bin with a single frame, the rare late one, is still seen; above the fullest bin a sixth
    # of the height is left for the marks.
    ax.set_ylim(0.5, 0.5 * (2.6 * highest) ** (1 / 0.83))
    ax.yaxis.set_major_locator(LogLocator())
    ax.yaxis.set_major_formatter(EngFormatter(sep=""))
    ax.yaxis.set_minor_locator(NullLocator())
    wide = bool(edges[0] > 0 and edges[-1] > _WIDE * edges[0])
    if wide:
        ax.set_xscale("log")
    ax.set_xlim(edges[0], edges[-1])
    decades = np.log10(edges[-1] / edges[0]) if wide else 0
    steps = (1, 2, 5) if decades < 4 else (1,)
    ax.xaxis.set_major_locator(LogLocator(subs=steps) if wide else MaxNLocator(6))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_major_formatter(style.seconds_axis())
    ax.grid(axis="y")


def _marks(ax: Axes, series: _Series, run: Run) -> None:
    """Draw a line from the median to the largest seen, with a mark at each of the figures."""
    values = [run.figures[f"{series.name}_{name}"].value for name, *_ in _MARKS]
    there = [value for value in values if value is not None]
    if not there:
        return
    across = ax.get_xaxis_transform()
    ends = [min(there), max(there)]
    height = [series.rail, series.rail]
    ax.plot(ends, height, series.dash, color=style.INK, lw=1.0, transform=across)
    for (name, _, marker, _), value in zip(_MARKS, values, strict=True):
        if value is None:
            continue
        ax.plot([value, value], [0, series.rail], ":", color=style.QUIET, lw=0.7, transform=across)
        ax.plot(
            [value],
            [series.rail],
            marker,
            color=style.INK,
            markerfacecolor="white",
            markersize=6,
            transform=across,
            label=f"_{series.name}_{name}",
            clip_on=False,
            zorder=5,
        )


def _key(ax: Axes, run: Run) -> None:
    """Write the figures above the axes, where no mark can run through them."""
    from matplotlib.patches import Rectangle
    from matplotlib.transforms import ScaledTranslation

    figure = ax.get_figure(root=True)
    assert figure is not None

    def row(number: int) -> Transform:
        return ax.transAxes + ScaledTranslation(0, (42 - 17 * number) / 72, figure.dpi_scale_trans)

    for place, (_, label, _, sign) in zip(_COLUMNS, _MARKS, strict=True):
        ax.text(place, 1.0, f"{sign} {label}", transform=row(0), color=style.QUIET, size=9)
    for number, series in enumerate(_SERIES, start=1):
        swatch = Rectangle(
            (0.0, 1.0),
            0.028,
            0.025,
            transform=row(number),
            facecolor=series.colour,
            edgecolor=style.INK,
            hatch=series.hatch,
            linestyle=series.dash,
            linewidth=0.8,
            clip_on=False,
        )
        ax.add_patch(swatch)
        ax.text(0.04, 1.0, series.label, transform=row(number))
        for place, (name, *_) in zip(_COLUMNS, _MARKS, strict=True):
            said = style.proper(run.figures[f"{series.name}_{name}"].text())
            ax.text(place, 1.0, said, transform=row(number))


@style.in_our_look
def occupancy(run: Run, ax: Axes | None = None) -> Axes:
    """Draw how many slots of the FIFO an arriving frame found taken.

    Parameters
    ----------
    run : Run
        A finished run.
    ax : matplotlib Axes, optional
        Where to draw; a new figure's when left out.

    Returns
    -------
    matplotlib Axes
        Slots found taken across, share of the arriving frames up (logarithmic). A frame that
        found all of them taken is drawn apart, past the depth.
    """
    if ax is None:
        ax = style.new_axes(8.4, 4.2, left=0.1, right=0.975, bottom=0.125, top=0.79)
    counts = run.tally.filling
    depth, arrived = run.tally.depth, int(counts.sum())
    ax.set_title("What an arriving frame found in the FIFO", loc="left", pad=40)
    ax.set_xlabel("slots found taken")
    ax.set_ylabel("share of the arriving frames")
    taken = np.flatnonzero(counts)
    most = int(taken[-1]) if taken.size else 0
    # A deep FIFO that stays nearly empty is shown up to where it was filled.
    whole = depth <= _FEW_SLOTS or most >= depth // 4
    right = (depth if whole else 2 * most + 4) + 1.0
    ax.set_xlim(-0.7, right)
    _share_axis(ax, arrived, whole and depth <= _FEW_SLOTS, depth)
    if arrived:
        _bars(ax, counts / arrived, depth)
    else:
        ax.text(0.5, 0.5, "no frame arrived", transform=ax.transAxes, ha="center")
    frames = "frame" if arrived == 1 else "frames"
    said = f"{arrived} {frames} arrived; most slots seen taken: {run.tally.fullest} of {depth}"
    ax.text(0, 1.1, said, transform=ax.transAxes, color=style.QUIET)
    if arrived:
        _overruns(ax, run)
    if whole:
        ax.axvline(depth - 0.5, color=style.INK, lw=1.6, linestyle=(0, (5, 2)), label="depth")
        ax.annotate(
            f"depth {depth}",
            (depth - 0.5, 0.95),
            xycoords=ax.get_xaxis_transform(),
            xytext=(-5, 0),
            textcoords="offset points",
            ha="right",
            va="center",
            backgroundcolor="white",
        )
    else:
        said = f"depth {depth} lies beyond  →"
        ax.text(0.99, 0.95, said, transform=ax.transAxes, ha="right", va="center")
    return ax


def _share_axis(ax: Axes, arrived: int, each: bool, depth: int) -> None:
    from matplotlib.ticker import FixedLocator, MaxNLocator, NullLocator

    ax.set_yscale("log")
    # Half of one frame's share is the floor, so that one frame is still seen. Above a share of
    # one there is room for the mark of the depth.
    floor = 0.5 / max(arrived, 1)
    ax.set_ylim(floor, floor * (1 / floor) ** (1 / 0.86))
    lowest = int(np.ceil(np.log10(floor)))
    ax.yaxis.set_major_locator(FixedLocator([10.0**power for power in range(lowest, 1)]))
    ax.yaxis.set_major_formatter(_share_said)
    ax.yaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_major_locator(
        FixedLocator(range(depth + 1)) if each else MaxNLocator("auto", integer=True)
    )
    ax.grid(axis="y")


def _share_said(value: float, _: float) -> str:
    """Write a decade as 0.1 or, if it is small, as a power of ten."""
    if value >= 0.0009:
        return f"{value:g}"
    return f"$\\mathdefault{{10^{{{round(np.log10(value))}}}}}$"


def _bars(ax: Axes, shares: np.ndarray, depth: int) -> None:
    slots = np.flatnonzero(shares)
    fits = slots[slots < depth]
    look: dict[str, Any] = {"width": 0.8, "edgecolor": style.INK, "linewidth": 0.7}
    bottom = ax.get_ylim()[0]
    ax.bar(
        fits, shares[fits] - bottom, bottom=bottom, color=style.SKY, label="found a slot", **look
    )
    if len(shares) == depth + 1 and shares[depth]:
        ax.bar(
            [depth],
            [shares[depth] - bottom],
            bottom=bottom,
            color=style.RUST,
            hatch="xx",
            label="found none",
            **look,
        )


def _overruns(ax: Axes, run: Run) -> None:
    """Write how many frames found no slot, or up to how many may when none was seen to."""
    overrun, depth = run.figures["overrun"], run.tally.depth
    full = int(run.tally.filling[depth]) if len(run.tally.filling) == depth + 1 else 0
    bad = bool(full or overrun.count)
    said = f"{full or 'none'} found no slot; overrun {overrun.text()} of the words"
    if not bad and overrun.high is not None:
        said += " at 95 % confidence, by units"
    colour = style.RUST if bad else style.INK
    ax.text(0, 1.035, said, transform=ax.transAxes, color=colour)


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


class _OfScenario(Protocol):
    """A run, or a study that may be run."""

    @property
    def scenario(self) -> Scenario:
        """What it is of."""


@style.in_our_look
def period(run: _OfScenario | Scenario, ax: Axes | None = None) -> Axes:
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
    if ax is None:
        height = 1.45 + 1.15 * len(found)
        ax = style.new_axes(
            8.4, height, left=0.2, right=0.965, bottom=0.62 / height, top=1 - 0.75 / height
        )
    ax.set_title(
        "How long each side takes for a frame"
        if found[0].period is None
        else "How each side fills the trigger period",
        loc="left",
        pad=26,
    )
    ax.set_xlabel("time for one frame, on average")
    longest = max(_s(max(cycle.mean, cycle.period or 0)) for cycle in found)
    ax.set_xlim(0, longest * 1.03)
    ax.set_ylim(len(found) - 0.35, -0.45)
    ax.set_yticks(range(len(found)), [_side(cycle) for cycle in found], linespacing=1.35)
    ax.tick_params(axis="y", length=0)
    ax.xaxis.set_major_formatter(style.seconds_axis())
    ax.spines["left"].set_visible(False)
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
    at = 0.0
    for piece in cycle.pieces:
        colour, ink = _PIECES.get(piece.name, (style.QUIET, "white"))
        _stretch(ax, row, at, piece, colour)
        said = f"{piece.name}\n{_time(piece.mean)}"
        end = at + _s(piece.mean)
        labels.append(_Label(said, at, end, ink, colour))
        at = end
    slack = cycle.slack
    if slack is not None and slack > 0:
        ax.barh(
            [row],
            [_s(slack)],
            left=[at],
            height=2 * _HALF,
            facecolor="white",
            edgecolor=style.QUIET,
            hatch="///",
            linewidth=0.8,
            label="to spare",
        )
        end = at + _s(slack)
        labels.append(_Label(f"to spare\n{_time(slack)}", at, end, style.INK, "white"))
    elif slack is not None and slack < 0:
        assert cycle.period is not None
        ax.barh(
            [row],
            [_s(-slack)],
            left=[_s(cycle.period)],
            height=2 * _HALF + 0.14,
            facecolor="none",
            edgecolor=style.RUST,
            hatch="xxx",
            linewidth=1.8,
            label="over",
        )
        said = f"too long by\n{_time(-slack)}"
        labels.append(_Label(said, _s(cycle.period), at, style.RUST, "none", inside=False))
    _write(ax, row, labels)


def _stretch(ax: Axes, row: int, start: float, piece: Piece, colour: str) -> None:
    ax.barh(
        [row],
        [_s(piece.mean)],
        left=[start],
        height=2 * _HALF,
        facecolor=colour,
        edgecolor="white",
        linewidth=1.2,
        label=piece.name,
    )


def _write(ax: Axes, row: int, labels: list[_Label]) -> None:
    """Write each label on its stretch if it fits there, else below with a line up to it."""
    low, high = ax.get_xlim()
    across = (high - low) / style.pixels_across(ax)
    below = []
    for label in labels:
        if not label.said:
            continue
        middle = (label.start + label.end) / 2
        text = ax.text(
            middle,
            row,
            label.said,
            ha="center",
            va="center",
            color=label.colour,
            size=8.5,
            linespacing=1.2,
        )
        width = style.width_of(text) * across
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
        below.append((text, middle, style.width_of(text) * across))
    gap = 14 * across
    places = spread([m for _, m, _ in below], [w for _, _, w in below], low, high, gap)
    for (text, middle, _), place in zip(below, places, strict=True):
        text.set_position((place, row + _HALF + 0.17))
        ends = [row + _HALF + (0.07 if text.get_color() == style.RUST else 0), row + _HALF + 0.15]
        ax.plot([middle, place], ends, color=style.QUIET, lw=0.8)


def spread(
    centres: list[float], widths: list[float], low: float, high: float, gap: float
) -> list[float]:
    """Return where to put labels side by side, in order, each near its centre.

    Parameters
    ----------
    centres, widths : list of float
        Where each would like to be, ascending, and how wide it is.
    low, high : float
        Between which ends; labels too many for them run over at `low`.
    gap : float
        The least distance between two of them.

    Returns
    -------
    list of float
        Their centres.
    """
    placed = list(centres)
    edge = low
    for i, width in enumerate(widths):
        placed[i] = max(placed[i], edge + width / 2)
        edge = placed[i] + width / 2 + gap
    edge = high
    for i in reversed(range(len(placed))):
        placed[i] = min(placed[i], edge - widths[i] / 2)
        edge = placed[i] - widths[i] / 2 - gap
    return placed


def _period_lines(ax: Axes, found: list[Cycle], scenario: Scenario) -> None:
    """Draw where the time for one frame ends, once if it is the same for all sides."""
    spans = {cycle.period for cycle in found}
    dash = (0, (6, 2))
    if spans == {None}:
        said = "each trigger waits for the read before it, so there is no period"
        ax.text(0, 1.03, said, transform=ax.transAxes, color=style.QUIET)
        return
    if len(spans) == 1:
        span = found[0].period
        assert span is not None
        said = "mean trigger spacing" if scenario.trigger.pattern == "poisson" else "trigger period"
        end = _s(span)
        ax.axvline(end, color=style.INK, lw=1.6, linestyle=dash, label="period", zorder=4)
        text = ax.annotate(
            f"{said} {_time(span)}",
            (end, 1.0),
            xycoords=ax.get_xaxis_transform(),
            xytext=(0, 5),
            textcoords="offset points",
            ha="center",
        )
        _keep_in(ax, text, end)
        return
    for row, cycle in enumerate(found):
        assert cycle.period is not None
        ends = [row - _HALF - 0.1, row + _HALF + 0.1]
        end = _s(cycle.period)
        ax.plot([end, end], ends, color=style.INK, lw=1.6, linestyle=dash, label="period", zorder=4)
        said = "in a burst" if cycle.side == "converter" else "a frame, all in all"
        text = ax.annotate(
            f"{_time(cycle.period)} {said}",
            (end, ends[0]),
            xytext=(0, 2),
            textcoords="offset points",
            ha="center",
            size=8.5,
        )
        _keep_in(ax, text, end)


def _keep_in(ax: Axes, text: Text, at: float) -> None:
    """Align a text that is centred on an instant so that it stays over the axes."""
    low, high = ax.get_xlim()
    half = style.width_of(text) / style.pixels_across(ax) * (high - low) / 2
    if at + half > high:
        text.set_horizontalalignment("right")
    elif at - half < low:
        text.set_horizontalalignment("left")
