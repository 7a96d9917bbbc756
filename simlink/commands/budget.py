"""``simlink budget``: the three clocking schemes on a scenario's parts, in closed form."""

from __future__ import annotations

from typing import Annotated

from simlink.commands import options as opt
from simlink.commands.results import keep, names_of, tell


def budget(
    path: opt.ScenarioPath,
    json: opt.Json = False,
    out: opt.Out = None,
    ber: Annotated[str, opt.value("Bit-error ratio that jitter counts at.", "RATIO")] = "1e-12",
    units: Annotated[str, opt.value("Boards for the yield.", "N", "--trials")] = "1000",
) -> None:
    """Compare the clocking schemes: margins, highest clock and rate, latency, signals, yield."""
    from simlink.base.safe_write import check_place, make_folder
    from simlink.budget import budget as make
    from simlink.pictures.budget import budget as draw
    from simlink.pictures.budget_table import table

    ratio = opt.share("--ber", ber, most=0.5)
    count = opt.whole("--trials", units, 1, 10**6)
    place = opt.folder(out)
    scenario = opt.changed(path)
    if place is not None:
        for name in names_of("budget", "json"):
            check_place(place / name)
    found = make(scenario, ber=ratio, trials=count)
    text, figures = table(found), found.to_json()
    if place is not None:
        figure = draw(found)
        make_folder(place)
        keep(place, "budget", figure, json=figures.encode())
    tell(text, place, figures if json else None)
