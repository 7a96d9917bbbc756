"""``simlink dump``: a waveform dump of a scenario, which any waveform viewer opens."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

import typer


def dump(
    path: Annotated[Path, typer.Argument(help="The scenario to simulate.", metavar="SCENARIO")],
    out: Annotated[
        str | None,
        typer.Option(
            "--out",
            help="The dump's name. Left out: the scenario's name with .vcd.",
            metavar="FILE",
            show_default=False,
        ),
    ] = None,
    conversions: Annotated[
        str | None,
        typer.Option(
            "--conversions",
            help="Which to dump: A:B (B not included), or one number. Left out: all.",
            metavar="A:B",
            show_default=False,
        ),
    ] = None,
    trial: Annotated[str, typer.Option("--trial", help="Of which unit.", metavar="N")] = "0",
    step: Annotated[
        str,
        typer.Option(
            "--timescale",
            help="1, 10 or 100 of s, ms, us, ns, ps or fs; instants are rounded to it.",
            metavar="TIME",
        ),
    ] = "1 fs",
    signals: Annotated[
        str | None,
        typer.Option(
            "--signals",
            help="Only these signals, with commas between, such as host.*,remote.clock.",
            metavar="LIST",
            show_default=False,
        ),
    ] = None,
    seed: Annotated[
        str | None,
        typer.Option(
            "--seed", help="What every draw derives from.", metavar="N", show_default=False
        ),
    ] = None,
) -> None:
    """Simulate one unit and write every signal as a waveform dump (IEEE Std 1364 VCD)."""
    from simlink.commands.numbers import whole
    from simlink.scenario.loading import load
    from simlink.scenario.sections import MOST_SEED
    from simlink.waveform.dumping import dump as write
    from simlink.waveform.timescale import step_of, written

    steps = step_of(step, "--timescale")
    unit = whole("--trial", trial, 0, 10**7)
    place = Path(f"{path.stem}.vcd" if out is None else out)
    scenario = load(path).with_(seed=whole("--seed", seed, 0, MOST_SEED))
    window = None if conversions is None else _window(conversions, scenario.conversions)
    only = None if signals is None else [one.strip() for one in signals.split(",")]
    write(scenario, place, window, unit or 0, steps, only)
    of = window or range(scenario.conversions)
    print(
        f"Dump: {place} (unit {unit}, conversions {of.start} to {of.stop - 1}, "
        f"timescale {written(steps)})"
    )


def _window(text: str, most: int) -> range:
    import re

    from simlink.base.errors import InputError

    found = re.fullmatch(r"([0-9]{1,12})(?::([0-9]{1,12}))?", text.strip())
    if found is not None:
        first = int(found[1])
        end = first + 1 if found[2] is None else int(found[2])
        if first < end <= most:
            return range(first, end)
    raise InputError("--conversions", None, f'"{text}"', f"one number or A:B within 0:{most}")
