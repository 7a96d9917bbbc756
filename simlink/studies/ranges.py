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
from simlink.scenario.faults import FaultError
from simlink.scenario.quantities import (
    FREQUENCY,
    LINE_RATE,
    NUMBER,
    RATIO,
    SLEW,
    TIME,
    VOLTAGE,
)

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
    """Return the values of a range, as a scenario file would hold them: up to `MOST`, none twice.

    Raises
    ------
    InputError
        If it is no range; names `where`.
    """
    try:
        found = _span(text) if ".." in text else [_plain(word) for word in text.split(",")]
        once = list(dict.fromkeys(found))
        _few(len(once))
    except FaultError as error:
        raise InputError(where, None, f'"{text}"', str(error)) from None
    return once


def _plain(text: str) -> Value:
    word = text.strip()
    if not word or len(word) > 200:
        raise FaultError(_ALLOWED)
    if word in ("true", "false"):
        return word == "true"
    if re.fullmatch(r"[+-]?[0-9]{1,19}", word):
        return int(word)
    if re.fullmatch(NUMBER, word):
        return float(word)
    return word.strip("\"'")


def _span(text: str) -> list[Value]:
    match = _SPAN.fullmatch(text)
    if match is None:
        raise FaultError(_ALLOWED)
    (low, unit), (high, other) = _amount(match[1], _ALLOWED), _amount(match[2], _ALLOWED)
    if unit:
        high *= _scale(other, unit, "both ends have to measure the same thing")
    unit = unit or other
    whole = not unit and low.denominator == high.denominator == 1
    if high < low:
        raise FaultError("the first value may not be above the last")
    if match[3] == "in":
        numbers = _in(low, high, match[4])
        if whole:
            return [round(number) for number in numbers]
    elif match[3] == "by":
        numbers = _by(low, high, _step(match[4], unit))
    elif whole:
        numbers = _by(low, high, Fraction(1))
    else:
        raise FaultError('say how many: "in 9", or "by" a step')
    if unit:
        return [f"{decimal(number, 10)} {unit}" for number in numbers]
    if not whole:
        return [float(decimal(number, 10)) for number in numbers]
    if all(number.denominator == 1 for number in numbers):
        return [int(number) for number in numbers]
    return [float(number) for number in numbers]


def _in(low: Fraction, high: Fraction, said: str) -> list[Fraction]:
    match = re.fullmatch(r"([0-9]{1,6})(\s+log)?", said)
    if match is None or int(match[1]) < 2:
        raise FaultError('after "in": how many values, at least 2, then "log" or not')
    count = int(match[1])
    _few(count)
    if match[2] is None:
        return [low + (high - low) * i / (count - 1) for i in range(count)]
    if low <= 0:
        raise FaultError("log wants values above zero")
    ratio = float(high) / float(low)
    inner = (f"{float(low) * ratio ** (i / (count - 1)):.6g}" for i in range(1, count - 1))
    return [low, *map(Fraction, inner), high]


def _step(said: str, unit: str) -> Fraction:
    """Return a step in the unit of its range."""
    step, own = _amount(said, 'after "by": a step above zero')
    if step <= 0:
        raise FaultError('after "by": a step above zero')
    return step * _scale(own, unit, f'the step wants the unit "{unit}"')


def _by(low: Fraction, high: Fraction, step: Fraction) -> list[Fraction]:
    count = (high - low) / step + 1
    _few(count)
    return [low + i * step for i in range(int(count))]


def _amount(text: str, allowed: str) -> tuple[Fraction, str]:
    match = _AMOUNT.fullmatch(text.strip()) if len(text) <= 100 else None
    if match is None:
        raise FaultError(allowed)
    return Fraction(match[1]), match[2] or ""


def _scale(unit: str, into: str, otherwise: str) -> Fraction:
    """Return how many of one unit another is; complain if they measure different things."""
    if unit == into:
        return Fraction(1)
    for dimension in (TIME, FREQUENCY, LINE_RATE, RATIO, SLEW, VOLTAGE):
        if unit in dimension.scales and into in dimension.scales:
            return Fraction(dimension.scales[unit]) / Fraction(dimension.scales[into])
    raise FaultError(otherwise)


def _few(count: Fraction | int) -> None:
    if count > MOST:
        raise FaultError(f"at most {MOST} values")
