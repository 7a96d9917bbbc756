"""``simlink budget``: the three clocking schemes on a scenario's parts, in closed form."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

import typer

if TYPE_CHECKING:
    from simlink.budget import Budget


def budget(
    path: Annotated[Path, typer.Argument(help="The scenario.", metavar="SCENARIO")],
    json: Annotated[
        bool, typer.Option("--json", help="Print the budget as JSON, and nothing else.")
    ] = False,
    out: Annotated[
        str | None,
        typer.Option("--out", help="Folder for budget.json and the picture.", metavar="DIR"),
    ] = None,
    ber: Annotated[
        str, typer.Option("--ber", help="Bit-error ratio that jitter counts at.", metavar="RATIO")
    ] = "1e-12",
    units: Annotated[
        str, typer.Option("--units", help="Built units for the yield.", metavar="N")
    ] = "1000",
) -> None:
    """Compare the clocking schemes: margins, highest clock and rate, latency, signals, yield."""
    import sys

    from simlink.base.errors import InputError
    from simlink.budget import budget as make
    from simlink.pictures.budget_table import table
    from simlink.scenario.loading import load

    ratio = _ratio(ber)
    count = _count(units)
    if out == "":
        raise InputError("--out", None, '""', "the name of a folder")
    scenario = load(path)
    found = make(scenario, ber=ratio, units=count)
    # All of it is worked out before anything is written or printed.
    text, figures = table(found), found.to_json()
    tell = sys.stderr if json else sys.stdout
    if out is not None:
        _write(found, figures, Path(out))
    print(text, end="", file=tell)
    if out is not None:
        print(f"\nResults: {out}", file=tell)
    if json:
        print(figures, end="")


def _write(found: Budget, figures: str, folder: Path) -> None:
    from simlink.base.safe_write import write_set
    from simlink.pictures import style
    from simlink.pictures.budget import budget as draw

    figure = draw(found)
    files = {f"budget.{kind}": style.encode(figure, kind) for kind in style.KINDS}
    write_set(folder, files | {"budget.json": figures.encode()})


def _ratio(text: str) -> float:
    from simlink.base.errors import InputError

    try:
        value = float(text)
    except ValueError:
        value = -1.0
    if not 1e-300 <= value <= 0.5:
        raise InputError("--ber", None, f'"{text}"', "a ratio above 0 and at most 0.5")
    return value


def _count(text: str) -> int:
    import re

    from simlink.base.errors import InputError

    if not re.fullmatch(r"[0-9]{1,7}", text) or not 1 <= int(text) <= 10**6:
        raise InputError("--units", None, f'"{text}"', f"a whole number from 1 to {10**6}")
    return int(text)
