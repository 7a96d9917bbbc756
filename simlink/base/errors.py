"""What simlink says when it is given something that it cannot use."""

from __future__ import annotations

from typing import Any


def printable(text: str) -> str:
    """Return a text that a terminal shows and does not obey, in one line."""
    return "".join(c if c.isprintable() else " " for c in text)


class InputError(ValueError):
    """Bad input, told in one line.

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
    """

    def __init__(
        self, where: str, key: str | None = None, found: str | None = None, allowed: str = ""
    ) -> None:
        self.where = where
        self.key = key
        self.found = found
        self.allowed = allowed
        super().__init__(self.line())

    def __reduce__(self) -> tuple[Any, ...]:
        # As it was made, so that it says the same when it comes from another process.
        return type(self), (self.where, self.key, self.found, self.allowed), self.__dict__

    def line(self) -> str:
        """Return the whole complaint as a single printable line."""
        parts = [self.where]
        if self.key:
            parts.append(self.key)
        said = self.allowed
        if self.found is not None:
            found = self.found if len(self.found) <= 80 else self.found[:77] + "..."
            said = f"got {found}; {said}"
        line = ": ".join([*parts, said])
        return printable(line)


class OutputError(RuntimeError):
    """A result could not be written; nothing half-written was left behind."""
