"""``simlink spectrum``: what trigger and isolation cost in SNR, and what the noise is made of."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from simlink.base.errors import InputError
from simlink.commands.numbers import whole
from simlink.commands.options import (
    Conversions,
    Engine,
    Json,
    Out,
    ScenarioPath,
    Seed,
    Trials,
    changed,
    folder,
    option,
)
from simlink.commands.results import about_engine, bar, keep, names_of, tell


def spectrum(
    path: ScenarioPath,
    seed: Seed = None,
    trials: Trials = None,
    conversions: Conversions = None,
    engine: Engine = "auto",
    lane: Annotated[str, option("--lane", "The lane of the converter.")] = "0",
    word: Annotated[str, option("--word", "Which converter on that lane.")] = "0",
    record: Annotated[
        str | None,
        option("--record", "Write the first board's samples as CSV.", "FILE"),
    ] = None,
    out: Out = None,
    json: Json = False,
) -> None:
    """Compare the channel with the same converter and an ideal trigger: dB, bits, noise, spurs."""
    from simlink.base.safe_write import check_place, make_folder, write_whole
    from simlink.pictures.spectrum_table import csv, table
    from simlink.studies.spectrum import spectrum as compute

    which = whole("--lane", lane, 0, 63), whole("--word", word, 0, 255)
    place = folder(out)
    if record == "":
        raise InputError("--record", None, '""', "the name of a file")
    scenario = changed(path, seed, trials, conversions)
    about_engine(engine, scenario)
    if place is not None:
        make_folder(place, [*names_of("spectrum", "json"), *names_of("jitter")])
    if record is not None:
        check_place(Path(record))
    with bar("boards", scenario.trials) as update:
        found = compute(scenario, engine=engine, lane=which[0], position=which[1], progress=update)
    figures = found.to_json()
    if place is not None:
        keep(place, "spectrum", found.plot(), json=figures.encode())
        keep(place, "jitter", found.plot_jitter())
    if record is not None:
        write_whole(Path(record), csv(found).encode())
    tell(table(found), place, figures if json else None)
