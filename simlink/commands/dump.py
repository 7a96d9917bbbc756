"""``simlink dump``: a waveform dump of a scenario, which any waveform viewer opens."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated

from simlink.base.errors import InputError
from simlink.commands.numbers import whole
from simlink.commands.options import PinNames, ScenarioPath, Seed, Trial, changed, option


def dump(
    path: ScenarioPath,
    out: Annotated[
        str | None,
        option("--out", "The dump's name. Left out: the scenario's name with .vcd.", "FILE"),
    ] = None,
    conversions: Annotated[
        str | None,
        option(
            "--conversions",
            "Which to dump: A:B (B not included), or one number. Left out: all.",
            "A:B",
        ),
    ] = None,
    trial: Trial = "0",
    step: Annotated[
        str,
        option(
            "--timescale",
            "1, 10 or 100 of s, ms, us, ns, ps or fs; instants are rounded to it.",
            "TIME",
        ),
    ] = "1 fs",
    signals: Annotated[
        str | None,
        option(
            "--signals",
            "Only these signals, with commas between, such as host.*,remote.clock.",
            "LIST",
        ),
    ] = None,
    names: PinNames = None,
    seed: Seed = None,
) -> None:
    """Simulate one unit and write every signal as a waveform dump (IEEE Std 1364 VCD)."""
    from simlink.tracing.pin_names import load
    from simlink.waveform.dumping import dump as write
    from simlink.waveform.timescale import step_of, written

    steps = step_of(step, "--timescale")
    unit = whole("--trial", trial, 0, 10**7)
    place = Path(f"{path.stem}.vcd" if out is None else out)
    scenario = changed(path, seed)
    window = None if conversions is None else _window(conversions, scenario.conversions)
    only = None if signals is None else [one.strip() for one in signals.split(",")]
    write(scenario, place, window, unit, steps, only, {} if names is None else load(names))
    of = window or range(scenario.conversions)
    print(
        f"Dump: {place} (board {unit}, conversions {of.start} to {of.stop - 1}, "
        f"timescale {written(steps)})"
    )


def _window(text: str, most: int) -> range:
    found = re.fullmatch(r"([0-9]{1,12})(?::([0-9]{1,12}))?", text.strip())
    if found is not None:
        first = int(found[1])
        end = first + 1 if found[2] is None else int(found[2])
        if first < end <= most:
            return range(first, end)
    raise InputError("--conversions", None, f'"{text}"', f"one number or A:B within 0:{most}")
