"""Texts side by side: how wide they are, and where they stand so as not to meet."""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.text import Text


def width_of(text: Text) -> float:
    """Return how wide a text is, in pixels."""
    return text.get_window_extent().width


def pixels_across(ax: Axes) -> float:
    """Return how wide an axes' data area is, in pixels."""
    return float(ax.get_window_extent().width)


def spread(
    centres: list[float], widths: list[float], low: float, high: float, gap: float
) -> list[float]:
    """Return the centres of labels side by side, in order, each near where it would like to be.

    Their ``gap`` is the least distance of two; labels too many for the ends run over at ``low``.
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


def keep_in(ax: Axes, text: Text, at: float) -> None:
    """Align a text that is centred on an instant so that it stays over the axes."""
    low, high = ax.get_xlim()
    half = width_of(text) / pixels_across(ax) * (high - low) / 2
    if at + half > high:
        text.set_horizontalalignment("right")
    elif at - half < low:
        text.set_horizontalalignment("left")
