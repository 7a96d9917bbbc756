"""``simlink pass-map``: serial clock against barrier delay, simulated."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from fractions import Fraction

    from simlink.scenario.schema import Scenario
    from simlink.studies.pass_map import PassMap


def pass_map(
    path: Annotated[Path, typer.Argument(help="The scenario.", metavar="SCENARIO")],
    out: Annotated[
        str, typer.Option("--out", help="Folder for the map and its picture.", metavar="DIR")
    ],
    low: Annotated[
        str | None, typer.Option("--lowest-clock", help='Such as "5 MHz".', show_default=False)
    ] = None,
    high: Annotated[
        str | None, typer.Option("--highest-clock", help='Such as "60 MHz".', show_default=False)
    ] = None,
    longest: Annotated[
        str | None, typer.Option("--longest-delay", help='Such as "30 ns".', show_default=False)
    ] = None,
    steps: Annotated[str, typer.Option("--steps", help="Clocks and delays.", metavar="N")] = "17",
    units: Annotated[
        str, typer.Option("--units", help="Units built at each point.", metavar="N")
    ] = "4",
    conversions: Annotated[
        str, typer.Option("--conversions", help="Conversions of each unit.", metavar="N")
    ] = "3",
    json: Annotated[
        bool, typer.Option("--json", help="Print the map as JSON, and nothing else.")
    ] = False,
) -> None:
    """Map the share of good frames over serial clock and barrier delay, with its limits."""
    import sys

    from simlink.base.cautions import CAUTIONS
    from simlink.base.errors import InputError
    from simlink.base.interrupts import status
    from simlink.base.safe_write import make_folder
    from simlink.scenario.loading import load
    from simlink.studies.pass_map import pass_map as simulate

    many = _count("--steps", steps, 2, 200)
    built = _count("--units", units, 1, 10**4)
    each = _count("--conversions", conversions, 1, 10**4)
    if out == "":
        raise InputError("--out", None, '""', "the name of a folder")
    scenario = load(path)
    clocks, delays = _axes(scenario, many, low, high, longest)
    make_folder(Path(out))
    tell = sys.stderr if json else sys.stdout
    found = simulate(scenario, clocks, delays, units=built, conversions=each)
    _write(found, Path(out))
    print(_summary(found), file=tell)
    print(f"Results: {out}", file=tell)
    print(f"Cautions: {CAUTIONS}", file=tell)
    if json:
        print(found.to_json(), end="")
    if found.interrupted:
        print(f"simlink: interrupted: what was finished is in {out}", file=sys.stderr)
        raise typer.Exit(status())


def _axes(
    scenario: Scenario, steps: int, low: str | None, high: str | None, longest: str | None
) -> tuple[list[Fraction], list[int]]:
    from fractions import Fraction

    from simlink.base.errors import InputError
    from simlink.scenario.quantities import parse_duration
    from simlink.studies.pass_map import usual_axes

    clocks, delays = usual_axes(scenario, steps)
    first = _clock("--lowest-clock", low) or clocks[0]
    last = _clock("--highest-clock", high) or clocks[-1]
    if not first < last:
        raise InputError("--highest-clock", None, high, "a clock above the lowest")
    most = delays[-1]
    if longest is not None:
        most = parse_duration(longest, "--longest-delay")
        if most <= 0:
            raise InputError("--longest-delay", None, f'"{longest}"', "a duration above zero")
    return (
        [Fraction(round(first + (last - first) * i / (steps - 1))) for i in range(steps)],
        [round(Fraction(most * i, steps - 1)) for i in range(steps)],
    )


def _clock(option: str, text: str | None) -> Fraction | None:
    from simlink.base.errors import InputError
    from simlink.scenario.faults import FaultError
    from simlink.scenario.quantities import FREQUENCY, positive

    if text is None:
        return None
    try:
        return positive(text, FREQUENCY).value
    except FaultError as error:
        raise InputError(option, None, error.fault.found, error.fault.allowed) from None


def _count(option: str, text: str, low: int, high: int) -> int:
    import re

    from simlink.base.errors import InputError

    if not re.fullmatch(r"[0-9]{1,9}", text) or not low <= int(text) <= high:
        raise InputError(option, None, f'"{text}"', f"a whole number from {low} to {high}")
    return int(text)


def _write(found: PassMap, folder: Path) -> None:
    from simlink.base.safe_write import write_set
    from simlink.pictures import style
    from simlink.pictures.pass_map import passmap

    figure = passmap(found).get_figure(root=True)
    assert figure is not None
    files = {"pass-map.json": found.to_json().encode()}
    write_set(
        folder, files | {f"pass-map.{kind}": style.encode(figure, kind) for kind in style.KINDS}
    )


def _summary(found: PassMap) -> str:
    import numpy as np

    points = int(np.isfinite(found.good).sum())
    good = int((found.good == 1).sum())
    some = int(((found.good > 0) & (found.good < 1)).sum())
    return (
        f"{points} points of {int(found.frames.sum())} frames: all good at {good}, some at {some}, "
        f"none at {points - good - some}; refused at load time: {found.good.size - points}."
    )
