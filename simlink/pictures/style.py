"""The look of the pictures: the same on every machine, on screen and on a grey printout.

A colour never carries a meaning alone: each goes with a hatch, a dash or a mark of its own.
"""

from __future__ import annotations

import io
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from functools import wraps
from typing import TYPE_CHECKING, Any, ParamSpec, TypeVar

from simlink.base.made import MAKER

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.text import Annotation
    from matplotlib.ticker import Formatter

#: The kinds of file that a picture is written as.
KINDS = ("svg", "png")
#: Pixels per inch of a PNG.
DPI = 150

INK = "#22303c"
QUIET = "#6b7882"
GRID = "#dde2e6"

# Colours that stay apart for every kind of colour vision, and differ in lightness.
TEAL = "#0b6e66"
SKY = "#8cc7e8"
SAND = "#ecd9a0"
PLUM = "#8c4a7c"
RUST = "#c2491d"

#: Of ordinary text, in points.
_SIZE = 9.5

_RULES: dict[str, Any] = {
    "font.family": ["DejaVu Sans"],
    "font.size": _SIZE,
    "text.color": INK,
    "axes.edgecolor": QUIET,
    "axes.labelcolor": INK,
    "axes.titlecolor": INK,
    "axes.titlesize": 11,
    "axes.titleweight": "bold",
    "axes.spines.top": False,
    "axes.spines.right": False,
    "axes.axisbelow": True,
    "xtick.color": QUIET,
    "xtick.labelcolor": INK,
    "ytick.color": QUIET,
    "ytick.labelcolor": INK,
    "grid.color": GRID,
    "grid.linewidth": 0.6,
    "hatch.linewidth": 0.7,
    "svg.hashsalt": "simlink",
    "svg.fonttype": "path",
    "pdf.fonttype": 42,
}

#: Holds something while `look` holds.
_within: list[bool] = []

P = ParamSpec("P")
R = TypeVar("R")


@contextmanager
def look() -> Iterator[None]:
    """Draw by the rules of this file alone, whatever the user has set for other drawings."""
    import matplotlib as mpl

    if _within:
        # Checking three hundred rules again takes time.
        yield
        return
    kept = {"backend", "backend_fallback", "interactive", "toolbar", "timezone"}
    rules: Any = {key: value for key, value in mpl.rcParamsDefault.items() if key not in kept}
    rules.update(_RULES)
    with mpl.rc_context(rules):
        _within.append(True)
        try:
            yield
        finally:
            _within.pop()


def in_our_look(draw: Callable[P, R]) -> Callable[P, R]:
    """Make a function draw within `look`."""

    @wraps(draw)
    def drawn(*args: P.args, **kwargs: P.kwargs) -> R:
        with look():
            return draw(*args, **kwargs)

    return drawn


def new_axes(width: float, height: float, **margins: float) -> Axes:
    """Return axes on a figure of their own, of a size in inches, which belongs to no window.

    ``margins``: ``left``, ``right``, ``bottom``, ``top`` of the axes, as shares of the figure.
    """
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure

    figure = Figure(figsize=(width, height), dpi=100)
    FigureCanvasAgg(figure)
    figure.subplots_adjust(**margins)
    return figure.add_subplot()


#: Axes as wide as this, in inches, or wider have room for texts in their full size.
_ROOMY = 6.0
_SMALLEST = 0.72


def axes_for(ax: Axes | None, width: float, height: float, **margins: float) -> Axes:
    """Return the axes given, made to keep within their figure, or axes on a figure of their own.

    A figure of somebody else that lays out nothing itself is made to give every axes the room that
    its title, its key and its labels take.
    """
    if ax is None:
        return new_axes(width, height, **margins)
    figure = figure_of(ax)
    if figure.get_layout_engine() is None and ax.get_subplotspec() is not None:
        figure.set_layout_engine("constrained")
    return ax


