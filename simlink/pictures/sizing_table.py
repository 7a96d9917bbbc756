"""A sizing in words: the answer first, then what it rests on."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simlink.base.cautions import CAUTIONS
from simlink.base.errors import printable
from simlink.base.wording import count, many, number, quantity, share
from simlink.pictures.text import columns, wrapped
from simlink.studies.ladder import Point, Verdict

if TYPE_CHECKING:
    from simlink.studies.sizing_result import Sizing

_UNITS = {
    "cycles": "Independent units: cycles, from one conversion that finds the FIFO empty and the "
    "host idle to the next; nothing else is left to chance than draws that are made anew.",
    "trials": "Independent units: trials, for what is drawn once a board, or remembered, makes "
    "the conversions of one board depend on each other.",
    "exact": "Nothing is left to chance, so one board tells all.",
}
_MORE = {
    "depth": "A smaller depth",
    "release-bits": "A smaller threshold",
    "trigger-rate": "A higher rate",
}
#: What counts where a rate is sized.
_LOSS = (
    "Loss: overruns, missed triggers, words read early, captured wrong or never received, and "
    "acquisitions cut short. Rates are tried in steps of 2 %, rounded down to four digits, from "
    "the highest that the cycles of converter, line and host allow."
)


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
    head = [printable(title), wrapped(found.verdict)]
    head.append(wrapped(_bound(found)))
    if found.sought == "trigger-rate":
        head.append(wrapped(_LOSS))
    parts = ["\n".join(head), _points(found), wrapped(_how(found))]
    return "\n\n".join([part for part in parts if part] + [wrapped(f"Cautions: {CAUTIONS}")]) + "\n"


def _bound(found: Sizing) -> str:
    if found.bound is None:
        return f"No bound can be proven: {found.no_bound}."
    if isinstance(found.bound, int):
        return f"Proven never to underrun: {many(found.bound, 'bit')}."
    if isinstance(found.bound, float):
        return f"Proven to lose nothing: {found.text_of(found.bound)}."
    bound = found.bound
    return (
        f"Proven never to overrun: depth {bound.depth} (burst {number(bound.arrivals.burst)} + "
        f"rate {number(bound.arrivals.rate)}/s x latency {quantity(bound.server.latency, 's')} = "
        f"{number(bound.linear)} frames)."
    )


def _points(found: Sizing) -> str:
    if not found.points:
        return ""
    name = {"depth": "depth", "release-bits": "bits", "trigger-rate": "rate"}[found.sought]
    rows: list[tuple[str, ...]] = [
        (name, "lost", "low", "high", "lost of sent", "looks", "verdict")
    ]
    rows += [_row(found, point) for point in found.points]
    return columns(rows, right=True)


def _row(found: Sizing, point: Point) -> tuple[str, ...]:
    seen = point.seen
    at = found.text_of(found.values[point.at])
    if point.verdict is Verdict.PROVEN:
        return at, "0", "", "", "", "", "proven"
    return (
        at,
        share(seen.share) if seen.lost else "none seen",
        share(point.low) if point.low else "",
        "" if point.high is None else share(point.high),
        f"{seen.lost} of {count(seen.sent)}",
        str(point.looks) if point.looks else "",
        point.verdict.value,
    )


def _how(found: Sizing) -> str:
    if not found.used:
        if found.settled:
            return "Nothing was simulated."
        return (
            f"Nothing was simulated. {_MORE[found.sought]} that meets the target, though not "
            "proven, is searched for by simulation with --beyond-proof (beyond_proof=True)."
        )
    said = f"{count(found.used)} conversions in all, engine {found.engine}, "
    said += f"seed {found.scenario.seed}. {_UNITS[found.units]}"
    if found.units == "exact":
        return said
    return (
        f"{said} The same draws served every value. Low and high are one-sided limits at the "
        f"error spent by the last look: all looks at a value together err at most "
        f"{share(1 - found.confidence)}, units of the rough search are used for nothing else, and "
        "each step up halves the error that is left."
    )
