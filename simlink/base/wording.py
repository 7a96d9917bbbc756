"""Numbers with their units, as all text, tables and pictures write them.

Prefixes are those of the SI in steps of a thousand (``u`` for micro; pictures put the proper
sign in its place), chosen after rounding, so that what rounds up to the next thousand takes the
next prefix. Zeros at the end are left out, exponents appear in bare shares and counts alone.
"""

from __future__ import annotations

import math
from decimal import ROUND_DOWN, ROUND_HALF_EVEN, ROUND_UP, Decimal
from fractions import Fraction

from simlink.base.instants import FS_PER_SECOND

#: A number as it is computed: exact, or a float.
Number = int | float | Fraction

UNBOUNDED = "without bound"
#: Significant digits of a stated quantity, which shall read back as it was given, and of others.
STATED, USUAL = 9, 4
_MOST, _FEWEST = 7, 2
#: What a float may be off by is no reason to round a bound away by a digit.
_NOISE = 1e-12
_SUBMULTIPLES = ((-15, "f"), (-12, "p"), (-9, "n"), (-6, "u"), (-3, "m"))
_MULTIPLES = ((3, "k"), (6, "M"), (9, "G"))


def _rounded(value: Number, digits: int, rounding: str = ROUND_HALF_EVEN) -> Decimal:
    # A float is the number that it is written as: 1.5075e-06 is half way, not a little below it.
    exact = Fraction(repr(float(value)) if isinstance(value, float) else value)
    number = Decimal(exact.numerator) / Decimal(exact.denominator)
    if number == 0:
        return Decimal(0)
    found = number.quantize(Decimal(1).scaleb(number.adjusted() - digits + 1), rounding=rounding)
    # 9.996 becomes 10.00, which has a digit too many; it is exact without it.
    return found.normalize()


def number(value: Number, digits: int = USUAL) -> str:
    """Return a finite number without an exponent: so many significant digits, half to even."""
    return f"{_rounded(value, digits):f}"


def quantity(value: Number, unit: str, digits: int = USUAL, rounding: str = ROUND_HALF_EVEN) -> str:
    """Return a quantity, given in the unit itself, with the prefix that suits it: ``"12.5 ns"``.

    A time in ``"s"`` takes prefixes from f to none, any other unit those from none to G. Digits are
    the most significant ones at most, `rounding` is one of the modes of `decimal`.
    """
    if math.isinf(value):
        return UNBOUNDED
    rounded = _rounded(value, digits, rounding)
    power, prefix = 0, ""
    if rounded:
        power, prefix = _prefix(rounded.adjusted(), unit)
    return f"{rounded.scaleb(-power):f} {prefix}{unit}"


def _prefix(adjusted: int, unit: str) -> tuple[int, str]:
    """Return the prefix of a number whose first digit has this power of ten."""
    steps = (*_SUBMULTIPLES, (0, "")) if unit == "s" else ((0, ""), *_MULTIPLES)
    fitting = [step for step in steps if step[0] <= adjusted]
    return fitting[-1] if fitting else steps[0]


def digits_of(value: float, width: float | None) -> int:
    """Return how many digits of a value, not 0, an interval leaves meaning to, from 1 to 7.

    They reach down to the tenth part of the first digit of its width, which is in the same unit.
    Without a width they are two.
    """
    if width is None:
        return _FEWEST
    if width <= abs(value) * 10.0**-_MOST:
        return _MOST
    digits = math.floor(math.log10(abs(value))) - math.floor(math.log10(width)) + 1
    return min(max(digits, 1), _MOST)


def estimate(value: float, width: float | None, unit: str, fewest: int = 1) -> str:
    """Return an estimate with no more digits than the width of its interval leaves meaning to.

    Both are in the unit itself, ``"1"`` for a share. Without a width a share has two digits, a
    quantity four; none has less than the `fewest`.
    """
    if unit == "1":
        return share(value, max(digits_of(value, width) if value else _FEWEST, fewest))
    return quantity(value, unit, max(_quantity_digits(value, width), fewest))


def _quantity_digits(value: float, width: float | None) -> int:
    return USUAL if width is None or value == 0 else digits_of(value, width)


def last_place(value: float, width: float | None) -> int:
    """Return the power of ten of the last digit of an estimated quantity that is not 0."""
    return Decimal(repr(float(value))).adjusted() - _quantity_digits(value, width) + 1


def to_place(value: float, place: int) -> Fraction:
    """Return a number rounded to a power of ten, half to even."""
    return Fraction(Decimal(repr(float(value))).quantize(Decimal(1).scaleb(place)))


def interval(low: float, high: float, unit: str) -> str:
    """Return an interval with the digits that its width leaves meaning to, under one prefix.

    Its ends are in the unit itself, ``"1"`` for a share. Such as ``"0.99 to 1.02 us"``; empty where
    both ends look the same.
    """
    width = high - low
    ends = [estimate(end, width, unit) for end in (low, high)]
    if ends[0] == ends[1]:
        return ""
    if unit != "1":
        rounded = [
            _rounded(end, digits_of(end, width)) if end else Decimal(0) for end in (low, high)
        ]
        power, prefix = _prefix(max(end.adjusted() for end in rounded if end), unit)
        least, most = (end.scaleb(-power) if end else end for end in rounded)
        ends = [f"{least:f}", f"{most:f} {prefix}{unit}"]
    return " to ".join(ends)


