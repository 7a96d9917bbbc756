"""The picture of a budget: the terms stacked along the capture interval, and what is left."""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from simlink.base.instants import FS_PER_SECOND
from simlink.base.wording import clock_limit, short_time
from simlink.pictures import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

    from simlink.budget import Budget, SchemeBudget

#: How each group of terms is drawn: what the name of a term begins with, label, colour, hatch.
_LOOKS = (
    (
        ("forward delay", "forward part-to-part skew", "forward crossing", "clock channel"),
        "clock across",
        style.TEAL,
        "",
    ),
    (("data valid",), "data valid", style.SAND, ""),
    (("return delay", "return part-to-part skew", "return crossing"), "data back", style.SKY, ""),
    (("lane", "returned clock skew", "strobe", "difference of return"), "skew", style.PLUM, "...."),
    (
        ("forward distortion", "return distortion", "difference of forward"),
        "distortion",
        style.SAND,
        "////",
    ),
    (("jitter",), "jitter", style.SKY, "xxxx"),
    (("host setup", "remote master setup"), "setup", style.QUIET, "\\\\\\\\"),
)
#: The rim of a bar, and how what is missing is drawn.
_RIM: dict[str, Any] = {"edgecolor": style.INK, "linewidth": 0.7}
_MISSING: dict[str, Any] = {"edgecolor": style.RUST, "hatch": "||||"}
_ROW = 1.0
_BAR = 0.34


@dataclass(frozen=True)
class _Block:
    """Terms of one kind: what they take together, in fs."""

    label: str
    colour: str
    hatch: str
    taken: Fraction | float


def _blocks(one: SchemeBudget, worst: bool) -> list[_Block]:
    setup = one.margin("setup")
    found = []
    for names, label, colour, hatch in _LOOKS:
        terms = [term for term in setup.terms if term.name.startswith(names)]
        ends = (term.worst if worst else term.nominal for term in terms)
        total: Fraction | float = sum(ends, Fraction(0))
        if label == "jitter" and worst:
            total = total + setup.random(one.ber)
        if total != 0:
            found.append(_Block(label, colour, hatch, total))
    return found


@style.in_our_look
def budget(found: Budget) -> Figure:
    """Draw the setup chain of each scheme along its capture interval.

    Parameters
    ----------
    found : Budget
        The three schemes on a scenario's parts.

    Returns
    -------
    matplotlib Figure
        Time across, in seconds, from the launching edge. Each scheme has a bar at the means and
        one of the worst case, a heavy line where the capture edge of the scenario's own clock
        lies, and what is left or missing up to it. A term without a bound is drawn up to the
        edge of the picture and said so.
    """
    from matplotlib.patches import Patch

    ax = style.new_axes(9.6, 5.6, left=0.135, right=0.975, bottom=0.1, top=0.76)
    edges = {
        name: float(one.margin("setup").interval(one.clock)) / FS_PER_SECOND
        for name, one in found.items()
    }
    longest = max([_longest(one) for one in found.values()] + list(edges.values()))
    used: dict[str, Any] = {}
    for row, one in enumerate(found.values()):
        _scheme(ax, one, row * _ROW, edges[one.scheme], longest, used)
    ax.set_xlim(0, 1.16 * longest)
    ax.set_ylim(2.62 * _ROW, -0.62 * _ROW)
    ax.set_yticks(
        [row * _ROW for row in range(len(found))],
        [one.name.replace(" ", "\n") + f"\n{clock_limit(one.clock)}" for one in found.values()],
    )
    ax.tick_params(axis="y", length=0)
    ax.xaxis.set_major_formatter(style.in_units("s"))
    ax.grid(axis="x")
    ax.set_xlabel("time from the edge that launches a bit")
    ax.set_title("Setup budget", loc="left", pad=66)
    said = f"upper bar: at the means; lower bar: worst case, jitter at {found.ber:g}"
    ax.text(0, 1.155, said, transform=ax.transAxes, color=style.QUIET)
    handles = [
        Patch(facecolor=colour, hatch=hatch, label=label, **_RIM)
        for _, label, colour, hatch in _LOOKS
        if label in used
    ]
    handles += [
        Patch(facecolor="white", edgecolor=style.INK, linestyle=":", label="left"),
        Patch(facecolor="white", label="missing", **_MISSING),
    ]
    look = {"ncols": 5, "fontsize": 9, "columnspacing": 1.2, "handlelength": 1.8}
    style.key_over(ax, left=-0.01, handles=handles, **look)
    return style.figure_of(ax)


def _longest(one: SchemeBudget) -> float:
    """Return where the longest bar of a scheme ends, in seconds."""
    both = ([b.taken for b in _blocks(one, worst)] for worst in (False, True))
    ends = (math.fsum(end for end in taken if not math.isinf(end)) for taken in both)
    return max(ends) / FS_PER_SECOND


def _scheme(
    ax: Axes, one: SchemeBudget, at: float, edge: float, longest: float, used: dict[str, Any]
) -> None:
    setup = one.margin("setup")
    for worst, y in ((False, at - 0.2), (True, at + 0.2)):
        begin, which = 0.0, "worst" if worst else "nominal"
        blocks = _blocks(one, worst)
        endless = any(math.isinf(block.taken) for block in blocks)
        for block in blocks:
            if math.isinf(block.taken):
                continue
            used[block.label] = True
            width = float(block.taken) / FS_PER_SECOND
            look: dict[str, Any] = {"facecolor": block.colour, "hatch": block.hatch, **_RIM}
            ax.barh(y, width, _BAR, begin, label=f"_{one.scheme} {block.label} {which}", **look)
            begin += width
        if endless:
            ax.text(begin + 0.01 * longest, y, "no bound  →", va="center", fontsize=8.5)
            continue
        low, high = min(begin, edge), max(begin, edge)
        kept = begin <= edge
        look = {"edgecolor": style.INK, "linestyle": ":"} if kept else _MISSING
        name = f"_{one.scheme} {which} rest"
        ax.barh(y, high - low, _BAR, low, facecolor="none", linewidth=1.0, label=name, **look)
        left = setup.left_at_worst(one.clock, one.ber) if worst else setup.left(one.clock)
        said = f"{short_time(left if kept else -left)} {'left' if kept else 'missing'}"
        ax.text(high + 0.012 * longest, y, style.proper(said), va="center", fontsize=8.5)
    look = {"color": style.INK, "linewidth": 2.2, "solid_capstyle": "butt"}
    ax.plot([edge, edge], [at - 0.44, at + 0.44], label=f"_{one.scheme} capture", **look)
