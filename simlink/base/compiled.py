"""Rules and loops over them, compiled where numba is there, and the same uncompiled where not.

`compiled` takes a plain function that calls other plain functions of simlink and gives back one
that runs compiled. What is called stays as it is for everybody else: the event engine calls the
very functions that are compiled here for the batch engine.

Machine code is kept on disk: beside the package, in the user's cache where that cannot be
written, or not at all where neither can. A folder is named after the digest of all sources that
can be compiled, so that code is never older than its rules.
"""

from __future__ import annotations

import dis
import hashlib
import os
import sys
from collections.abc import Callable
from functools import cache
from pathlib import Path
from types import FunctionType
from typing import Any

import numpy as np

#: Set to run everything uncompiled.
PLAIN = "SIMLINK_PLAIN"
_PACKAGE = Path(__file__).resolve().parents[1]
#: Where functions that are compiled may stand.
_ROOMS = ("base", "link", "engines", "figures")


class Compiled:
    """A function that is compiled when it is first called; ``plain`` is the function as written."""

    def __init__(self, plain: FunctionType) -> None:
        self.plain = plain
        self.__doc__ = plain.__doc__
        self.__name__ = plain.__name__

    def __call__(self, *arguments: Any) -> Any:
        """Call the function, compiled if it can be."""
        if why_plain() is None:
            return _machine(self.plain)(*arguments)
        return self.uncompiled(*arguments)

    def uncompiled(self, *arguments: Any) -> Any:
        """Call the function as it is written: slowly, and with nothing to load."""
        # What overflows is meant to, as it does compiled.
        with np.errstate(over="ignore"):
            return self.plain(*(_with_attributes(one) for one in arguments))


def compiled(function: Callable[..., Any]) -> Compiled:
    """Return a function that runs compiled if it can."""
    assert isinstance(function, FunctionType)
    return Compiled(function)


def _with_attributes(value: Any) -> Any:
    """Let the fields of NumPy records be reached as attributes, as compiled code does."""
    if isinstance(value, np.ndarray) and value.dtype.names:
        return value.view(np.recarray)
    return value


@cache
def why_plain() -> str | None:
    """Return why nothing is compiled, or None if it is."""
    if os.environ.get(PLAIN):
        return f"{PLAIN} is set"
    try:
        import numba  # noqa: F401
    except ImportError as error:
        return f"numba cannot be imported ({error})"
    return None


def is_kept(function: Compiled) -> bool:
    """Tell whether machine code of a function, of these very sources, is kept on disk."""
    home, plain = _home(), function.plain
    name = f"{plain.__module__.split('.')[-1]}.{plain.__name__}-*.nbc"
    return home is not None and any(home.rglob(name))


@cache
def _home() -> Path | None:
    """Return the folder in which machine code is kept, or None if there is none."""
    digest = hashlib.blake2b(digest_size=8)
    for room in _ROOMS:
        for source in sorted((_PACKAGE / room).rglob("*.py")):
            digest.update(source.read_bytes())
    digest.update(sys.version.encode())
    own = Path(os.environ.get("XDG_CACHE_HOME") or Path("~/.cache").expanduser()) / "simlink"
    for folder in (_PACKAGE / "__pycache__", own):
        home = folder / f"compiled-{digest.hexdigest()}"
        try:
            home.mkdir(parents=True, exist_ok=True)
            probe = home / f".{os.getpid()}"
            probe.touch()
            probe.unlink()
        except OSError:
            continue
        return home
    return None


_MACHINE: dict[FunctionType, Any] = {}


def _machine(plain: FunctionType, inline: bool = False) -> Any:
    """Return a function compiled, with all plain functions of simlink that it calls."""
    if plain in _MACHINE:
        return _MACHINE[plain]
    import numba

    machine: Any = numba
    names = dict(plain.__globals__)
    own = FunctionType(plain.__code__, names, plain.__name__, plain.__defaults__, plain.__closure__)
    own.__module__, own.__qualname__ = plain.__module__, plain.__qualname__
    home = _home()
    before = machine.config.CACHE_DIR
    machine.config.CACHE_DIR = "" if home is None else str(home)
    try:
        # Nothing here makes arrays, so that none has to be counted, which takes more time than
        # the rules themselves (Numba's "NRT").
        _MACHINE[plain] = machine.njit(
            own, cache=home is not None, error_model="numpy", forceinline=inline, _nrt=False
        )
    finally:
        machine.config.CACHE_DIR = before
    kept: Any = getattr(_MACHINE[plain], "_cache", None)
    if os.name == "nt" or not hasattr(kept, "_load_overload"):
        _name_callees(plain, names)
        return _MACHINE[plain]

    def load(signature: Any, context: Any) -> Any:
        # Numba's own first imports all that compiling needs, which takes longer than many a run;
        # where something has to be compiled it does so then.
        found = kept._load_overload(signature, context)
        if found is None:
            _name_callees(plain, names)
        return found

    kept.load_overload = load
    return _MACHINE[plain]


def _name_callees(plain: FunctionType, names: dict[str, Any]) -> None:
    """Put the compiled in place of all plain functions of simlink that a function calls."""
    for step in dis.get_instructions(plain):
        if step.opname != "LOAD_GLOBAL":
            continue
        name, called = step.argval, plain.__globals__.get(step.argval)
        if isinstance(called, Compiled):
            # A loop of its own, worth a call.
            names[name] = _machine(called.plain)
        elif isinstance(called, FunctionType) and called.__module__.startswith("simlink."):
            names[name] = _machine(called, inline=True)
