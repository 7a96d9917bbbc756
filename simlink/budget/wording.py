"""Times, clocks and shares of a budget in words, with the digits that a reader needs."""

from __future__ import annotations

import math
from decimal import ROUND_DOWN, ROUND_HALF_EVEN, ROUND_UP, Decimal
from fractions import Fraction

from simlink.scenario.quantities import time_text

_DIGITS = 4


def _short(value: Fraction, rounding: str = ROUND_HALF_EVEN) -> Fraction:
    """Round to a few digits, which a timing budget is never better than."""
    exact = Decimal(value.numerator) / Decimal(value.denominator)
    if exact == 0:
        return Fraction(0)
    place = Decimal(1).scaleb(exact.adjusted() - _DIGITS + 1)
    return Fraction(exact.quantize(place, rounding=rounding))


def time(value: Fraction | float | int) -> str:
    """Return a time in fs for people, such as ``"12.5 ns"``."""
    if math.isinf(value):
        return "no bound"
    short = _short(Fraction(value))
    return "0 ns" if short == 0 else time_text(short)


def clock(value: Fraction, upwards: bool = False) -> str:
    """Return a clock in Hz for people; a limit is rounded to the side that keeps it."""
    short = _short(value, ROUND_UP if upwards else ROUND_DOWN)
    for step, unit in ((10**9, "GHz"), (10**6, "MHz"), (10**3, "kHz")):
        if short >= step:
            return f"{_plain(short / step)} {unit}"
    return f"{_plain(short)} Hz"


def _plain(value: Fraction) -> str:
    text = f"{Decimal(value.numerator) / Decimal(value.denominator):.9g}"
    return f"{Decimal(text):f}"


def share(value: float) -> str:
    """Return a share for people, such as ``"99.9 %"``, never rounded up to all of them."""
    if value in (0.0, 1.0):
        return f"{value:.0%}".replace("%", " %")
    if value < 1e-9:
        return "below 1e-9"
    lost = 1 - value
    if lost < 1e-3:
        return f"all but {lost:.1e}"
    return f"{100 * value:.3g} %" if value < 0.99 else f"{100 * value:.4g} %"
