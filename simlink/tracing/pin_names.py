"""The names that an engineer gives to signals: those of his pins, from a file.

A TOML file with a table ``[names]``, each signal of the trace with its name; of a signal that each
lane has, one name for all or one for each::

    [names]
    remote.clock = "SCK"
    remote.data = ["SDOA", "SDOB"]
"""

from __future__ import annotations

import tomllib
from pathlib import Path

from simlink.base.errors import InputError

#: Signals that can be named; of those of a lane, the family.
SIGNALS = (
    "host.trigger",
    "host.busy",
    "host.service",
    "host.read",
    "host.clock",
    "host.returned",
    "host.data",
    "host.capture",
    "fifo.push",
    "fifo.strobe",
    "fifo.level",
    "remote.trigger",
    "remote.busy",
    "remote.clock",
    "remote.data",
    "remote.credit",
)
_LANES = ("host.data", "host.capture", "fifo.push", "remote.data")
#: The longest name, in characters.
LONGEST = 24


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
    found: dict[str, str] = {}
    for side, value in table.items():
        # TOML makes of remote.clock a table remote; in quotes it is one key.
        inner = value if isinstance(value, dict) else {None: value}
        for name, one in inner.items():
            _add(found, str(path), side if name is None else f"{side}.{name}", one)
    return found


def _add(found: dict[str, str], file: str, signal: str, value: object) -> None:
    key = f"names.{signal}"
    if signal not in SIGNALS:
        raise InputError(file, key, None, f"no such signal; those are {', '.join(SIGNALS)}")
    several = isinstance(value, list) and signal in _LANES
    for lane, name in enumerate(value if isinstance(value, list) and several else [value]):
        fits = isinstance(name, str) and 0 < len(name) <= LONGEST and name.isprintable()
        if not fits or "$" in str(name):
            allowed = f"1 to {LONGEST} printable characters, none of them $"
            raise InputError(file, key, repr(name)[:60], allowed)
        found[f"{signal}[{lane}]" if several else signal] = str(name)
