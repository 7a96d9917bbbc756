"""A sizing in words: the answer first, then what it rests on."""

from __future__ import annotations

import textwrap
from typing import TYPE_CHECKING

from simlink.base.cautions import CAUTIONS
from simlink.studies.sizing import Point, Verdict

if TYPE_CHECKING:
    from simlink.studies.sizing_result import Sizing

_WIDTH = 78
_UNITS = {
    "cycles": "Independent units: cycles, from one conversion that finds the FIFO empty and the "
    "host idle to the next; nothing else is left to chance than draws that are made anew.",
    "trials": "Independent units: trials, for what is drawn once a unit, or remembered, makes "
    "the conversions of one unit depend on each other.",
    "exact": "Nothing is left to chance, so one unit tells all.",
}


def table(found: Sizing) -> str:
    """Return what was found as text for a terminal.

    Parameters
    ----------
    found : Sizing
        What `simlink.studies.size.size` returned.

    Returns
    -------
    str
        The verdict; the proven bound, or why there is none; a line for each value looked at;
        how the confidence was kept; the cautions. It ends with a line break.
    """
    title = found.scenario.title or found.scenario.name
    head = ["".join(c if c.isprintable() else " " for c in title), _wrapped(found.verdict)]
    head.append(_wrapped(_bound(found)))
    parts = ["\n".join(head), _points(found), _wrapped(_how(found))]
    return (
        "\n\n".join([part for part in parts if part] + [_wrapped(f"Cautions: {CAUTIONS}")]) + "\n"
    )


def _bound(found: Sizing) -> str:
    if found.bound is None:
        return f"No bound can be proven: {found.no_bound}."
    if isinstance(found.bound, int):
        return f"Proven never to underrun: {found.bound} bits."
    bound = found.bound
    return (
        f"Proven never to overrun: depth {bound.depth} (burst {bound.arrivals.burst:.4g} + rate "
        f"{bound.arrivals.rate:.4g}/s x latency {bound.server.latency:.4g} s = {bound.linear:.4g} "
        f"frames)."
    )


def _points(found: Sizing) -> str:
    if not found.points:
        return ""
    name = {"depth": "depth", "release-bits": "bits", "trigger-rate": "rate"}[found.sought]
    rows: list[tuple[str, ...]] = [
        (name, "lost", "low", "high", "lost of sent", "looks", "verdict")
    ]
    rows += [_row(found, point) for point in found.points]
    widths = [max(len(row[i]) for row in rows) for i in range(len(rows[0]))]
    lines = ("  ".join(cell.rjust(w) for cell, w in zip(r, widths, strict=True)) for r in rows)
    return "\n".join(f"  {line}" for line in lines)


def _row(found: Sizing, point: Point) -> tuple[str, ...]:
    seen = point.seen
    at = found.text_of(found.values[point.at])
    if point.verdict is Verdict.PROVEN:
        return at, "0", "", "", "", "", "proven"
    return (
        at,
        f"{seen.share:.2g}" if seen.lost else "none seen",
        f"{point.low:.2g}" if point.low else "",
        "" if point.high is None else f"{point.high:.2g}",
        f"{seen.lost} of {seen.sent:.3g}",
        str(point.looks) if point.looks else "",
        point.verdict.value,
    )


def _how(found: Sizing) -> str:
    said = f"{found.used:.3g} conversions in all, engine {found.engine}, "
    said += f"seed {found.scenario.seed}. {_UNITS[found.units]}"
    if found.units == "exact":
        return said
    return (
        f"{said} The same draws served every value. Low and high are one-sided limits at the "
        f"error spent by the last look: all looks at a value together err at most "
        f"{1 - found.confidence:.2g}, units of the rough search are used for nothing else, and "
        "each step up halves the error that is left."
    )


def _wrapped(text: str) -> str:
    return textwrap.fill(text, _WIDTH, break_on_hyphens=False)