def fitting(ax: Axes) -> float:
    """Return the size of texts on some axes, of their full size: smaller on narrow axes."""
    inches = ax.get_window_extent().width / figure_of(ax).dpi
    return float(min(1.0, max(_SMALLEST, inches / _ROOMY)))


def entitle(ax: Axes, title: str, pad: float = 6.0) -> None:
    """Write a title over the left end of some axes, in as many lines as their width asks for.

    ``pad``: points between the axes and the title, on axes of full size.
    """
    from textwrap import fill

    size = fitting(ax)
    if size == 1.0:
        ax.set_title(title, loc="left", pad=pad)
        return
    inches = ax.get_window_extent().width / figure_of(ax).dpi
    ax.set_title(
        fill(title, max(12, int(inches * 10 / size))), loc="left", pad=pad * size, size=12 * size
    )


def write_over(ax: Axes, said: str, line: int, colour: str) -> None:
    """Write a line of text over some axes, the first of them nearest."""
    size = fitting(ax)
    apart = (0.0, (7 + 13 * line) * size)
    note(ax, said, (0.0, 1.0), apart, xycoords="axes fraction", color=colour, size=_SIZE * size)


def note(
    ax: Axes, said: str, at: tuple[float, float], apart: tuple[float, float], **look: Any
) -> Annotation:
    """Write a text so many points to the right of a place and above it."""
    return ax.annotate(said, at, xytext=apart, textcoords="offset points", **look)


def key_over(ax: Axes, *what: Any, left: float = 0.0, **look: Any) -> None:
    """Put the legend over some axes, from a share of their width on."""
    ax.legend(*what, loc="lower left", bbox_to_anchor=(left, 1.0), frameon=False, **look)


def settle(ax: Axes) -> None:
    """Give axes the place that they will have, for what is placed by how wide they are."""
    figure = figure_of(ax)
    if figure.get_layout_engine() is not None:
        figure.draw_without_rendering()


def in_units(unit: str) -> Formatter:
    """Return a formatter of quantities with SI prefixes, such as ``2 µs``.

    A unit that has one already, such as kV/us, takes no other.
    """
    from matplotlib.ticker import EngFormatter, FormatStrFormatter

    if unit == "kV/us":
        return FormatStrFormatter(f"%g {unit}")
    return EngFormatter(unit=unit, sep=" ")


def decades(ax: Axes) -> None:
    """Mark the decades of the height, and nothing between them."""
    from matplotlib.ticker import LogLocator, NullLocator

    ax.yaxis.set_major_locator(LogLocator())
    ax.yaxis.set_minor_locator(NullLocator())


def figure_of(ax: Axes) -> Figure:
    """Return the figure that axes are on."""
    figure = ax.get_figure(root=True)
    assert figure is not None
    return figure


def proper(text: str) -> str:
    """Return a printed quantity with the micro sign in place of the letter u."""
    return text.replace(" us", " µs")


def encode(figure: Figure, kind: str, dpi: int = DPI, text: bool = False) -> bytes:
    """Return a figure as the bytes of a file, the same for the same drawing.

    Parameters
    ----------
    figure : matplotlib Figure
        What to write.
    kind : {"svg", "pdf", "png"}
        SVG and PDF carry no date and no random identifiers; fonts are embedded, as outlines in
        SVG, as TrueType in PDF.
    dpi : int
        Pixels of a PNG an inch.
    text : bool
        Whether the text of an SVG stays text, with its font named and not embedded.
    """
    import matplotlib as mpl

    drawn = io.BytesIO()
    dates = {"svg": ["Date"], "pdf": ["CreationDate", "ModDate"]}.get(kind, [])
    metadata: dict[str, Any] = dict.fromkeys(dates)
    metadata["Software" if kind == "png" else "Creator"] = MAKER
    with look(), mpl.rc_context({"svg.fonttype": "none" if text else "path"}):
        paper = figure.get_facecolor()
        figure.savefig(drawn, format=kind, dpi=dpi, metadata=metadata, facecolor=paper)
    return drawn.getvalue()
