"""``simlink exposure``: what one common-mode event does to a conversion, by when it begins."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated

from simlink.commands.numbers import whole
from simlink.commands.options import Json, Out, ScenarioPath, Seed, Trial, changed, folder, option
from simlink.commands.results import bar, keep, tell

if TYPE_CHECKING:
    from simlink.studies.exposure import Exposure


def exposure(
    path: ScenarioPath,
    slew: Annotated[
        str | None,
        option(
            "--slew",
            'Of the event, such as "60 kV/us". Left out: as in the first [[transient]].',
            "SLEW",
        ),
    ] = None,
    swing: Annotated[
        str | None,
        option("--swing", 'From end to end, such as "400 V". Left out: likewise.', "VOLTAGE"),
    ] = None,
    steps: Annotated[
        str | None,
        option(
            "--steps",
            "Instants within the trigger period. Left out: so many that no symbol lies between.",
        ),
    ] = None,
    trial: Trial = "0",
    seed: Seed = None,
    out: Out = None,
    json: Json = False,
) -> None:
    """Simulate one common-mode event at each instant of a conversion: what it hits and harms."""
    from simlink.base.safe_write import make_folder
    from simlink.studies.exposure import MOST_STEPS
    from simlink.studies.exposure import exposure as study

    many = whole("--steps", steps, 2, MOST_STEPS)
    number = whole("--trial", trial, 0, 10**7)
    place = folder(out)
    scenario = changed(path, seed)
    if place is not None:
        make_folder(place)
    with bar("instants", total := 1000) as update:

        def progress(done: int, of: int) -> None:
            if update is not None:
                update(done * total / of)

        found = study(scenario, slew=slew, swing=swing, steps=many, trial=number, progress=progress)
    figures = found.to_json()
    if place is not None:
        keep(
            place,
            "exposure",
            found.plot(),
            json=figures.encode(),
            csv=found.moments_table.to_csv(index=False).encode(),
        )
    tell(_text(found), place, figures if json else None)


def _text(found: Exposure) -> str:
    """Return the answer for a terminal."""
    from collections import Counter

    from simlink.base.cautions import CAUTIONS
    from simlink.base.errors import printable
    from simlink.base.wording import short_time
    from simlink.pictures.text import columns, wrapped
    from simlink.studies.exposure import UNHARMED

    title = printable(found.scenario.title or found.scenario.name)
    rows = [("channel", "symbols", "can be hit", "in closed form", "of the period")]
    rows += [
        (
            one.channel,
            str(one.symbols),
            short_time(found.simulated(one.channel)),
            short_time(one.time),
            f"{100 * one.time / found.period:.3g} %",
        )
        for one in found.channels
    ]
    parts = [f"{title}\n{wrapped(found.sentence)}"]
    if found.channels:
        parts.append(columns(rows))
    harms = []
    for number in range(max((len(one.outcomes) for one in found.moments), default=0)):
        counted = Counter(one.outcomes[number] for one in found.moments)
        said = [
            f"{name} for {short_time(found.step * count)}"
            for name, count in sorted(counted.items())
            if name != UNHARMED
        ]
        who = "this conversion" if number == 0 else f"the {number}. after it"
        harms.append((who, "; ".join(said) or "unharmed"))
    parts.append(columns(harms))
    parts.append(
        wrapped(
            f"{len(found.moments)} instants, {short_time(found.step)} apart, each a run of its own "
            f"on the same draws, board {found.trial}, seed {found.scenario.seed}."
        )
    )
    parts.append(wrapped(f"Cautions: {CAUTIONS}"))
    return "\n\n".join(parts) + "\n"
