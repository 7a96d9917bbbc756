"""``simlink loss``: how often the FIFO overruns, however rare."""

from __future__ import annotations

import sys
from decimal import ROUND_DOWN, ROUND_UP
from typing import TYPE_CHECKING, Annotated

from simlink.commands import options as opt
from simlink.commands.results import answer, prepare, say, tell

if TYPE_CHECKING:
    from pathlib import Path

    from simlink.rare.exact import Loss
    from simlink.rare.splitting import SplitLoss
    from simlink.studies.loss import LossStudy


def loss(
    path: opt.ScenarioPath,
    width: Annotated[
        str, opt.value("How far apart proven bounds may be, as a share.", "SHARE")
    ] = "0.1",
    error: Annotated[
        str, opt.value("Half the interval of an estimate, as a share.", "SHARE", "--relative-error")
    ] = "0.2",
    conversions: Annotated[
        str | None, opt.value("Of so many conversions from an empty FIFO; else the long run.")
    ] = None,
    workers: opt.Workers = None,
    on: opt.On = None,
    out: opt.Out = None,
    json: opt.Json = False,
) -> None:
    """Say how often the FIFO overruns, down to 1e-12 and below: share, per hour, how long.

    Computed between proven bounds where a chain can follow the FIFO, else by importance splitting.
    """
    import os

    from simlink.studies.loss import loss as compute

    wanted, enough = opt.share("--width", width), opt.share("--relative-error", error)
    many = opt.whole("--conversions", conversions, 1, 10**12)
    place = opt.folder(out)
    scenario = opt.changed(path)
    prepare(place, ["loss.json"])
    with opt.where(on, workers) as there:
        there["workers"] = there["workers"] or os.cpu_count() or 1
        found = compute(
            scenario, width=wanted, error=enough, conversions=many, progress=_say, report=say,
            **there,
        )  # fmt: skip
    tell_loss(found, wanted, enough, place, json)


def tell_loss(found: LossStudy, width: float, error: float, place: Path | None, json: bool) -> None:
    """Print what was found, and keep it in a folder that is there."""
    from simlink.base.safe_write import write_set

    figures = found.to_json()
    if place is not None:
        write_set(place, {"loss.json": figures.encode()})
    tell(_text(found, width, error), place, figures if json else None)


def _say(found: Loss | SplitLoss) -> None:
    from simlink.base.wording import many

    if not sys.stderr.isatty():
        return
    if found.low is None or found.high is None:
        said = "nothing lost yet"
    else:
        from simlink.base.wording import at_least, at_most

        said = f"between {at_least(found.low)} and {at_most(found.high)}"
    steps = getattr(found, "steps", None)
    done = f"{steps} steps a trigger period"
    if steps is None:
        done = many(found.rounds, "round")  # type: ignore[union-attr]
    say(f"{done}: {said}")


def _text(found: LossStudy, width: float, error: float) -> str:
    """Return the answer for a terminal."""
    from simlink.base.wording import percent
    from simlink.pictures.text import columns, wrapped
    from simlink.rare.exact import Loss
    from simlink.studies.loss import duration

    loss = found.loss
    ends = "proven" if isinstance(loss, Loss) else percent(loss.confidence)
    sooner, later = found.between_ends
    rows = [
        _row("share of triggers", loss.value, loss.low, loss.high),
        _row("share of words", loss.value, loss.low, loss.high),
        _row("words an hour", *found.per_hour),
        (
            "mean time between losses",
            "-" if found.between is None else duration(found.between),
            f"{'-' if sooner is None else duration(sooner, ROUND_DOWN)} to "
            f"{'no end' if later is None else duration(later, ROUND_UP)}",
        ),
    ]
    if found.is_vague:
        rows = [(name, "-", bounds) for name, _, bounds in rows]
    table = columns([("", "value", ends), *rows])
    how = wrapped(" ".join(_method(found, width, error)))
    return answer(found.scenario, found.sentence, table, how)


def _row(
    name: str, value: float | None, low: float | None, high: float | None
) -> tuple[str, str, str]:
    """Return a row of the table; a value that is not known is a dash."""
    from simlink.base.wording import at_least, at_most, share

    if low is None or high is None:
        return name, "-", "-"
    between = f"{at_least(low)} to {at_most(high)}"
    return name, "-" if value is None else share(value, 3), between


def _method(found: LossStudy, width: float, error: float) -> list[str]:
    """Return how the answer was come to, and what limits it."""
    from simlink.base.wording import count, many, percent
    from simlink.rare.exact import Loss
    from simlink.studies.loss import PlainLoss

    loss = found.loss
    if found.method == "proof":
        return [f"Nothing is simulated: {found.why}."]
    if isinstance(loss, PlainLoss):
        said = [
            f"Run plainly, for {found.why}: {many(loss.trials, 'board')} of "
            f"{count(loss.conversions)} conversions."
        ]
        if not loss.value or (loss.high or 0) - (loss.low or 0) > 2 * error * loss.value:
            said.append("The interval is wider than asked for.")
        return said
    if isinstance(loss, Loss):
        said = [
            f"Followed without simulation for {count(loss.arrivals)} triggers on a grid of "
            f"{loss.steps} steps a trigger period: {found.why}."
        ]
        if loss.low and loss.high > loss.low * (1 + width):
            apart = percent(loss.high / loss.low - 1)
            said.append(f"The bounds are {apart} apart: a finer grid would take too long.")
        return said
    plan = loss.plan
    over = f"conversions {plan.warm + 1} to {plan.warm + plan.span}"
    said = [
        f"Estimated by importance splitting, for {found.why}: {many(loss.rounds, 'round')} of "
        f"{many(len(plan.levels), 'level')}, {count(plan.branches)} branches a level, over {over} "
        "of runs from an empty FIFO."
    ]
    if loss.error > error:
        said.append(f"The interval is wider than asked for after {many(loss.rounds, 'round')}.")
    if loss.rows_only:
        which = " and ".join(loss.rows_only)
        said.append(
            f"A recording is replayed in order: of {which} only the row at the start is drawn, so "
            "that branches do not differ in it, and a loss that the recording alone brings about "
            "is no better seen than by a plain run of as many boards."
        )
    return said
