"""How data sheets print a number, read as an answer's own form: values with slashes between.

``1 MSPS`` and ``1 MS/s`` are rates, ``18 bit`` and ``18-bit`` counts; ``2-8 us`` and
``2 us to 8 us`` are ``2 us / 8 us``; ``9 ns typ, 14 ns max`` says which is which.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

_NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?"
_UNIT = r"[A-Za-z\u00b5\u03bc%][A-Za-z/]*"
_RATE = re.compile(rf"({_NUMBER})\s*([kKMG]?)(?:SPS|Sps|sps|S/s)\b")
_COUNT = re.compile(r"([0-9]+)\s*-?\s*(?:bits?|lines?|lanes?|words?|frames?)\b", re.IGNORECASE)
_RANGE = re.compile(rf"({_NUMBER})\s*({_UNIT})?\s*(?:-|\bto\b|\.\.+)\s*({_NUMBER})\s*({_UNIT})")
_KINDS = {
    "min": "min",
    "minimum": "min",
    "typ": "typ",
    "typical": "typ",
    "nom": "typ",
    "nominal": "typ",
    "max": "max",
    "maximum": "max",
}
_WORD = "|".join(sorted(_KINDS, key=len, reverse=True))
_MARKED = re.compile(
    rf"(?:({_WORD})\b\.?\s*)?({_NUMBER}\s*(?:{_UNIT})?)\s*(?:\(?({_WORD})\b\.?\)?)?", re.IGNORECASE
)
_SAID: dict[tuple[str, ...], str] = {
    ("min",): "the least, as one fixed value",
    ("typ",): "typical, as one fixed value",
    ("max",): "the most, as one fixed value",
}


@dataclass(frozen=True)
class Printed:
    """An answer as it was printed."""

    text: str  # in the form with slashes
    low_is_taken: bool = False  # only typical and highest were printed: a low end has to be taken
    said: str = ""  # what the one value is that was printed, for people; empty if nothing was said


def read(text: str, kind: str) -> Printed:
    """Read an answer as data sheets print it; what is in no such form stays as it is.

    `kind` is how the question's answer is read: ``"whole"``, ``"clock"`` and others.
    """
    if kind in ("choice", "covers", "yes") or text.lower().endswith(".csv"):
        return Printed(text)
    text = re.sub("[\N{EN DASH}\N{EM DASH}\N{MINUS SIGN}]", "-", text)
    text = text.replace("\N{HORIZONTAL ELLIPSIS}", "..")
    if kind == "whole":
        return Printed(_COUNT.sub(r"\1", text))
    if kind in ("clock", "frequency"):
        text = _RATE.sub(lambda found: f"{found[1]} {found[2].replace('K', 'k')}Hz", text)
    mirrored = re.fullmatch(rf"\s*(?:\+/-|\N{{PLUS-MINUS SIGN}})\s*({_NUMBER}\s*{_UNIT})\s*", text)
    if mirrored is not None:
        return Printed(f"-{mirrored[1]} / {mirrored[1]}")
    return _marked(text) or Printed(_RANGE.sub(_ends, text))


def _ends(found: re.Match[str]) -> str:
    low, unit, high, last = found.groups()
    return f"{low} {unit or last} / {high} {last}"


def _marked(text: str) -> Printed | None:
    """Read values that are marked min, typ or max; None if they are not."""
    values: dict[str, str] = {}
    for part in re.split(r"[,;/]|\band\b", text):
        found = _MARKED.fullmatch(part.strip())
        word = found and (found[1] or found[3])
        if found is None or word is None or (found[1] and found[3]):
            return None
        kind = _KINDS[word.lower()]
        if kind in values:
            return None
        values[kind] = found[2].strip()
    kinds = tuple(kind for kind in ("min", "typ", "max") if kind in values)
    joined = " / ".join(values[kind] for kind in kinds)
    if kinds == ("min", "typ"):
        return None  # Which values lie above typical is not said.
    return Printed(joined, kinds == ("typ", "max"), _SAID.get(kinds, ""))
