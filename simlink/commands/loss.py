"""``simlink loss``: how often the FIFO overruns, however rare, without simulation."""

from __future__ import annotations

import sys
from typing import TYPE_CHECKING, Annotated

from simlink.commands.numbers import share, whole
from simlink.commands.options import Json, Out, ScenarioPath, changed, folder, option
from simlink.commands.results import tell

if TYPE_CHECKING:
    from simlink.rare.exact import Loss
    from simlink.studies.loss import LossStudy


def loss(
    path: ScenarioPath,
    width: Annotated[
        str,
        option("--width", "How far apart the proven bounds may be, as a share.", "SHARE"),
    ] = "0.1",
    conversions: Annotated[
        str | None,
        option("--conversions", "Of so many conversions from an empty FIFO; else the long run."),
    ] = None,
    out: Out = None,
    json: Json = False,
) -> None:
    """Compute how often the FIFO overruns, down to 1e-12 and below: share, per hour, how long."""
    from simlink.base.safe_write import make_folder, write_set
    from simlink.studies.loss import loss as compute

    wanted = share("--width", width)
    many = whole("--conversions", conversions, 1, 10**12)
    place = folder(out)
    scenario = changed(path)
    if place is not None:
        make_folder(place)
    found = compute(scenario, width=wanted, conversions=many, progress=_say)
    figures = found.to_json()
    if place is not None:
        write_set(place, {"loss.json": figures.encode()})
    tell(_text(found, wanted), place, figures if json else None)


def _say(found: Loss) -> None:
    if sys.stderr.isatty():
        said = f"between {found.low:.3g} and {found.high:.3g}"
        print(f"simlink: {found.steps} steps a trigger period: {said}", file=sys.stderr)


def _text(found: LossStudy, width: float) -> str:
    """Return the answer for a terminal."""
    from simlink.base.cautions import CAUTIONS
    from simlink.base.errors import printable
    from simlink.base.wording import count, percent
    from simlink.pictures.text import columns, wrapped

    value, low, high = found.per_hour
    loss = found.loss
    rows = [
        ("", "value", "proven"),
        ("share of triggers", f"{loss.value:.3g}", f"{loss.low:.3g} to {loss.high:.3g}"),
        ("words an hour", f"{value:.3g}", f"{low:.3g} to {high:.3g}"),
    ]
    rest = [
        f"Followed without simulation for {count(loss.arrivals)} triggers on a grid of "
        f"{loss.steps} steps a trigger period."
    ]
    if loss.low and loss.high > loss.low * (1 + width):
        apart = percent(loss.high / loss.low - 1)
        rest.append(f"The bounds are {apart} apart: a finer grid would take too long.")
    title = printable(found.scenario.title or found.scenario.name)
    parts = [
        f"{title}\n{wrapped(found.sentence)}",
        columns(rows),
        wrapped(" ".join(rest)),
        wrapped(f"Cautions: {CAUTIONS}"),
    ]
    return "\n\n".join(parts) + "\n"
