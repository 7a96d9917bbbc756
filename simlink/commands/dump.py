"""``simlink dump``: a waveform dump of a scenario, which any waveform viewer opens."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Annotated

from simlink.base.errors import InputError
from simlink.commands import options as opt


def dump(
    path: opt.ScenarioPath,
    out: Annotated[
        str | None, opt.value("The dump's name. Left out: the scenario's name with .vcd.", "FILE")
    ] = None,
    conversions: Annotated[
        str | None,
        opt.value("Which to dump: A:B (B not included), or one number. Left out: all.", "A:B"),
    ] = None,
    trial: opt.Trial = "0",
    step: Annotated[
        str,
        opt.value(
            "1, 10 or 100 of s, ms, us, ns, ps or fs; instants are rounded to it.",
            "TIME",
            "--timescale",
        ),
    ] = "1 fs",
    signals: Annotated[
        str | None,
        opt.value("Only these signals, with commas between, such as host.*,remote.clock.", "LIST"),
    ] = None,
    names: opt.PinNames = None,
    seed: opt.Seed = None,
) -> None:
    """Simulate one unit and write every signal as a waveform dump (IEEE Std 1364 VCD)."""
    from simlink.tracing.pin_names import load
    from simlink.waveform.dumping import dump as write
    from simlink.waveform.timescale import step_of, written

    steps = step_of(step, "--timescale")
    unit = opt.whole("--trial", trial, 0, 10**7)
    place = Path(f"{path.stem}.vcd" if out is None else out)
    scenario = opt.changed(path, seed)
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
