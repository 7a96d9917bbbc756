"""The picture of an exposure over slew or length: this conversion above, the next one below."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from simlink.pictures import style
from simlink.pictures.exposure import finish, framed, outcomes_of
from simlink.studies.exposure import UNHARMED
from simlink.studies.exposure_map import ExposureMap

if TYPE_CHECKING:
    from matplotlib.figure import Figure

#: Inches of a row at the least, and of both panels together.
_ROW, _LEAST = 0.17, 2.4
#: Conversions that are shown, and what they are called.
_SHOWN = ("this conversion", "the next one")


@style.in_our_look
def exposure_map(found: ExposureMap) -> Figure:
    """Draw what becomes of a conversion and of the next, by when an event begins.

    Parameters
    ----------
    found : ExposureMap
        What `simlink.studies.exposure_map.exposure_map` returned.

    Returns
    -------
    matplotlib Figure
        Two panels of one row for each slew or length, the least at the bottom, with bars where an
        event has to begin to do harm.
    """
    order = sorted(found.rows, key=lambda one: one.slew if found.by == "slew" else one.length)
    shown = range(len(_SHOWN))
    kinds = {m.said(n) for one in order for m in one.moments for n in shown} - {UNHARMED}
    ax = framed(kinds, max(_ROW * 2 * (len(order) + 1), _LEAST), left=0.2, right=0.965)
    used: dict[str, Any] = {}
    ticks: list[tuple[float, str]] = []
    for number in shown:
        base = (len(_SHOWN) - 1 - number) * (len(order) + 1)
        for place, one in enumerate(order):
            row = float(base + place)
            outcomes_of(ax, row, one, number, used)
            ticks.append((row, found.named(one)))
        middle = base + (len(order) - 1) / 2
        ax.text(-0.19, middle, _SHOWN[number], rotation=90, va="center", ha="center",
                transform=ax.get_yaxis_transform())  # fmt: skip
    ax.axhline(len(order), color=style.GRID, lw=1.0)
    # Of many rows every other one, or fewer, is named.
    every = -(-len(order) // 14)
    named = [one for place, one in enumerate(ticks) if place % len(order) % every == 0]
    ax.set_yticks([row for row, _ in named], [text for _, text in named], fontsize=8.5)
    ax.set_ylim(-0.8, 2 * len(order) + 0.8)
    first = min(one.moments[0].offset for one in order)
    last = max(one.moments[-1].offset for one in order)
    ax.set_xlabel("beginning of the event, from the trigger")
    by = "its slew" if found.by == "slew" else "how long it upsets"
    finish(ax, first, last, used, f"What becomes of words, by when an event begins and by {by}")
    return style.figure_of(ax)
