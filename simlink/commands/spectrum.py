"""``simlink spectrum``: what trigger and isolation cost in SNR, and what the noise is made of."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from simlink.base.errors import InputError
from simlink.commands import options as opt
from simlink.commands.results import about_engine, bar, keep, names_of, prepare, tell


def spectrum(
    path: opt.ScenarioPath,
    seed: opt.Seed = None,
    trials: opt.Trials = None,
    conversions: opt.Conversions = None,
    engine: opt.Engine = "auto",
    lane: Annotated[str, opt.value("The lane of the converter.")] = "0",
    word: Annotated[str, opt.value("Which converter on that lane.")] = "0",
    record: Annotated[
        str | None,
        opt.value(
            "Write the first board's samples as CSV: each as converted and as its host read it.",
            "FILE",
        ),
    ] = None,
    out: opt.Out = None,
    json: opt.Json = False,
) -> None:
    """Compare the channel with the same converter and an ideal trigger: dB, bits, noise, spurs."""
    from simlink.base.safe_write import check_place, write_whole
    from simlink.pictures.spectrum_table import csv, table
    from simlink.studies.spectrum import spectrum as compute

    which = opt.whole("--lane", lane, 0, 63), opt.whole("--word", word, 0, 255)
    place = opt.folder(out)
    if record == "":
        raise InputError("--record", None, '""', "the name of a file")
    scenario = opt.changed(path, seed, trials, conversions)
    about_engine(engine, scenario)
    prepare(place, [*names_of("spectrum", "json"), *names_of("jitter")])
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
