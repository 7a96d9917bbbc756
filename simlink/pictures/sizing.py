"""The picture of a sizing: the share lost against the depth, with intervals and the target."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.pictures import style
from simlink.studies.ladder import Point, Verdict

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from simlink.studies.sizing_result import Sizing

# Colour, marker and face of each verdict, and what the key calls it.
_LOOK = {
    Verdict.MEETS: (style.TEAL, "o", style.TEAL, "meets the target"),
    Verdict.EXCEEDS: (style.RUST, "X", style.RUST, "exceeds it"),
    Verdict.OPEN: (style.PLUM, "D", "white", "the budget cannot tell"),
    Verdict.ROUGH: (style.QUIET, ".", "white", "rough search only"),
}
_AXES = {
    "depth": "FIFO depth, frames",
    "release-bits": "release threshold, bits of every lane",
    "trigger-rate": "trigger rate",
}
#: Whole numbers with a tick each, up to this many.
_FEW = 24


@style.in_our_look
def sizing(found: Sizing, ax: Axes | None = None) -> Axes:
    """Draw the share lost against the value that is sized.

    Parameters
    ----------
    found : Sizing
        What `simlink.studies.size.size` returned.
    ax : matplotlib Axes, optional
        Where to draw; a new figure's when left out.

    Returns
    -------
    matplotlib Axes
        The value across, the share of conversions lost up (logarithmic), each with its limits.
        Where nothing was lost only the upper limit is drawn, as a bar with a cap. The target is
        a dashed line, the answer a solid one, a proven bound a dotted one.
    """
    ax = style.axes_for(ax, 8.4, 4.8, left=0.1, right=0.975, bottom=0.115, top=0.8)
    shown = [p for p in found.points if p.verdict in _LOOK and p.seen.sent]
    floor = _floor(found, shown)
    ax.set_yscale("log")
    top = max([found.target, *(p.high or 0.0 for p in shown)])
    ax.set_ylim(floor, min(2.5 * top, 1.5))
    for verdict in _LOOK:
        _points(ax, found, [p for p in shown if p.verdict is verdict], verdict, floor)
    ax.axhline(found.target, color=style.INK, lw=1.4, linestyle=(0, (6, 3)), label="target")
    if found.answer is not None:
        answer = f"answer: {style.proper(found.text_of(found.answer))}"
        ax.axvline(found.answer, color=style.TEAL, lw=1.2, alpha=0.6, label=answer, zorder=1)
    bound = _bound(found)
    if bound is not None:
        said = f"proven to lose nothing: {style.proper(found.text_of(bound))}"
        ax.axvline(bound, color=style.INK, lw=1.4, linestyle=":", label=said)
    _scales(ax, found, shown, bound)
    ax.set_xlabel(_AXES[found.sought])
    ax.set_ylabel(f"{found.figure}, share of conversions")
    figure, axis = found.figure, _AXES[found.sought].partition(",")[0]
    style.entitle(ax, f"{figure[0].upper()}{figure[1:]} against {axis}", 44)
    style.key_over(ax, ncols=3, borderaxespad=0.2, fontsize=9.5 * style.fitting(ax))
    return ax


def _bound(found: Sizing) -> float | None:
    if found.bound is None or isinstance(found.bound, int | float):
        return found.bound
    return found.bound.depth


def _floor(found: Sizing, shown: list[Point]) -> float:
    """Return where the axis ends below: under the target, and under all that was seen."""
    seen = [p.seen.share for p in shown if p.seen.lost]
    ends = [p.high for p in shown if p.high]
    return 0.3 * min([found.target, *seen, *ends])


def _points(ax: Axes, found: Sizing, points: list[Point], verdict: Verdict, floor: float) -> None:
    if not points:
        return
    colour, marker, face, label = _LOOK[verdict]
    at = np.array([found.values[p.at] for p in points], dtype=np.float64)
    low = np.array([max(p.low or 0.0, floor) for p in points])
    high = np.array([1.0 if p.high is None else p.high for p in points])
    value = np.array([p.seen.share for p in points])
    lost = value > 0
    ax.vlines(at, low, high, color=colour, lw=1.3, zorder=3)
    width: dict[str, Any] = {"linestyle": "none", "marker": "_", "markersize": 8}
    ax.plot(at, high, color=colour, zorder=3, label=f"_upper limits, {label}", **width)
    look: dict[str, Any] = {"color": colour, "markerfacecolor": face, "markersize": 7}
    ax.plot(at[lost], value[lost], marker, label=label, zorder=4, **look)
    if not lost.any():
        # The key still has to say what the bars are.
        ax.plot([], [], color=colour, label=f"{label} (upper limits)", **width)


def _scales(ax: Axes, found: Sizing, shown: list[Point], bound: float | None) -> None:
    from matplotlib.ticker import MaxNLocator

    some = [*(found.values[p.at] for p in shown), found.answer, bound]
    values = [float(value) for value in some if value is not None]
    low, high = (min(values), max(values)) if values else (1.0, 2.0)
    whole = found.sought != "trigger-rate"
    room = 0.6 if whole else 0.05 * (high - low) or 0.02 * high
    # A rough search doubles its steps; what it saw far off does not squeeze the rest.
    if whole and low > 0 and high > 8 * low and high > _FEW:
        ax.set_xscale("log", base=2)
        ax.set_xlim(low / 1.15, high * 1.15)
        ax.xaxis.set_major_formatter(lambda value, _: f"{value:g}")
    else:
        ax.set_xlim(low - room, high + room)
        if whole:
            ax.xaxis.set_major_locator(MaxNLocator(_FEW, integer=True))
        else:
            ax.xaxis.set_major_formatter(style.in_units("Hz"))
    style.decades(ax)
    ax.grid(axis="y")
