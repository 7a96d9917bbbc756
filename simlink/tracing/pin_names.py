"""The names that an engineer gives to signals, from the scenario or from a file of their own.

Such a file is a TOML file with the table ``[names]`` that a scenario may have, too; each signal of
the trace with its name; of a signal that each lane has, one name for all or one for each::

    [names]
    remote.clock = "SCK"
    remote.data = ["SDOA", "SDOB"]
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

from simlink.base.errors import InputError
from simlink.scenario import writing
from simlink.scenario.faults import FaultError
from simlink.scenario.schema import names_of

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario


def load(path: Path | str) -> dict[str, str]:
    """Read names from a file.

    Returns
    -------
    dict of str to str
        By signal: ``"remote.clock"``, ``"remote.data[1]"``.

    Raises
    ------
    InputError
        If the file cannot be read, is no TOML, or names no signal.
    """
    try:
        text = Path(path).read_text(encoding="utf-8")
        table = tomllib.loads(text).get("names")
    except OSError as error:
        raise InputError(str(path), None, None, error.strerror or "cannot be read") from None
    except (UnicodeDecodeError, tomllib.TOMLDecodeError) as error:
        raise InputError(str(path), None, None, f"not a TOML file: {error}") from None
    if not isinstance(table, dict):
        raise InputError(str(path), "names", None, "a table [names] is due")
    return names_of(_dotted(table, str(path)), str(path)).pins()


def _dotted(table: Mapping[str, Any], file: str) -> dict[str, Any]:
    """Return a table in which "remote.clock" in quotes is the table that it is without them."""
    found = {key: value for key, value in table.items() if "." not in key}
    for key, value in table.items():
        if "." in key:
            try:
                writing.put(found, key, value)
            except FaultError as error:
                raise InputError(file, f"names.{key}", None, error.fault.allowed) from None
    return found


def in_dump(pin: str) -> str:
    """Return a pin's name as a variable of a dump has it: points part scopes, spaces names."""
    return pin.replace(" ", "_").replace(".", "_")


def pins_of(scenario: Scenario, pins: Mapping[str, str] | None = None) -> dict[str, str]:
    """Return the names of a scenario's signals: its own, and those given, which win.

    One name for all lanes gives way to a name of one of them, whichever is given later.
    """
    found = scenario.names.pins()
    for signal, name in (pins or {}).items():
        if "[" not in signal:
            found = {key: value for key, value in found.items() if not key.startswith(f"{signal}[")}
        found[signal] = name
    return found
