"""``simlink pass-map``: serial clock against barrier delay, simulated."""

from __future__ import annotations

from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from simlink.base.errors import InputError
from simlink.commands import options as opt
from simlink.commands.results import interrupted, keep, names_of, tell

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario
    from simlink.studies.pass_map import PassMap


def pass_map(
    path: opt.ScenarioPath,
    out: Annotated[str, opt.value("Folder for the map and its picture.", "DIR")],
    low: Annotated[str | None, opt.value('Such as "5 MHz".', "CLOCK", "--lowest-clock")] = None,
    high: Annotated[str | None, opt.value('Such as "60 MHz".', "CLOCK", "--highest-clock")] = None,
    longest: Annotated[str | None, opt.value('Such as "30 ns".', "TIME", "--longest-delay")] = None,
    steps: Annotated[str, opt.value("Clocks and delays.")] = "17",
    units: Annotated[str, opt.value("Boards built at each point.", "N", "--trials")] = "4",
    conversions: Annotated[str, opt.value("Conversions of each board.")] = "3",
    on: opt.On = None,
    json: opt.Json = False,
) -> None:
    """Map the share of good frames over serial clock and barrier delay, with its limits."""
    from simlink.base.cautions import CAUTIONS
    from simlink.base.safe_write import make_folder
    from simlink.pictures.pass_map import passmap
    from simlink.studies.pass_map import pass_map as simulate

    many = opt.whole("--steps", steps, 2, 200)
    built = opt.whole("--trials", units, 1, 10**4)
    each = opt.whole("--conversions", conversions, 1, 10**4)
    place = opt.folder(out) or Path()
    scenario = opt.changed(path)
    clocks, delays = _axes(scenario, many, low, high, longest)
    make_folder(place, names_of("pass-map", "json"))
    with opt.where(on, None) as there:
        found = simulate(scenario, clocks, delays, trials=built, conversions=each, **there)
    figures = found.to_json()
    keep(place, "pass-map", passmap(found), json=figures.encode())
    text = f"{_summary(found)}\nResults: {place}\nCautions: {CAUTIONS}\n"
    tell(text, None, figures if json else None)
    if found.interrupted:
        raise interrupted(f"what was finished is in {place}")


def _axes(
    scenario: Scenario, steps: int, low: str | None, high: str | None, longest: str | None
) -> tuple[list[Fraction], list[int]]:
    from simlink.scenario.quantities import parse_duration
    from simlink.studies.pass_map import usual_axes

    clocks, delays = usual_axes(scenario, steps)
    first = _clock("--lowest-clock", low) or clocks[0]
    last = _clock("--highest-clock", high) or clocks[-1]
    if not first < last:
        raise InputError("--highest-clock", None, high, "a clock above the lowest")
    if longest is not None:
        most = parse_duration(longest, "--longest-delay")
        if most <= 0:
            raise InputError("--longest-delay", None, f'"{longest}"', "a duration above zero")
        delays = [round(Fraction(most * i, steps - 1)) for i in range(steps)]
    return (
        [Fraction(round(first + (last - first) * i / (steps - 1))) for i in range(steps)],
        delays,
    )


def _clock(option: str, text: str | None) -> Fraction | None:
    from simlink.scenario.quantities import FREQUENCY, positive, told

    if text is None:
        return None
    with told(option):
        return positive(text, FREQUENCY).value


def _summary(found: PassMap) -> str:
    import numpy as np

    points = int(np.isfinite(found.good).sum())
    good = int((found.good == 1).sum())
    some = int(((found.good > 0) & (found.good < 1)).sum())
    return (
        f"{points} points of {int(found.frames.sum())} frames: all good at {good}, some at {some}, "
        f"none at {points - good - some}; refused at load time: {found.good.size - points}."
    )
