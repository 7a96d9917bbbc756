"""The picture of a pass map: shares of good frames, with the closed-form limits over them."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.base.instants import FS_PER_SECOND
from simlink.pictures import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from simlink.studies.pass_map import PassMap


@style.in_our_look
def passmap(found: PassMap, ax: Axes | None = None) -> Axes:
    """Draw where frames come through.

    Parameters
    ----------
    found : PassMap
        A finished map.
    ax : matplotlib Axes, optional
        Where to draw; a new figure's when left out.

    Returns
    -------
    matplotlib Axes
        One-way delay across in seconds, serial clock up in hertz. Dark cells are good; a cell of
        which some frames failed has a cross as well, and one of which all failed is white. Hatched
        delays are those at which no clock keeps every margin in the worst case.
    """
    from matplotlib.colors import LinearSegmentedColormap

    ax = style.axes_for(ax, 8.4, 5.6, left=0.115, right=0.985, bottom=0.105, top=0.81)
    across = np.array(found.delays) / FS_PER_SECOND
    up = np.array([float(clock) for clock in found.clocks])
    plain = LinearSegmentedColormap.from_list("good", ["#ffffff", style.SKY, style.TEAL])
    shades = plain.with_extremes(bad=style.GRID)
    good = np.ma.masked_invalid(found.good)
    look: dict[str, Any] = {"edgecolors": "white", "linewidth": 0.4}
    sides, ends = _edges(across), _edges(up)
    ax.set_ylim(*ends[[0, -1]].tolist())
    mesh = ax.pcolormesh(sides, ends, good, cmap=shades, vmin=0.0, vmax=1.0, **look)
    rows, columns = np.nonzero((found.good > 0) & (found.good < 1))
    if rows.size:
        look = {"color": style.INK, "markersize": 4, "label": "some frames fail"}
        ax.plot(across[columns], up[rows], "x", **look)
    _limit(ax, across, found.highest, "-", "highest clock, worst case")
    _limit(ax, across, found.nominal, "--", "highest clock, nominal")
    _limit(ax, across, found.lowest, "-.", "lowest clock, worst case")
    _never(ax, sides, found.never)
    ax.set_xlim(*sides[[0, -1]].tolist())
    ax.xaxis.set_major_formatter(style.in_units("s"))
    ax.yaxis.set_major_formatter(style.in_units("Hz"))
    ax.set_xlabel("barrier delay, one way")
    ax.set_ylabel("serial clock")
    scheme = found.scenario.link.scheme.replace("_", " ")
    style.entitle(ax, f"Pass region: clock against barrier delay, {scheme}", 46)
    style.figure_of(ax).colorbar(mesh, ax=ax, label="share of good frames", pad=0.02)
    size = style.fitting(ax)
    beside = 3 if size == 1.0 else 2
    if ax.get_legend_handles_labels()[1]:
        style.key_over(ax, left=-0.01, ncols=beside, fontsize=8.5 * size, columnspacing=1.2)
    return ax


def _edges(centres: np.ndarray) -> np.ndarray:
    """Return the edges of cells about some rising centres."""
    if len(centres) == 1:
        return np.array([0.5 * centres[0], 1.5 * centres[0]]) if centres[0] else np.array([0, 1e-9])
    middle = (centres[1:] + centres[:-1]) / 2
    return np.concatenate([[2 * centres[0] - middle[0]], middle, [2 * centres[-1] - middle[-1]]])


def _never(ax: Axes, edges: np.ndarray, never: list[tuple[str, ...]]) -> None:
    """Hatch the delays at which no clock keeps some margin in the worst case."""
    look: dict[str, Any] = {"facecolor": "none", "edgecolor": style.RUST, "hatch": "//"}
    label = "no clock keeps {}, worst case"
    for start, end, names in zip(edges, edges[1:], never, strict=False):
        if names:
            ax.axvspan(start, end, linewidth=0, label=label.format(names[0]), **look)
            # Told once.
            label = "_"


def _limit(
    ax: Axes, across: np.ndarray, limits: list[Fraction | None], dash: str, label: str
) -> None:
    """Draw a limit, and name it in the legend, if any of it lies within the picture."""
    values = np.array([np.nan if value is None else float(value) for value in limits])
    known, (low, high) = values[~np.isnan(values)], ax.get_ylim()
    # Through one point goes no line.
    if known.size < 2 or known.min() > high or known.max() < low:
        return
    ax.plot(across, values, dash, color=style.RUST, linewidth=2.0, label=label)
