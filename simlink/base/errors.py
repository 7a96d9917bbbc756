"""What simlink says when it is given something that it cannot use."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any


def printable(text: str) -> str:
    """Return a text that a terminal shows and does not obey, in one line."""
    return "".join(c if c.isprintable() else " " for c in text)


class InputError(ValueError):
    """Bad input, told in one line for each fault.

    Parameters
    ----------
    where : str
        The file (or the command-line option) that holds the bad input.
    key : str or None
        The dotted key inside the file, if the fault has one.
    found : str or None
        What was found there, as the user wrote it.
    allowed : str
        What is allowed, or what went wrong.
    others : sequence of InputError
        What else is bad in the same file, in its order.
    """

    def __init__(
        self,
        where: str,
        key: str | None = None,
        found: str | None = None,
        allowed: str = "",
        others: Sequence[InputError] = (),
    ) -> None:
        self.where = where
        self.key = key
        self.found = found
        self.allowed = allowed
        self.others = tuple(others)
        super().__init__("\n".join(self.lines()))

    def __reduce__(self) -> tuple[Any, ...]:
        # As it was made, so that it says the same when it comes from another process.
        given = (self.where, self.key, self.found, self.allowed, self.others)
        return type(self), given, self.__dict__

    def lines(self) -> list[str]:
        """Return this complaint and the others, a printable line each."""
        return [self.line(), *(one.line() for one in self.others)]

    def line(self) -> str:
        """Return this complaint, without the others, as a single printable line."""
        parts = [self.where]
        if self.key:
            parts.append(self.key)
        said = self.allowed
        if self.found is not None:
            found = self.found if len(self.found) <= 80 else self.found[:77] + "..."
            said = f"got {found}; {said}"
        line = ": ".join([*parts, said])
        return printable(line)


class UnsuitedError(InputError):
    """Raised where a way to an answer does not suit a scenario; names the key.

    Parameters
    ----------
    where, key, found, allowed
        As of `InputError`.
    what : str
        What the way cannot deal with, as a part of a sentence: the key with its value where left
        out.
    """

    def __init__(
        self, where: str, key: str, found: str | None, allowed: str, what: str = ""
    ) -> None:
        super().__init__(where, key, found, allowed)
        self.what = what or f"{key} = {found}"

    def __reduce__(self) -> tuple[Any, ...]:
        given = (self.where, self.key, self.found, self.allowed, self.what)
        return type(self), given, self.__dict__


class OutputError(RuntimeError):
    """A result could not be written; nothing half-written was left behind."""
