"""Limits and margins in plain words."""

from __future__ import annotations

from fractions import Fraction
from typing import Any

from simlink.base.wording import many, number, percent, quantity, slew_text
from simlink.verdict.limit import Limit

#: Margins of more than ten times a limit are told as that.
_MOST_SAID = 10
#: Units of things that are counted.
COUNTED = ("frames", "bits", "channels")


def boards_that(verb: str, which: Any) -> str:
    """Return how many boards do something, such as ``"1 of 24 boards breaks"``; which: bool."""
    found = int(which.sum())
    return f"{found} of {many(len(which), 'board')} {verb}{'s' if found == 1 else ''}"


def margin_text(one: Limit) -> str:
    """Return a margin in plain words, such as ``"12 % margin"`` or ``"40 % over"``."""
    share, margin = one.share, one.margin
    if margin is None:
        return ""
    if margin == 0:
        return "no margin"
    said = "margin" if margin > 0 else "short" if one.is_floor else "over"
    if share is None:
        return f"{value_text(abs(margin), one.unit)} {said}"
    if abs(share) > _MOST_SAID:
        return f"> {percent(_MOST_SAID)} {said}"
    return f"{percent(float(abs(share)))} {said}"


def value_text(value: Fraction | None, unit: str) -> str:
    """Return a limit or a worst value with its unit; a load in per cent."""
    if value is None:
        return "-"
    if unit == "1":
        # Near its limit a load has the digits that tell it from it.
        return percent(float(value), 4 if 0.9 < value < 1.1 else 3)
    if unit in COUNTED:
        return f"{number(value)} {unit[:-1] if value == 1 else unit}"
    if unit == "V/s":
        return slew_text(value)
    return quantity(value, unit)
