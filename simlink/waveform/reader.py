"""Reads dumps (IEEE Std 1364-2001 VCD, clause 18, from memory), its own and those of others.

A dump is read token by token and never held whole. Exports of logic analysers are read with their
usual freedoms: several changes on a line, tags this program has no use for, no ``$dumpvars``.
"""

from __future__ import annotations

import os
import re
import sys
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TextIO

from simlink.base.errors import InputError
from simlink.base.instants import LONGEST_TRIAL
from simlink.base.safe_write import note_input
from simlink.waveform import timescale
from simlink.waveform.header import CLOSING, MAKER, Variable

#: Variable types of the standard, and ``string``, which some programs add.
_KINDS = re.compile(
    "event|integer|parameter|port|real|realtime|reg|string|supply[01]|time|tri|tri[01]|triand|trior"
    "|trireg|wand|wire|wor"
)
_DUMPS = frozenset(("$dumpvars", "$dumpall", "$dumpon", "$dumpoff"))
_TEXTS = frozenset(("$comment", "$date", "$version", "$attrbegin", "$attrend"))
#: The standard's four values, and those of other languages that are dumped like them.
_FOUR = frozenset("01xzuwlh-")
#: The longest line that is taken for one of a dump.
_MOST_LINE = 2**20
#: The most characters of a section of the header, of a name with its scopes, and the most names.
_MOST_SECTION = 2**16
_MOST_NAME = 2**12
_MOST_VARIABLES = 10**6
#: Words of a comment that are kept.
_KEPT = 64
#: No step and no size has more digits.
_DIGITS = re.compile("[0-9]{1,40}")
_MOST_REAL = 2**10


@dataclass(frozen=True, slots=True)
class Change:
    """A new value: instant in steps, identifier code, value in small letters.

    ``first`` marks values that only tell how the dump begins.
    """

    time: int
    code: str
    value: str
    first: bool


@dataclass
class Ending:
    """How a dump ended, known once it has been read."""

    #: Its last instant in steps.
    time: int | None = None
    #: Whether it says that it is whole: an own one by its closing comment, another by a last
    #: instant at which nothing changes.
    closed: bool = False
    #: What was cut in two at its end.
    torn: str | None = None


