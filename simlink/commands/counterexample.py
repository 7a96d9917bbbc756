"""``simlink counterexample``: draws that break a limit, as a scenario to look at."""

from __future__ import annotations

from typing import Annotated

from simlink.commands import options as opt
from simlink.commands.results import prepare, tell


def counterexample(
    path: opt.ScenarioPath,
    limit: Annotated[
        str,
        opt.value(
            "fifo, early-read, period, acquisition, timeout, setup, hold, first-bit or pulse.",
            "LIMIT",
        ),
    ] = "fifo",
    out: opt.Out = None,
    json: opt.Json = False,
) -> None:
    """Look for draws that break a limit; write the smallest case as a scenario that shows it.

    With --out the folder holds counterexample.toml and the recordings that it replays, for
    run and diagram.
    """
    from simlink.base.json_text import json_text
    from simlink.studies.counterexample import counterexample as search

    place = opt.folder(out)
    scenario = opt.changed(path)
    prepare(place, ["counterexample.toml"])
    found = search(scenario, limit)
    if place is not None and found.found:
        found.save(place)
    figures = {
        "scenario": scenario.title or scenario.name,
        "limit": limit,
        "found": found.found,
        "conversions": found.conversions or None,
        "draws": found.rows,
        "sentence": found.sentence,
    }
    written = place if found.found else None
    tell(f"{found.sentence}\n", written, json_text(figures) if json else None)