def share(value: float, digits: int = _FEWEST) -> str:
    """Return a share as a bare number, such as ``"0.0012"`` or ``"1.2e-06"``."""
    return f"{value:.{digits}g}"


def at_least(value: float, digits: int = 3) -> str:
    """Return a lower end as a bare number, rounded down."""
    return share(float(_rounded(value * (1 + _NOISE), digits, ROUND_DOWN)), digits)


def at_most(value: float, digits: int = 3) -> str:
    """Return an upper end as a bare number, rounded up."""
    return share(float(_rounded(value * (1 - _NOISE), digits, ROUND_UP)), digits)


def bound(value: float, few: bool = True) -> str:
    """Return that a share is bounded, such as ``"below 0.0005"``, rounded to the side that holds.

    Of a share that is not `few`, but nearly all, the rest lies below the value: ``"above 0.9995"``.
    """
    found = _above(value)
    return f"below {float(found):.{_FEWEST}g}" if few else f"above {1 - found:f}"


def bound_percent(value: float, few: bool = True) -> str:
    """Return the same in per cent, such as ``"below 14 %"`` or ``"above 86 %"``."""
    found = _above(100 * value)
    return f"below {found:f} %" if few else f"above {100 - found:f} %"


def _above(value: float) -> Decimal:
    return _rounded(value * (1 - _NOISE), _FEWEST, ROUND_UP)


def count(value: float) -> str:
    """Return a large number of things to three digits, such as ``"2.5e+06"``."""
    return f"{value:.3g}"


def many(number: int | Fraction, what: str) -> str:
    """Return a number of things, such as ``"1 unit"`` or ``"24 units"``."""
    return f"{number} {what}" if number == 1 else f"{number} {what}s"


def percent(value: float, digits: int = 2) -> str:
    """Return a share in per cent, such as ``"24 %"``."""
    return f"{number(100 * value, digits)} %"


def most_of(value: float) -> str:
    """Return a share that is to be all but one, such as ``"99.9 %"``, never rounded up to it."""
    if value in (0.0, 1.0):
        return percent(value, 3)
    if value < 1e-9:
        return "below 1e-9"
    if value < 1e-4:
        return share(value)
    lost = 1 - value
    if lost < 1e-3:
        return f"all but {lost:.1e}"
    return percent(value, 3 if value < 0.99 else 4)


def time_text(femtoseconds: Number, digits: int = STATED) -> str:
    """Return a time in fs with its unit; ``"without bound"`` if it is infinite."""
    if math.isinf(femtoseconds):
        return UNBOUNDED
    return quantity(Fraction(femtoseconds) / FS_PER_SECOND, "s", digits)


def short_time(femtoseconds: Number) -> str:
    """Return a time in fs with the digits of a timing budget."""
    return time_text(femtoseconds, USUAL)


def nanoseconds(femtoseconds: int) -> str:
    """Return a time in fs as the exact number of nanoseconds, without the unit."""
    text = f"{Decimal(femtoseconds).scaleb(-6):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def unit_of(femtoseconds: Number) -> tuple[int, str]:
    """Return the largest unit that leaves at least 1 of a time in fs: its fs, and its name."""
    units = [(10 ** (power + 15), f"{prefix}s") for power, prefix in (*_SUBMULTIPLES, (0, ""))]
    return next((one for one in reversed(units) if abs(femtoseconds) >= one[0]), units[0])


def in_unit(femtoseconds: Number, scale: int, digits: int = USUAL) -> str:
    """Return a time in fs in a unit of so many fs, zeros kept so that a column lines up.

    Digits are significant, more only where there are more before the point; femtoseconds are whole.
    What rounds up to the next unit is still right in this one, of `unit_of`.
    """
    exact = Fraction(femtoseconds) / scale
    decimals = 0 if scale == 1 else max(digits - len(str(int(abs(exact)))), 0)
    return f"{Decimal(exact.numerator) / Decimal(exact.denominator):.{decimals}f}"


def rate_text(value: Number, unit: str) -> str:
    """Return a stated frequency or line rate, such as ``"25 MHz"``."""
    return quantity(value, unit, STATED)


def clock_limit(hertz: Number, upwards: bool = False) -> str:
    """Return a clock in Hz, or a limit of one, rounded to the side that keeps it."""
    return quantity(hertz, "Hz", USUAL, ROUND_UP if upwards else ROUND_DOWN)


def slew_text(slew: Number) -> str:
    """Return a slew given in V/s in the trade's unit, such as ``"50 kV/us"``."""
    if math.isinf(slew):
        return UNBOUNDED
    return f"{number(Fraction(slew) / 10**9)} kV/us"


def ratio_text(parts: Number, sign: bool = False) -> str:
    """Return a ratio in ppm; `parts` is in units of 1e-12."""
    if math.isinf(parts):
        return UNBOUNDED
    return f"{'+' if sign and parts > 0 else ''}{number(Fraction(parts) / 10**6, STATED)} ppm"