class Dump:
    """A dump that is open for reading, until it is closed.

    Parameters
    ----------
    path : Path or str
        The file.

    Attributes
    ----------
    step : int
        Its timescale in fs.
    own : bool
        Whether this program wrote it.
    variables : list of Variable
        In the order of their declaration.
    ending : Ending
        Filled in by `changes`.

    Raises
    ------
    InputError
        With the line, if it cannot be read or is no dump.
    """

    def __init__(self, path: Path | str) -> None:
        self.name = str(path)
        self.step = 0
        self.own = False
        self.variables: list[Variable] = []
        self.ending = Ending()
        self._line = 0
        self._torn: str | None = None
        try:
            self._file: TextIO = Path(path).open(  # noqa: SIM115 (see close)
                encoding="latin-1", newline="\n"
            )
            self._size = os.fstat(self._file.fileno()).st_size
        except (OSError, ValueError) as error:
            said = getattr(error, "strerror", None) or "is no name of a file"
            raise InputError(self.name, None, None, f"cannot be read ({said})") from None
        note_input(path)
        self._tokens = self._split()
        try:
            self._header()
        except BaseException:
            self.close()
            raise

    def position(self) -> tuple[int, int]:
        """Return how many bytes have been taken from the file, and of how many."""
        return self._file.buffer.tell(), self._size

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def fault(self, found: str | None, allowed: str) -> InputError:
        """Return a complaint about the line being read."""
        return InputError(f"{self.name}, line {self._line}", None, found, allowed)

    def _split(self) -> Iterator[str]:
        try:
            while line := self._file.readline(_MOST_LINE):
                self._line += 1
                if len(line) == _MOST_LINE:
                    raise self.fault(None, "a line longer than 1 MiB: this is no waveform dump")
                words = line.split()
                if words and not line.endswith("\n") and words[-1] != "$end":
                    # Cut somewhere within its last line, which may tell anything.
                    self._torn = line.strip()
                    return
                yield from words
        except OSError as error:
            raise InputError(self.name, None, None, f"cannot be read ({error.strerror})") from None

    # --- header ---

    def _header(self) -> None:
        scopes: list[str] = []
        for token in self._tokens:
            if token == "$enddefinitions":
                self._section(token)
                break
            if token == "$timescale":
                self.step = timescale.step_of(
                    " ".join(self._section(token)), f"{self.name}, line {self._line}", "$timescale"
                )
            elif token == "$scope":
                scopes.append(self._scope(len(scopes)))
            elif token == "$upscope":
                self._section(token)
                if not scopes:
                    raise self.fault("$upscope", "no scope is open here")
                scopes.pop()
            elif token == "$var":
                self.variables.append(self._variable(scopes))
                if len(self.variables) > _MOST_VARIABLES:
                    raise self.fault(None, f"more than {_MOST_VARIABLES} variables")
            elif token in _TEXTS:
                words = self._words()
                if words is None:
                    raise InputError(self.name, token, None, "no $end follows")
                self.own |= token == "$version" and words[:1] == [MAKER]
            else:
                raise self.fault(token, "no waveform dump (IEEE Std 1364 VCD)")
        else:
            raise InputError(
                self.name, None, None, "no waveform dump: it ends before $enddefinitions"
            )
        if not self.step:
            raise InputError(self.name, "$timescale", None, "missing")

    def _section(self, keyword: str) -> list[str]:
        """Return the words up to the section's end."""
        words: list[str] = []
        length = 0
        for token in self._tokens:
            if token == "$end":
                return words
            words.append(token)
            length += 1 + len(token)
            if length > _MOST_SECTION:
                raise self.fault(keyword, f"no $end follows within {_MOST_SECTION} characters")
        raise InputError(self.name, keyword, None, "no $end follows")

    def _scope(self, depth: int) -> str:
        words = self._section("$scope")
        if len(words) != 2:
            raise self.fault(" ".join(["$scope", *words]), "$scope, its type, its name, $end")
        if depth > _MOST_NAME:
            raise self.fault(None, f"more than {_MOST_NAME} scopes within one another")
        self._room(words[1])
        return words[1]

    def _room(self, *names: str) -> None:
        if sum(map(len, names)) + len(names) > _MOST_NAME:
            raise self.fault(None, f"a name of more than {_MOST_NAME} characters with its scopes")

    def _variable(self, scopes: list[str]) -> Variable:
        words = self._section("$var")
        if len(words) < 4 or not _KINDS.fullmatch(words[0]) or not _DIGITS.fullmatch(words[1]):
            raise self.fault(
                " ".join(["$var", *words]), "$var, its type, size, identifier code, name, $end"
            )
        # A range such as [7:0] may follow the name; one bit, such as [3], is part of it.
        name = re.sub(r"\s*\[[0-9]+:[0-9]+\]$", "", " ".join(words[3:])).replace(" [", "[")
        self._room(*scopes, name)
        kind, code = sys.intern(words[0]), words[2]
        return Variable(".".join([*scopes, name]), kind, int(words[1]), code)

    # --- values ---

    def changes(self) -> Iterator[Change]:
        """Give every change in the order of the file.

        Raises
        ------
        InputError
            With the line, if one cannot be understood. A file that is cut off just ends; see
            `ending`.
        """
        codes = {variable.code for variable in self.variables}
        ending = self.ending
        told = began = changed = False
        instants = 0
        for token in self._tokens:
            if token[0] == "#":
                now = self._instant(token)
                instants += now != ending.time
                ending.time, changed = now, False
            elif token in _DUMPS:
                told, began = True, began or token == "$dumpvars"
            elif token == "$end":
                told = False
            elif token in _TEXTS:
                words = self._words()
                if words is None:
                    ending.torn = token
                    break
                ending.closed |= " ".join([token, *words, "$end"]) == CLOSING
            else:
                value, code = token[0].lower(), token[1:]
                if value in "brs":
                    value, code = token.lower(), next(self._tokens, "")
                    if not code:
                        ending.torn = token
                        break
                if code not in codes:
                    raise self.fault(token, "no variable has this identifier code")
                self._check(value, token)
                changed = True
                # Without $dumpvars, what stands at the first instant is how the dump begins.
                yield Change(ending.time or 0, code, value, told or (not began and instants <= 1))
        if self._torn is not None:
            ending.torn = self._torn
        if not self.own:
            ending.closed = ending.time is not None and not changed and ending.torn is None

    def _instant(self, token: str) -> int:
        if not _DIGITS.fullmatch(token, 1):
            raise self.fault(token, "an instant is # and a whole number of at most 40 digits")
        now = int(token[1:])
        if now < (self.ending.time or 0):
            raise self.fault(token, f"an instant before #{self.ending.time}, the one ahead of it")
        if now * self.step > LONGEST_TRIAL:
            raise self.fault(token, "later than 2.5 h, which is longer than any trial")
        return now

    def _words(self) -> list[str] | None:
        """Return the first words up to the next $end, or None if there is none."""
        words: list[str] = []
        for token in self._tokens:
            if token == "$end":
                return words
            if len(words) < _KEPT:
                words.append(token)
        return None

    def _check(self, value: str, token: str) -> None:
        if value[0] == "r":
            try:
                float(value[1:_MOST_REAL])
            except ValueError:
                raise self.fault(token, "r and a number, then an identifier code") from None
        elif value[0] == "b":
            if len(value) == 1 or not _FOUR.issuperset(value[1:]):
                raise self.fault(token, "b and digits 0, 1, x, z, then an identifier code")
        elif value[0] != "s" and value not in _FOUR:
            raise self.fault(token, "0, 1, x or z and an identifier code")
