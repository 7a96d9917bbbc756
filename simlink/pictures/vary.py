"""The picture of a study: a line with its interval for one key, a map for two."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.base.wording import percent
from simlink.figures.figure import Figure
from simlink.pictures import style
from simlink.studies.vary import Variation, number_of, unit_of

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: From this ratio of the largest to the least, a positive axis is logarithmic.
_WIDE = 20.0
_UNITS = {"1": "", "s": "s", "words/s": "words/s", "frames": "frames", "triggers": ""}
#: Cells of a map that each get their figure written on them, up to this many.
_FEW_CELLS = 80


@style.in_our_look
def variation(found: Variation, ax: Axes | None = None, figure: str | None = None) -> Axes:
    """Draw a figure against what was varied.

    Parameters
    ----------
    found : Variation
        What `simlink.studies.vary.vary` returned.
    ax : matplotlib Axes, optional
        Where to draw; a new figure's when left out.
    figure : str, optional
        The figure; the study's own when left out.

    Returns
    -------
    matplotlib Axes
        One key: its values across, the figure up, its interval shaded; where no event was seen
        an open triangle stands at the upper bound. Two keys: the first up, the second across,
        the figure as lightness and, on a small map, in each cell; a cell without an event is
        left white, and says in grey below what it is.
    """
    name = figure or found.figure
    ax = style.axes_for(ax, 8.4, 4.8, left=0.12, right=0.975, bottom=0.13, top=0.89)
    if len(found.keys) == 1:
        _line(ax, found, name)
    else:
        _map(ax, found, name)
    style.entitle(ax, f"{_said(name)} against {' and '.join(found.keys)}")
    return ax


def _said(name: str) -> str:
    words = name.replace("_", " ")
    return words[0].upper() + words[1:]


def _line(ax: Axes, found: Variation, name: str) -> None:
    (key, values), figures = next(iter(found.keys.items())), [p.figures[name] for p in found.points]
    values = values[: len(figures)]
    numbers = [number_of(value) for value in values]
    named = any(number is None for number in numbers)
    at = np.arange(len(values)) if named else np.array(numbers, dtype=np.float64)
    ends = ([f.value for f in figures], [f.low for f in figures], [f.high for f in figures])
    # None becomes not a number.
    value, low, high = (np.array(end, dtype=np.float64) for end in ends)
    unseen = np.array([_nothing(f) for f in figures], dtype=np.bool_)
    seen = ~unseen & np.isfinite(value)
    order = np.argsort(at, kind="stable")
    lines = np.where(seen, value, np.nan)[order]
    ax.plot(at[order], lines, "-", color=style.TEAL, lw=1.4, label="_line")
    ax.plot(at[seen], value[seen], "o", color=style.TEAL, ms=5, label=_said(name).lower(), zorder=4)
    confidence = next((f.confidence for f in figures if f.confidence is not None), None)
    inside = seen & np.isfinite(low) & np.isfinite(high)
    if confidence is not None and inside.any():
        least, most = (np.where(inside, end, np.nan)[order] for end in (low, high))
        said = f"{percent(confidence)} interval, over boards"
        ax.fill_between(at[order], least, most, color=style.SKY, alpha=0.55, lw=0, label=said)
        ax.vlines(at[seen], low[seen], high[seen], color=style.TEAL, lw=1.0)
    if unseen.any():
        look: dict[str, Any] = {"color": style.RUST, "markerfacecolor": "white", "ms": 7}
        said = "none seen: below this, by boards"
        ax.plot(at[unseen], high[unseen], "v", label=said, zorder=4, **look)
    _across(ax, key, values, at, named)
    _up(ax, name, figures, np.concatenate([value[seen], high[unseen]]))
    ax.grid(axis="y")
    if len(figures):
        ax.legend(frameon=False, loc="best")


def _nothing(figure: Figure) -> bool:
    return figure.unit == "1" and figure.count == 0


def _across(ax: Axes, key: str, values: list[Any], at: Any, named: bool) -> None:
    from matplotlib.ticker import MaxNLocator, NullLocator

    ax.set_xlabel(key)
    if named:
        ax.set_xticks(at, [str(value) for value in values])
        ax.set_xlim(-0.5, len(at) - 0.5)
        return
    if len(at) > 2 and at.min() > 0 and at.max() >= _WIDE * at.min():
        ax.set_xscale("log")
        if len(at) <= 12:
            ax.set_xticks(at)
        ax.xaxis.set_minor_locator(NullLocator())
    elif all(isinstance(value, int) for value in values):
        ax.xaxis.set_major_locator(MaxNLocator("auto", integer=True))
    unit = unit_of(values[0]) if values else ""
    if unit not in ("", "1"):
        ax.xaxis.set_major_formatter(style.in_units(unit))
    else:
        ax.xaxis.set_major_formatter(lambda value, _: f"{value:g}")


def _up(ax: Axes, name: str, figures: list[Figure], drawn: Any) -> None:
    unit = _UNITS.get(figures[0].unit, figures[0].unit) if figures else ""
    share = bool(figures) and figures[0].unit == "1"
    ax.set_ylabel(f"{_said(name).lower()}{', share' if share else ''}")
    drawn = drawn[np.isfinite(drawn)]
    if len(drawn) and drawn.min() > 0 and drawn.max() >= _WIDE * drawn.min():
        ax.set_yscale("log")
        ax.set_ylim(drawn.min() / 3, drawn.max() * 3)
        style.decades(ax)
        if share:
            return
    if not share:
        ax.yaxis.set_major_formatter(style.in_units(unit))


def _map(ax: Axes, found: Variation, name: str) -> None:
    from matplotlib.colors import LinearSegmentedColormap, LogNorm, Normalize
    from matplotlib.patches import Rectangle

    (down, rows), (across, columns) = found.keys.items()
    cells: list[Figure | None] = [p.figures[name] for p in found.points]
    cells += [None] * (len(rows) * len(columns) - len(cells))
    level = np.array([_level(cell) for cell in cells]).reshape(len(rows), len(columns))
    there = level[np.isfinite(level)]
    wide = len(there) > 0 and there.min() > 0 and there.max() >= _WIDE * there.min()
    limits = (float(there.min()), float(there.max())) if len(there) else (0.0, 1.0)
    norm: Normalize = LogNorm(*limits) if wide else Normalize(*limits)
    # From light to dark evenly, so that a grey printout says the same.
    colours = LinearSegmentedColormap.from_list(
        "teal", ["#f3f7f6", "#8fc1bb", style.TEAL, "#04302c"]
    )
    image = ax.imshow(level, origin="lower", aspect="auto", cmap=colours, norm=norm)
    for number, cell in enumerate(cells):
        if cell is not None and _nothing(cell):
            y, x = divmod(number, len(columns))
            ax.add_patch(Rectangle((x - 0.5, y - 0.5), 1, 1, lw=0, facecolor="white"))
    ax.set_xticks(range(len(columns)), [str(one) for one in columns])
    ax.set_yticks(range(len(rows)), [str(one) for one in rows])
    for axis, many in ((ax.xaxis, len(columns)), (ax.yaxis, len(rows))):
        every = 1 + (many - 1) // 12
        for number, label in enumerate(axis.get_ticklabels()):
            label.set_visible(number % every == 0)
    ax.set_xlabel(across)
    ax.set_ylabel(down)
    style.figure_of(ax).colorbar(image, ax=ax, pad=0.02, label=_said(name).lower())
    if len(cells) > _FEW_CELLS:
        return
    for number, cell in enumerate(cells):
        if cell is None:
            continue
        y, x = divmod(number, len(columns))
        shade = float(norm(level[y, x])) if np.isfinite(level[y, x]) else 0.0
        colour = style.QUIET if _nothing(cell) else "white" if shade > 0.5 else style.INK
        # Of a share of which none was seen, how far it is bounded.
        bound = cell.bounds().split(" of boards")[0] if _nothing(cell) else ""
        # To one digit 0.347 would lie below a scale that begins with it.
        said = bound or cell.text(fewest=2)
        ax.text(x, y, style.proper(said), ha="center", va="center", color=colour, size=8)


def _level(cell: Figure | None) -> float:
    """Return what the lightness of a cell stands for; an upper bound has none."""
    return np.nan if cell is None or cell.value is None or _nothing(cell) else cell.value
