"""Standard output and standard error: all that is written there is shown, and none of it obeyed.

What a scenario, a capture or the name of a file holds may be meant for the terminal: its control
characters are written as they are in TOML. What the terminal's own character set lacks is written
likewise.
"""

from __future__ import annotations

import errno
import os
import sys
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import Any

from simlink.base.errors import OutputError


def shown(text: str) -> str:
    """Return a text of any lines with its control characters written out."""
    if text.isprintable():
        return text
    return "".join(c if c.isprintable() or c in "\n\t" or c == "\u00a0" else _out(c) for c in text)


def _out(character: str) -> str:
    code = ord(character)
    return f"\\u{code:04x}" if code < 0x10000 else f"\\U{code:08x}"


class _Shown:
    """A stream on which nothing but text comes out."""

    def __init__(self, stream: Any, name: str) -> None:
        self._stream = stream
        self._name = name
        with suppress(AttributeError, ValueError):
            stream.reconfigure(errors="backslashreplace")

    def write(self, text: str) -> int:
        """Write a text; OutputError if it cannot be, BrokenPipeError if nobody reads on."""
        with self._told():
            self._stream.write(shown(text))
        return len(text)

    def flush(self) -> None:
        """Hand on what was written; raises as `write` does."""
        with self._told():
            self._stream.flush()

    @contextmanager
    def _told(self) -> Iterator[None]:
        try:
            yield
        except BrokenPipeError:
            _drop(self._stream)
            raise
        except OSError as error:
            _drop(self._stream)
            why = error.strerror or os.strerror(error.errno or errno.EIO)
            raise OutputError(f"{self._name}: cannot be written: {why}") from None

    def __getattr__(self, name: str) -> Any:
        """Return whatever else the stream has."""
        return getattr(self._stream, name)


def _drop(stream: Any) -> None:
    """Let what is left in a stream go nowhere, so that the program's end does not fail on it."""
    with suppress(OSError, ValueError, AttributeError):
        nowhere = os.open(os.devnull, os.O_WRONLY)
        os.dup2(nowhere, stream.fileno())
        os.close(nowhere)


@contextmanager
def showing() -> Iterator[None]:
    """Have standard output and standard error show what is written while the block runs."""
    _open_closed()
    before = sys.stdout, sys.stderr
    out, err = _Shown(sys.stdout, "standard output"), _Shown(sys.stderr, "standard error")
    sys.stdout, sys.stderr = out, err
    try:
        yield
        sys.stdout.flush()
    finally:
        sys.stdout, sys.stderr = before


def _open_closed() -> None:
    """Open what the program was started without, lest a result's file take the place."""
    while (number := os.open(os.devnull, os.O_RDWR)) <= 2:
        os.set_inheritable(number, True)
    os.close(number)
    if sys.stdout is None:
        sys.stdout = os.fdopen(1, "w", closefd=False)
    if sys.stderr is None:
        sys.stderr = os.fdopen(2, "w", closefd=False)
