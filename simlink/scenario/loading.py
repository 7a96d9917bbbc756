"""Scenarios from files and from text; every fault is told in one line."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

from simlink.base.errors import InputError
from simlink.base.safe_write import note_input
from simlink.scenario.faults import no_file
from simlink.scenario.schema import Scenario, from_dict

__all__ = ["Scenario", "from_dict", "load", "loads"]

_MOST_BYTES = 2**20
#: A key of so many parts takes the reader of TOML time and memory by the square of them.
_LONG_KEY = re.compile(
    r"""(?:^|[\[{,])[ \t]*(?:(?:[\w-]+|"[^"\n]*"|'[^'\n]*')[ \t]*\.[ \t]*){50}""", re.MULTILINE
)


def load(path: Path | str) -> Scenario:
    """Read and check a scenario file.

    Parameters
    ----------
    path : Path or str
        A TOML file in UTF-8, of at most 1 MiB.

    Returns
    -------
    Scenario

    Raises
    ------
    InputError
        With one line that names the file, and the key if the fault has one.
    """
    name = str(path)
    try:
        file = Path(path)
        if (said := no_file(file, "a scenario file")) is not None:
            raise InputError(name, None, None, said)
        with file.open("rb") as stream:
            data = stream.read(_MOST_BYTES + 1)
        note_input(file)
    except OSError as error:
        raise InputError(name, None, None, f"cannot be read ({error.strerror})") from None
    except ValueError as error:
        if isinstance(error, InputError):
            raise
        raise InputError(name, None, None, "is no name of a file") from None
    if len(data) > _MOST_BYTES:
        raise InputError(name, None, None, "larger than 1 MiB, which no scenario needs")
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        where = f"byte {error.start + 1}"
        raise InputError(name, None, None, f"not UTF-8 text (at {where})") from None
    return loads(text, file.parent, name)


def loads(text: str, base: Path | str = ".", name: str = "<text>") -> Scenario:
    """Read and check a scenario given as TOML.

    File names are relative to `base`; a complaint names `name`. It raises as `load` does.
    """
    if _LONG_KEY.search(text):
        raise InputError(
            name, None, None, "tables are nested too deep: a key of more than 50 parts"
        )
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        # "(at line 3, column 7)" or "(at end of document)" ends what the reader says.
        said = re.sub(r"\s+", " ", str(error)).strip()
        if "end of document" in said:
            lines = text.splitlines() or [""]
            said = said.replace(
                "at end of document", f"at line {len(lines)}, column {len(lines[-1]) + 1}, the end"
            )
        raise InputError(name, None, None, f"not valid TOML: {said}") from None
    except RecursionError:
        raise InputError(name, None, None, "not valid TOML: nested too deep") from None
    except ValueError:  # a number or a date beyond what Python takes
        raise InputError(name, None, None, "not valid TOML: a value is out of range") from None
    return from_dict(raw, base, name)
