"""Pictures of a run: its latencies, and how full its FIFO was; `period` has one of its own.

``simlink.plot.latency(run)`` draws on a figure of its own, ``ax.figure``; given ``ax``, it draws
there. No function here opens a window or touches any other drawing.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.base.instants import FS_PER_SECOND
from simlink.pictures import style
from simlink.pictures.period import period

if TYPE_CHECKING:
    from matplotlib.axes import Axes
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

    @property
    def look(self) -> dict[str, Any]:
        """How what stands for it is filled and edged."""
        fill = {"facecolor": self.colour, "hatch": self.hatch}
        return {**fill, "edgecolor": style.INK, "linestyle": self.dash, "linewidth": 0.8}


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
_NARROW = (0.37, 0.53, 0.69, 0.85)


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
    ax = style.axes_for(ax, 8.4, 5.0, left=0.09, right=0.975, bottom=0.11, top=0.755)
    laws = {"latency_release": run.tally.to_release, "latency_read": run.tally.to_read}
    edges = _edges(list(laws.values()))
    highest = 1
    for series in _SERIES:
        highest = max(highest, _distribution(ax, series, laws[series.name], edges))
    _scale(ax, edges, highest)
    for series in _SERIES:
        _marks(ax, series, run)
    _key(ax, run)
    style.entitle(ax, "Latency from the trigger", 66)
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
    heights = np.where(counts > 0, counts, np.nan)
    look = {"alpha": 0.85, "label": series.label, **series.look}
    ax.stairs(heights, edges, baseline=0.5, fill=True, **look)
    return int(counts.max())


def _scale(ax: Axes, edges: np.ndarray, highest: int) -> None:
    from matplotlib.ticker import EngFormatter, LogLocator, MaxNLocator, NullLocator

    ax.set_yscale("log")
    # A bin with a single frame, the rare late one, is still seen; above the fullest bin a sixth
    # of the height is left for the marks.
    ax.set_ylim(0.5, 0.5 * (2.6 * highest) ** (1 / 0.83))
    style.decades(ax)
    ax.yaxis.set_major_formatter(EngFormatter(sep=""))
    wide = bool(edges[0] > 0 and edges[-1] > _WIDE * edges[0])
    if wide:
        ax.set_xscale("log")
    ax.set_xlim(edges[0], edges[-1])
    decades = np.log10(edges[-1] / edges[0]) if wide else 0
    steps = (1, 2, 5) if decades < 4 else (1,)
    ax.xaxis.set_major_locator(LogLocator(subs=steps) if wide else MaxNLocator(6))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.xaxis.set_major_formatter(style.in_units("s"))
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
        look: dict[str, Any] = {"color": style.INK, "markerfacecolor": "white", "markersize": 6}
        look |= {"label": f"_{series.name}_{name}", "clip_on": False, "zorder": 5}
        ax.plot([value], [series.rail], marker, transform=across, **look)


def _key(ax: Axes, run: Run) -> None:
    """Write the figures above the axes, where no mark can run through them."""
    from matplotlib.patches import Rectangle
    from matplotlib.transforms import ScaledTranslation

    inches, size = style.figure_of(ax).dpi_scale_trans, style.fitting(ax)
    columns, text = (_COLUMNS, None) if size == 1.0 else (_NARROW, 9 * size)

    def row(number: int) -> Transform:
        return ax.transAxes + ScaledTranslation(0, (42 - 17 * number) * size / 72, inches)

    for place, (_, label, _, sign) in zip(columns, _MARKS, strict=True):
        ax.text(place, 1.0, f"{sign} {label}", transform=row(0), color=style.QUIET, size=9 * size)
    for number, series in enumerate(_SERIES, start=1):
        look = {"transform": row(number), "clip_on": False, **series.look}
        ax.add_patch(Rectangle((0.0, 1.0), 0.028, 0.025, **look))
        ax.text(0.04, 1.0, series.label, transform=row(number), size=text)
        for place, (name, *_) in zip(columns, _MARKS, strict=True):
            said = style.proper(run.figures[f"{series.name}_{name}"].text())
            ax.text(place, 1.0, said, transform=row(number), size=text)


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
    ax = style.axes_for(ax, 8.4, 4.2, left=0.1, right=0.975, bottom=0.125, top=0.79)
    counts = run.tally.filling
    depth, arrived = run.tally.depth, int(counts.sum())
    style.entitle(ax, "FIFO occupancy at arrival", 40)
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
    style.write_over(ax, said, 1, style.QUIET)
    if arrived:
        _overruns(ax, run)
    if whole:
        ax.axvline(depth - 0.5, color=style.INK, lw=1.6, linestyle=(0, (5, 2)), label="depth")
        at, place = (depth - 0.5, 0.95), ax.get_xaxis_transform()
        look: dict[str, Any] = {"ha": "right", "va": "center", "backgroundcolor": "white"}
        style.note(ax, f"depth {depth}", at, (-5, 0), xycoords=place, **look)
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
    bottom = ax.get_ylim()[0]

    def bars(slots: np.ndarray, **look: Any) -> None:
        look |= {"edgecolor": style.INK, "linewidth": 0.7}
        ax.bar(slots, shares[slots] - bottom, bottom=bottom, width=0.8, **look)

    slots = np.flatnonzero(shares)
    bars(slots[slots < depth], color=style.SKY, label="found a slot")
    if len(shares) == depth + 1 and shares[depth]:
        bars(np.array([depth]), color=style.RUST, hatch="xx", label="found none")


def _overruns(ax: Axes, run: Run) -> None:
    """Write how many frames found no slot, or up to how many may when none was seen to."""
    overrun, depth = run.figures["overrun"], run.tally.depth
    full = int(run.tally.filling[depth]) if len(run.tally.filling) == depth + 1 else 0
    bad = bool(full or overrun.count)
    said = f"{full or 'none'} found no slot; overrun "
    if bad:
        said += f"{overrun.text()} of the words"
    elif overrun.high is not None:
        said += f"{overrun.bounds().split(';')[0]} at 95 % confidence"
    colour = style.RUST if bad else style.INK
    style.write_over(ax, said, 0, colour)
