"""From a scenario to a dump: one unit is simulated and written down as it goes."""

from __future__ import annotations

import io
from collections.abc import Mapping
from contextlib import suppress
from dataclasses import replace
from fnmatch import fnmatchcase
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simlink.base.errors import InputError
from simlink.base.safe_write import writing_whole
from simlink.base.version import __version__
from simlink.tracing.pin_names import pins_of
from simlink.waveform.bursts import BurstWriter, suits
from simlink.waveform.mapping import lines_of
from simlink.waveform.ordering import UnsettledOrderError
from simlink.waveform.signals import Signal, signals_of
from simlink.waveform.writer import DumpWriter

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario


def dump(
    scenario: Scenario,
    path: Path | str,
    conversions: range | None = None,
    trial: int = 0,
    step: int = 1,
    signals: list[str] | None = None,
    pins: Mapping[str, str] | None = None,
) -> None:
    """Simulate one unit and write every signal as a waveform dump (IEEE Std 1364 VCD).

    Parameters
    ----------
    scenario : Scenario
        What to simulate.
    path : Path or str
        The file; it is there whole or not at all.
    conversions : range, optional
        From the trigger of the first until each has its fate; all of them if left out. What
        comes before the first is simulated too and gives the values that the dump begins with.
    trial : int
        Which unit.
    step : int
        The timescale in fs: 1, 10 or 100 of a unit of the standard.
    signals : list of str, optional
        Only the signals whose names fit one of these patterns, such as ``"host.*"``.
    pins : mapping of str to str, optional
        What signals are called in the dump, by their names (`simlink.tracing.pin_names.load`);
        they stay in their scopes, and win over the scenario's own.

    Raises
    ------
    InputError
        If the window, the trial or a pattern fits nothing.
    OutputError
        If the file cannot be written.
    """
    from simlink.tracing.trace import check_window, trace

    window = range(scenario.conversions) if conversions is None else conversions
    check_window(scenario, window)
    names = lines_of(pins_of(scenario, pins), scenario)
    wanted = [_named(one, names) for one in chosen(signals_of(scenario), signals)]
    _check_names(wanted)
    with writing_whole(Path(path)) as file:
        text = io.TextIOWrapper(file, encoding="ascii", newline="\n")
        options: dict[str, Any] = {
            "step": step,
            "first": window.start,
            "constants": constants_of(scenario, trial),
            "comment": f"{scenario.title or 'untitled'}; seed {scenario.seed}, board {trial}",
            "version": __version__,
        }
        with suppress(UnsettledOrderError):
            if suits(scenario, window):
                quick = BurstWriter(text, scenario, trial, wanted, **options)
                found = trace(scenario, range(window.stop), trial, quick.observers, quick)
                quick.close(found.end)
                text.detach()
                return
        text.seek(0)
        text.truncate()
        writer = DumpWriter(text, scenario, trial, wanted, **options)
        found = trace(scenario, range(window.stop), trial, writer.observers)
        writer.close(found.end)
        text.detach()


def _named(signal: Signal, names: Mapping[str, str]) -> Signal:
    """Return a signal with the name of its pin, if it has one."""
    scope, _, name = signal.reference.rpartition(".")
    return replace(signal, reference=f"{scope}.{names.get(signal.name, name)}")


def _check_names(signals: list[Signal]) -> None:
    """Refuse two signals of one name."""
    seen: dict[str, str] = {}
    for one in signals:
        other = seen.setdefault(one.reference, one.name)
        if other != one.name:
            raise InputError("names", one.name, f'"{one.reference}"', f"is that of {other}, too")


def chosen(known: list[Signal], patterns: list[str] | None) -> list[Signal]:
    """Return the signals whose names fit one of some patterns; all of them without patterns."""
    if not patterns:
        return known
    for pattern in patterns:
        if not any(_fits(signal, pattern) for signal in known):
            names = ", ".join(signal.name for signal in known)
            raise InputError("signals", None, f'"{pattern}"', f"none of the signals fits: {names}")
    return [one for one in known if any(_fits(one, pattern) for pattern in patterns)]


def _fits(signal: Signal, pattern: str) -> bool:
    # The name itself first: the brackets of a lane mean something else in a pattern.
    return pattern in (signal.name, signal.family) or fnmatchcase(signal.name, pattern)


def constants_of(scenario: Scenario, trial: int) -> dict[str, float]:
    """Return the fixed part of this unit's crossings, in ns, by the names they have in a dump."""
    from simlink.link import unit

    units = unit.build(scenario, range(trial, trial + 1))
    found = {}
    if scenario.trigger.source == "host":
        found["barrier.forward_delay_ns"] = units.forward.item(0) / 10**6
    for lane, delay in enumerate(units.lanes[0].tolist()):
        found[f"barrier.return_delay_{lane}_ns"] = delay / 10**6
    return found
