"""Ranges in plain words: ``1..8``, ``10 MHz..50 MHz in 9``, ``1 us..1 ms in 7 log``, ``2, 4, 8``.

====================================  ==========================================================
``1, 2, 4, 8``                        these values; words too: ``drop_new, stall``
``1..8``                              every whole number
``LOW..HIGH in N``                    N values, evenly spaced
``LOW..HIGH in N log``                N values, each the same multiple of the one before
``LOW..HIGH by STEP``                 from LOW in steps, up to HIGH at most
====================================  ==========================================================

LOW may leave out the unit that HIGH has. Whole numbers stay whole, and each is taken once.
"""

from __future__ import annotations

import re
from fractions import Fraction

from simlink.base.errors import InputError
from simlink.base.wording import number as decimal
from simlink.scenario.quantities import NUMBER

#: The most values of one range.
MOST = 1000
_SPAN = re.compile(r"\s*(.+?)\s*\.\.\s*(.+?)\s*(?:(in|by)\s+(.+?))?\s*")
_AMOUNT = re.compile(rf"({NUMBER})\s*([^\s0-9.,+-][^\s,]*)?")
_ALLOWED = (
    'a range, such as "1..8", "10 MHz..50 MHz in 9", "1 us..1 ms in 7 log", '
    '"0 ns..20 ns by 5 ns" or "1, 2, 4, 8"'
)

Value = int | float | str | bool


def values(text: str, where: str) -> list[Value]:
    """Return the values of a range, as a scenario file would hold them.

    Parameters
    ----------
    text : str
        The range.
    where : str
        What to name in a complaint.

    Returns
    -------
    list
        At least one and at most `MOST`, none twice.

    Raises
    ------
    InputError
        If it is no range.
    """
    if ".." in text:
        return _span(text, where)
    found: list[Value] = []
    for part in text.split(","):
        word = part.strip()
        if not word or len(word) > 200:
            raise InputError(where, None, f'"{text}"', _ALLOWED)
        found.append(_plain(word))
    return _checked(found, text, where)


def _plain(word: str) -> Value:
    if word in ("true", "false"):
        return word == "true"
    if re.fullmatch(r"[+-]?[0-9]{1,19}", word):
        return int(word)
    if re.fullmatch(NUMBER, word):
        return float(word)
    return word.strip("\"'")


def _span(text: str, where: str) -> list[Value]:
    match = _SPAN.fullmatch(text)
    first, last = (None, None) if match is None else (_amount(match[1]), _amount(match[2]))
    if match is None or first is None or last is None:
        raise InputError(where, None, f'"{text}"', _ALLOWED)
    (low, unit), (high, other) = first, last
    low, high, unit = _same_unit(low, unit, high, other, text, where)
    whole = not unit and low.denominator == high.denominator == 1
    if high < low:
        raise InputError(where, None, f'"{text}"', "the first value may not be above the last")
    if match[3] is None:
        if not whole:
            raise InputError(where, None, f'"{text}"', 'say how many: "in 9", or "by" a step')
        _few(high - low + 1, text, where)
        numbers = [low + i for i in range(int(high - low) + 1)]
    elif match[3] == "in":
        numbers = _in(low, high, match[4], text, where)
    else:
        numbers = _by(low, high, unit, match[4], text, where)
    if whole:
        if match[3] == "in":
            numbers = [Fraction(round(number)) for number in numbers]
        elif any(number.denominator != 1 for number in numbers):
            return _checked([float(number) for number in numbers], text, where)
        return _checked([int(number) for number in numbers], text, where)
    if not unit:
        return _checked([float(decimal(number, 10)) for number in numbers], text, where)
    return _checked([f"{decimal(number, 10)} {unit}" for number in numbers], text, where)


def _in(low: Fraction, high: Fraction, said: str, text: str, where: str) -> list[Fraction]:
    match = re.fullmatch(r"([0-9]{1,6})(\s+log)?", said)
    if match is None or int(match[1]) < 2:
        raise InputError(
            where, None, f'"{text}"', 'after "in": how many values, at least 2, then "log" or not'
        )
    count = int(match[1])
    _few(Fraction(count), text, where)
    if match[2] is None:
        return [low + (high - low) * i / (count - 1) for i in range(count)]
    if low <= 0:
        raise InputError(where, None, f'"{text}"', "log wants values above zero")
    ratio = float(high) / float(low)
    inner = [
        Fraction(f"{float(low) * ratio ** (i / (count - 1)):.6g}") for i in range(1, count - 1)
    ]
    return [low, *inner, high]


def _by(
    low: Fraction, high: Fraction, unit: str, said: str, text: str, where: str
) -> list[Fraction]:
    amount = _amount(said)
    if amount is None or amount[0] <= 0:
        raise InputError(where, None, f'"{text}"', 'after "by": a step above zero')
    step, own = amount
    if own != unit:
        scale = _scale(own, unit)
        if scale is None or not own:
            raise InputError(where, None, f'"{text}"', f'the step wants the unit "{unit}"')
        step *= scale
    _few((high - low) / step + 1, text, where)
    return [low + i * step for i in range(int((high - low) / step) + 1)]


def _amount(text: str) -> tuple[Fraction, str] | None:
    match = _AMOUNT.fullmatch(text.strip()) if len(text) <= 100 else None
    return None if match is None else (Fraction(match[1]), match[2] or "")


def _same_unit(
    low: Fraction, unit: str, high: Fraction, other: str, text: str, where: str
) -> tuple[Fraction, Fraction, str]:
    """Return both ends in the unit of the first, or of the last if the first has none."""
    if unit == other or not unit:
        return low, high, other
    scale = _scale(other, unit)
    if scale is None:
        raise InputError(where, None, f'"{text}"', "both ends have to measure the same thing")
    return low, high * scale, unit


def _scale(unit: str, into: str) -> Fraction | None:
    """Return how many of one board another is, if they measure the same thing."""
    from simlink.scenario.quantities import FREQUENCY, LINE_RATE, RATIO, SLEW, TIME, VOLTAGE

    for dimension in (TIME, FREQUENCY, LINE_RATE, RATIO, SLEW, VOLTAGE):
        if unit in dimension.scales and into in dimension.scales:
            return Fraction(dimension.scales[unit]) / Fraction(dimension.scales[into])
    return None


def _few(count: Fraction, text: str, where: str) -> None:
    if count > MOST:
        raise InputError(where, None, f'"{text}"', f"at most {MOST} values")


def _checked(found: list[Value], text: str, where: str) -> list[Value]:
    once = list(dict.fromkeys(found))
    if len(once) > MOST:
        raise InputError(where, None, f'"{text}"', f"at most {MOST} values")
    return once
