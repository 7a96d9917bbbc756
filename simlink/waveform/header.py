"""The header of a dump: what it is of, its timescale, scopes and variables, and what frames it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

#: What an own dump ends with, so that one cut off is told from a whole one.
CLOSING = "$comment end of dump $end"
#: In the version of an own dump.
MAKER = "simlink"

_CODES = [chr(code) for code in range(33, 127) if chr(code) not in "#$"]


@dataclass(frozen=True, slots=True)
class Variable:
    """A variable as a dump declares it."""

    reference: str
    kind: str
    width: int
    code: str

    def line(self) -> str:
        """Return its declaration."""
        bits = f" [{self.width - 1}:0]" if self.kind == "reg" else ""
        name = self.reference.rpartition(".")[2]
        return f"$var {self.kind} {self.width} {self.code} {name}{bits} $end"


def identifier(number: int) -> str:
    """Return the identifier code of a variable: printable characters, shortest first.

    # and $ would do too, but begin instants and keywords elsewhere.
    """
    code = ""
    number += 1
    while number:
        number, place = divmod(number - 1, len(_CODES))
        code += _CODES[place]
    return code


def unspoilt(text: str) -> str:
    """Return text that fits in a comment: printable ASCII without anything like a keyword."""
    return "".join(c if " " <= c <= "~" and c != "$" else "?" for c in text)


def header(version: str, comment: str, timescale: str, variables: list[Variable]) -> str:
    """Return the header of a dump, with the scopes that variables are in, each scope once."""
    lines = [f"$version {MAKER} {unspoilt(version)} $end"]
    if comment:
        lines.append(f"$comment {unspoilt(comment)} $end")
    lines.append(f"$timescale {timescale} $end")
    for scope in ("host", "barrier", "remote"):
        inside = [one for one in variables if one.reference.startswith(f"{scope}.")]
        lines += _scope(scope, inside, 0)
    return "\n".join([*lines, "$enddefinitions $end", ""])


def _scope(path: str, variables: list[Variable], depth: int) -> Iterator[str]:
    """Give the declarations of a scope; one within it stands where its first variable would."""
    if not variables:
        return
    indent, told = "  " * depth, set()
    yield f"{indent}$scope module {path.rpartition('.')[2]} $end"
    for one in variables:
        name, dot, _ = one.reference.removeprefix(f"{path}.").partition(".")
        inner = f"{path}.{name}"
        if not dot:
            yield f"{indent}  {one.line()}"
        elif inner not in told:
            told.add(inner)
            within = [some for some in variables if some.reference.startswith(f"{inner}.")]
            yield from _scope(inner, within, depth + 1)
    yield f"{indent}$upscope $end"
