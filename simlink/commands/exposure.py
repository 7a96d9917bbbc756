"""``simlink exposure``: what one common-mode event does to a conversion, by when it begins."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from simlink.commands.numbers import whole
from simlink.commands.options import Json, Out, ScenarioPath, Seed, Trial, changed, folder, option
from simlink.commands.results import bar, keep, names_of, tell

if TYPE_CHECKING:
    from simlink.studies.exposure import Exposure
    from simlink.studies.exposure_map import ExposureMap


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
    slews: Annotated[
        str | None,
        option(
            "--slews",
            'Instead of one slew a range of them, as a map: "40 kV/us..100 kV/us in 7".',
            "RANGE",
        ),
    ] = None,
    lengths: Annotated[
        str | None,
        option(
            "--lengths",
            "Instead of a swing how long the event upsets, recovery included, over a range, as a "
            'map: "2 ns..40 ns in 8".',
            "RANGE",
        ),
    ] = None,
    immunity: Annotated[
        str | None,
        option(
            "--immunity",
            'Assume this slew immunity in both directions, such as "50 kV/us".',
            "SLEW",
        ),
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
    from simlink.studies.exposing import MOST_STEPS
    from simlink.studies.exposing import exposure as study
    from simlink.studies.exposure_map import exposure_map

    many = whole("--steps", steps, 2, MOST_STEPS)
    number = whole("--trial", trial, 0, 10**7)
    place = folder(out)
    scenario = changed(path, seed)
    name = "exposure" if slews is None and lengths is None else "exposure-map"
    if place is not None:
        make_folder(place, names_of(name, "json", "csv"))
    with bar("instants", total := 1000) as update:

        def progress(done: int, of: int) -> None:
            if update is not None:
                update(done * total / of)

        shared: dict[str, Any] = {
            "slew": slew,
            "swing": swing,
            "immunity": immunity,
            "steps": many,
            "trial": number,
            "progress": progress,
        }
        found: Exposure | ExposureMap
        if name == "exposure":
            found = study(scenario, **shared)
            text = _text(found)
        else:
            found = exposure_map(scenario, slews=slews, lengths=lengths, **shared)
            text = _map_text(found)
    figures = found.to_json()
    if place is not None:
        keep(
            place,
            name,
            found.plot(),
            json=figures.encode(),
            csv=found.moments_table.to_csv(index=False).encode(),
        )
    tell(text, place, figures if json else None)


def _text(found: Exposure) -> str:
    """Return the answer for a terminal."""
    from collections import Counter

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
        who = ("this conversion", "the next one")[number] if number < 2 else f"{number} after it"
        counted = Counter(one.said(number) for one in found.moments)
        kinds = [one for one in sorted(counted) if one != UNHARMED]
        for kind in kinds or [UNHARMED]:
            lasts = short_time(found.step * counted[kind]) if kinds else ""
            harms.append((who if kind == (kinds or [UNHARMED])[0] else "", kind, lasts))
    parts.append(columns(harms))
    parts.append(
        wrapped(
            f"{len(found.moments)} instants, {short_time(found.step)} apart, each on the same "
            f"draws, board {found.trial}, seed {found.scenario.seed}."
        )
    )
    return "\n\n".join([*parts, _cautions()]) + "\n"


def _map_text(found: ExposureMap) -> str:
    """Return a map for a terminal: a row for each slew or length and what it does."""
    from simlink.base.errors import printable
    from simlink.base.instants import FS_PER_SECOND
    from simlink.base.wording import short_time, slew_text
    from simlink.pictures.text import columns, wrapped

    first = found.rows[0]
    title = printable(first.scenario.title or first.scenario.name)
    table = found.table
    kinds = [name for name in table.columns if name.startswith(("this: ", "next_1: "))]
    heads = [("slew", "upsets for", "does harm", "of the period")]
    heads += [
        (
            slew_text(found.rows[place].slew),
            short_time(found.rows[place].length) if found.rows[place].upsets else "-",
            short_time(found.rows[place].harmful),
            f"{100 * share:.3g} %",
        )
        for place, share in enumerate(table["share_of_period"])
    ]
    parts = [f"{title}\n{wrapped(found.sentence)}", columns(heads)]
    for who, prefix in (("this conversion", "this: "), ("the next one", "next_1: ")):
        some = [name for name in kinds if name.startswith(prefix)]
        if not some:
            parts.append(f"{who}: unharmed")
            continue
        cells = [(who, *(name.removeprefix(prefix) for name in some))]
        for place, one in enumerate(found.rows):
            times = (table[name].iloc[place] for name in some)
            lasts = (short_time(round(time * FS_PER_SECOND)) if time else "-" for time in times)
            cells.append((found.named(one), *lasts))
        parts.append(columns(cells))
    parts.append(
        wrapped(
            "Each time: for how long an event may begin so that this becomes of the words, in "
            "steps of the grid. "
            f"Board {first.trial}, seed {first.scenario.seed}."
        )
    )
    return "\n\n".join([*parts, _cautions()]) + "\n"


def _cautions() -> str:
    from simlink.base.cautions import CAUTIONS
    from simlink.pictures.text import wrapped

    return wrapped(f"Cautions: {CAUTIONS}")
