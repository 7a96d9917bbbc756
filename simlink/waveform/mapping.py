"""Which variables of a dump stand for which signals: by their own names, or as the user says."""

from __future__ import annotations

import difflib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from simlink.base.errors import InputError
from simlink.tracing.pin_names import in_dump
from simlink.waveform.signals import UPSET, Kind, Signal, signals_of

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario
    from simlink.waveform.header import Variable
    from simlink.waveform.reader import Dump

#: Signals that are wires on a board, so that another dump may have them under other names.
WIRES = (
    "host.trigger",
    "host.busy",
    "host.clock",
    "host.returned",
    "host.data",
    "host.fault",
    "remote.trigger",
    "remote.busy",
    "remote.clock",
    "remote.data",
)

#: Characters of a variable's name in a list of them.
_MOST_NAME = 60
#: Names that one which is not there is compared with.
_MOST_COMPARED = 2000


@dataclass(frozen=True)
class Source:
    """Where a signal of the scenario comes from."""

    #: What it is.
    signal: Signal
    #: The variable that carries it.
    variable: Variable
    #: Whether the line is active low.
    inverted: bool = False
    #: For a happening of an own dump: which one it was, and whether the bit was wrong. For a data
    #: line: which bit is on it.
    number: Variable | None = None
    wrong: Variable | None = None


def names_in(scenario: Scenario) -> dict[str, str]:
    """Return what the scenario's ``[dump]`` table says: variables by the names of signals."""
    table = scenario.dump
    found = {}
    for name in WIRES:
        value = getattr(table, name.replace(".", "_"))
        if value is None:
            continue
        if name.endswith(".data"):
            for lane, one in enumerate(value):
                found[f"{name}[{lane}]"] = one
        else:
            found[name] = value
    return found


def lines_of(pins: Mapping[str, str], scenario: Scenario) -> dict[str, str]:
    """Return pin names as names of lines: those of lanes with their lane, as a dump has them."""
    known = {signal.name for signal in signals_of(scenario)}
    found = {}
    for name, pin in pins.items():
        for lane in range(scenario.frame.lanes):
            if f"{name}[{lane}]" in known:
                found[f"{name}[{lane}]"] = f"{in_dump(pin)}_{lane}"
        if name in known:
            found[name] = in_dump(pin)
    return found


def sources_in(dump: Dump, scenario: Scenario, names: Mapping[str, str]) -> list[Source]:
    """Return where every signal that the dump holds comes from.

    Parameters
    ----------
    dump : Dump
        Its header has been read.
    scenario : Scenario
        Whose signals.
    names : mapping of str to str
        Variables by the names of signals; with ``!`` ahead for a line that is active low. A
        signal that is not named is looked for under the pin name that the scenario gives it, and
        under the name it has in own dumps.

    Raises
    ------
    InputError
        If a named variable is not in the dump or in it more than once, or nothing fits at all.
    """
    by_reference = {variable.reference: variable for variable in dump.variables}
    # When channels are upset tells no interval.
    untold = UPSET.values()
    signals = {one.name: one for one in signals_of(scenario) if one.name not in untold}
    for name in (f"host.data[{lane}]" for lane in range(scenario.frame.lanes)):
        # With a FIFO the data at the host tell no interval; they may be named all the same.
        signals.setdefault(name, Signal(name, Kind.LINE, 1, name, None))
    lines = ", ".join(name for name in signals if name.partition("[")[0] in WIRES)
    for name in names:
        if name not in signals:
            raise InputError(dump.name, name, None, f"no line of this scenario; those are {lines}")
    pins = lines_of(scenario.names.pins(), scenario)
    found = []
    for name, signal in signals.items():
        said = names.get(name)
        if said is None and name in pins and len(_fitting(by_reference, pins[name])) == 1:
            said = pins[name]
        inverted = said is not None and said.startswith("!")
        if said is not None:
            variable = _look_up(dump, by_reference, said.removeprefix("!"), name, lines)
        elif signal.reference in by_reference:
            variable = by_reference[signal.reference]
        else:
            continue
        number = wrong = None
        # Another program's dump has no numbers beside a line that is named.
        if dump.own or said is None:
            own = replace(signal, reference=variable.reference)
            number, wrong = by_reference.get(own.number), by_reference.get(own.wrong)
        if said is not None or signal.kind is not Kind.BIT or number is not None:
            found.append(Source(signal, variable, inverted, number, wrong))
    if not found:
        seen = ", ".join(name[:_MOST_NAME] for name in sorted(by_reference)[:20])
        said = (
            f"none of its variables is known; name them in the scenario's [dump] table: {seen}; "
            f"lines that can be named: {lines}"
        )
        raise InputError(dump.name, None, None, said)
    return found


def _fitting(by_reference: Mapping[str, Variable], said: str) -> list[Variable]:
    """Return the variable of a name, or those whose names without their scopes are it."""
    if said in by_reference:
        return [by_reference[said]]
    return [one for reference, one in by_reference.items() if reference.endswith(f".{said}")]


def _look_up(
    dump: Dump, by_reference: Mapping[str, Variable], said: str, name: str, lines: str
) -> Variable:
    """Return the variable that a signal is said to be; ``lines`` are those that can be named."""
    ends = _fitting(by_reference, said)
    if len(ends) == 1:
        return ends[0]
    if ends:
        fits = ", ".join(one.reference for one in ends)
        raise InputError(dump.name, name, f'"{said}"', f"more than one variable fits: {fits}")
    # Whichever is near is about as long; a dump may have any number of others.
    alike = [name for name in by_reference if len(name) < 4 * len(said) + 20][:_MOST_COMPARED]
    near = difflib.get_close_matches(said[: 4 * _MOST_NAME], alike, 1, 0.4)
    hint = f'; the nearest is "{near[0]}"' if near else ""
    allowed = f"no such variable in the dump{hint}; lines that can be named: {lines}"
    raise InputError(dump.name, name, f'"{said}"', allowed)
