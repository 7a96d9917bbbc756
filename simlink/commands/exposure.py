"""``simlink exposure``: what one common-mode event does to a conversion, by when it begins."""

from __future__ import annotations

from typing import TYPE_CHECKING, Annotated, Any

from simlink.commands import options as opt
from simlink.commands.results import answer, bar, keep, names_of, prepare, tell

if TYPE_CHECKING:
    from simlink.studies.exposure import Exposure
    from simlink.studies.exposure_map import ExposureMap


def exposure(
    path: opt.ScenarioPath,
    slew: Annotated[
        str | None,
        opt.value(
            'Of the event, such as "60 kV/us". Left out: as in the first [[transient]].', "SLEW"
        ),
    ] = None,
    swing: Annotated[
        str | None, opt.value('From end to end, such as "400 V". Left out: likewise.', "VOLTAGE")
    ] = None,
    slews: Annotated[
        str | None,
        opt.value(
            'Instead of one slew a range of them, as a map: "40 kV/us..100 kV/us in 7".', "RANGE"
        ),
    ] = None,
    lengths: Annotated[
        str | None,
        opt.value(
            "Instead of a swing how long the event upsets, recovery included, over a range, as a "
            'map: "2 ns..40 ns in 8".',
            "RANGE",
        ),
    ] = None,
    immunity: Annotated[
        str | None,
        opt.value('Assume this slew immunity in both directions, such as "50 kV/us".', "SLEW"),
    ] = None,
    steps: Annotated[
        str | None,
        opt.value(
            "Instants within the trigger period. Left out: eight for the shortest stretch in "
            "which a channel can be hit, if that is not too many, and of a number that does not "
            "beat against the serial clock."
        ),
    ] = None,
    trial: opt.Trial = "0",
    seed: opt.Seed = None,
    out: opt.Out = None,
    json: opt.Json = False,
) -> None:
    """Simulate one common-mode event at each instant of a conversion: what it hits and harms."""
    from simlink.studies.exposing import MOST_STEPS
    from simlink.studies.exposing import exposure as study
    from simlink.studies.exposure_map import exposure_map

    many = opt.whole("--steps", steps, 2, MOST_STEPS)
    number = opt.whole("--trial", trial, 0, 10**7)
    place = opt.folder(out)
    scenario = opt.changed(path, seed)
    name = "exposure" if slews is None and lengths is None else "exposure-map"
    prepare(place, names_of(name, "json", "csv"))
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

    from simlink.base.wording import short_time
    from simlink.pictures.text import columns, wrapped
    from simlink.studies.exposure import UNHARMED

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
    parts = [columns(rows)] if found.channels else []
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
            f"draws, board {found.trial}, seed {found.scenario.seed}. {found.sampled}"
        )
    )
    return answer(found.scenario, found.sentence, *parts)


def _map_text(found: ExposureMap) -> str:
    """Return a map for a terminal: a row for each slew or length and what it does."""
    from simlink.base.instants import FS_PER_SECOND
    from simlink.base.wording import short_time, slew_text
    from simlink.pictures.text import columns, wrapped

    first = found.rows[0]
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
    parts = [columns(heads)]
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
    upset = [one for one in found.rows if one.upsets] or found.rows
    steps = [short_time(step(one.step for one in upset)) for step in (min, max)]
    notes = (
        "Each time: for how long an event may begin so that this becomes of the words, in "
        f"steps of {' to '.join(dict.fromkeys(steps))}.",
        next((one.coarse for one in upset if one.coarse), ""),
        f"Board {first.trial}, seed {first.scenario.seed}.",
    )
    parts.append(wrapped(" ".join(note for note in notes if note)))
    return answer(first.scenario, found.sentence, *parts)
