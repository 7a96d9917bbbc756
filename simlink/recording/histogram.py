"""The histogram of a recording of wake-up latencies."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from simlink.base.wording import time_text
from simlink.pictures import style
from simlink.recording.host_latency import summarise

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def format_ns(nanoseconds: float) -> str:
    """Return a time in ns with three digits and the unit that suits it, such as "53.2 us"."""
    return time_text(nanoseconds * 10**6, 3)


# Marks in colours that stay apart, and in dashes of their own.
_MARKS: tuple[tuple[str, str, str, tuple[int, tuple[int, ...]]], ...] = (
    ("median", "median", style.INK, (0, ())),
    ("p99", "99 %", style.TEAL, (0, (6, 2))),
    ("p999", "99.9 %", style.PLUM, (0, (2, 1))),
    ("largest_seen", "largest seen", style.RUST, (0, (6, 2, 1, 2))),
)


@style.in_our_look
def plot_histogram(latencies: NDArray[np.int64], ax: Axes | None = None) -> Axes:
    """Draw how often each latency was seen, with marks at the quantiles.

    Parameters
    ----------
    latencies : ndarray of int64, shape (n,)
        A recording, in ns; n at least 1.
    ax : matplotlib Axes, optional
        Where to draw; a figure of its own when left out (``ax.figure``).

    Returns
    -------
    matplotlib Axes
        Latency in us on a logarithmic axis, wake-ups per bin on another.

    Raises
    ------
    InputError
        If there is no row, more than one axis, or a negative latency.
    """
    from matplotlib.ticker import LogLocator, MaxNLocator, NullLocator

    summary = summarise(latencies)
    ax = ax or style.new_axes(7.5, 4.2, left=0.09, right=0.97, bottom=0.12, top=0.83)
    # A latency of 0 ns has no place on a logarithmic axis; it is drawn as 1 ns.
    microseconds = np.maximum(latencies, 1) / 1e3
    low, high = float(microseconds.min()), float(microseconds.max())
    edges = np.geomspace(low * 0.98, high * 1.02, 61)
    counts, _ = np.histogram(microseconds, edges)
    seen = counts > 0
    ax.bar(
        edges[:-1][seen],
        counts[seen],
        width=np.diff(edges)[seen],
        align="edge",
        color=style.SKY,
        edgecolor="white",
        linewidth=0.4,
        label="_wake-ups",
    )
    for name, label, colour, dash in _MARKS:
        value = getattr(summary, name)
        if value is not None:
            ax.axvline(
                max(value, 1) / 1e3,
                color=colour,
                linestyle=dash,
                linewidth=1.6,
                label=f"{label} {style.proper(format_ns(value))}",
            )
    ax.set_xscale("log")
    ax.set_yscale("log")
    # A bin with a single wake-up, the rare late one, must still be seen.
    ax.set_ylim(0.5, 2 * float(counts.max()))
    title = f"Wake-up latency of this machine, {summary.count} wake-ups"
    ax.set_title(title, loc="left", pad=28)
    ax.set_xlabel("latency (µs)")
    ax.set_ylabel("wake-ups per bin (count)")
    ax.xaxis.set_major_formatter(lambda value, _: f"{value:g}")
    ax.yaxis.set_major_formatter(lambda value, _: f"{value:g}")
    # 1, 2 and 5 of each decade, or round steps where there is less than a decade.
    ax.xaxis.set_major_locator(LogLocator(subs=(1, 2, 5)) if high >= 10 * low else MaxNLocator(6))
    ax.xaxis.set_minor_locator(NullLocator())
    ax.grid(axis="y")
    # Above the axes, where no mark can run through it.
    ax.legend(
        frameon=False,
        loc="lower left",
        bbox_to_anchor=(0, 1),
        borderaxespad=0.2,
        ncols=len(_MARKS),
        columnspacing=1.4,
        fontsize="small",
    )
    return ax
