"""How a fault in a scenario travels from where it is seen to where it is told."""

from __future__ import annotations

import difflib
import json
from collections.abc import Collection, Iterable
from dataclasses import dataclass, replace
from pathlib import Path as FilePath
from typing import Any

_MOST_KEY = 60  # no key of the format is as long, and a complaint is one line

Path = tuple[str | int, ...]


@dataclass(frozen=True)
class Fault:
    """One fault of a scenario."""

    path: Path  # where it is, from the top of the scenario, or of the value being read
    found: str | None  # what was found there, as the user wrote it
    allowed: str  # what is allowed, or what went wrong

    @property
    def key(self) -> str:
        """The dotted key, with list positions in brackets."""
        return dotted(self.path)


class FaultError(ValueError):
    """Raised while a value is read; carries one `Fault`."""

    def __init__(self, allowed: str, found: str | None = None, path: Path = ()) -> None:
        self.fault = Fault(path, found, allowed)
        super().__init__(allowed)

    def under(self, *path: str | int) -> FaultError:
        """Return the same complaint, seen from further up."""
        lifted = replace(self.fault, path=(*path, *self.fault.path))
        return FaultError(lifted.allowed, lifted.found, lifted.path)


#: What a name was called before, for files that still have it.
_FORMER = {
    "count": "level",
    "notice": "interrupt",
    "read_all": "drain",
    "signals": "channels",
    "skew": "channel_skew",
    "spread": "part_to_part_skew",
}


def nearest(text: Any, known: Collection[str]) -> str:
    """Return a question whether the known name nearest to a text was meant, or nothing.

    A former name is told apart, with what it is called now.
    """
    if isinstance(text, str) and _FORMER.get(text) in known:
        return f'it is "{_FORMER[text]}" now'
    near = difflib.get_close_matches(str(text)[:_MOST_KEY].lower(), known, n=1)
    return f'did you mean "{near[0]}"?' if near else ""


def dotted(path: Iterable[str | int]) -> str:
    """Return a path as a dotted key: ``("a", "b", 1)`` is ``a.b[1]``."""
    text = ""
    for step in path:
        if isinstance(step, int):
            text += f"[{step}]"
        else:
            short = step if len(step) <= _MOST_KEY else step[:_MOST_KEY] + "..."
            text += f".{short}" if text else short
    return text


def written(value: Any) -> str:
    """Return a value that the TOML reader returns as it would be written there, on one line."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, str):
        return json.dumps(value, ensure_ascii=False).replace("\x7f", "\\u007f")
    if isinstance(value, int):
        try:
            return str(value)
        except ValueError:  # more digits than Python cares to print
            return hex(value)
    if isinstance(value, float):
        return repr(value)
    if isinstance(value, dict):
        inside = ", ".join(f"{written_key(k)} = {written(v)}" for k, v in value.items())
        return f"{{ {inside} }}" if inside else "{}"
    if isinstance(value, list | tuple):
        return f"[{', '.join(written(v) for v in value)}]"
    return str(value)


def written_key(key: Any) -> str:
    """Return a key as it would be written in TOML: quoted only when it has to be."""
    text = str(key)
    bare = text and text.isascii() and text.replace("_", "").replace("-", "").isalnum()
    return text if bare else written(text)


def no_file(path: FilePath, wanted: str) -> str | None:
    """Return why a path is no file that can be read, or None; OSError if it cannot be looked up."""
    if path.is_dir():
        return f"{wanted} is wanted, and this is a directory"
    if not path.exists():
        return "there is no such file"
    return None if path.is_file() else f"{wanted} is wanted, and this is no regular file"
