"""Quantities with units, read exactly: decimal text to a rational number, never through a float.

Each dimension has a base unit: one femtosecond for times and 1e-12 for ratios (both whole
numbers, rounded half to even), and exact fractions of one hertz and of one bit per second.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from simlink.base.errors import InputError
from simlink.base.instants import FS_PER_SECOND
from simlink.scenario.faults import FaultError, written

PARTS = 10**12
"""What one is of a ratio in its base unit, of a tolerance for one."""

LONGEST = 9_000_000_000_000_000_000
"""The longest time, 2.5 h, in femtoseconds."""

NUMBER = r"[+-]?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][+-]?[0-9]{1,3})?"
_QUANTITY = re.compile(rf"\s*({NUMBER})\s*([^\s0-9.+-][^\s]*)\s*")
_MOST_TEXT = 100
#: How micro is written.
_MICRO = ("u", "\N{MICRO SIGN}", "\N{GREEK SMALL LETTER MU}")


@dataclass(frozen=True, eq=False)  # there is one of each
class Dimension:
    """What a quantity measures, and the units that it may be written in."""

    noun: str  # its name with an article
    example: str  # a quantity, as a user would write it
    scales: Mapping[str, int]  # how many base units one of each unit is
    most: int  # the largest magnitude allowed, in base units
    most_text: str  # the same for people

    @property
    def allowed(self) -> str:
        """What a complaint says is allowed."""
        return f'{self.noun} with a unit, such as "{self.example}"'

    def schema(self, signed: bool = True) -> dict[str, Any]:
        """Return the JSON Schema of the text of a quantity."""
        units = "|".join(re.escape(unit) for unit in self.scales)
        number = NUMBER if signed else NUMBER.replace("[+-]?", r"\+?", 1)
        return {"type": "string", "pattern": rf"^\s*{number}\s*({units})\s*$"}


TIME = Dimension(
    "a duration",
    "14 ns",
    {
        "fs": 1,
        "ps": 10**3,
        "ns": 10**6,
        **{f"{micro}s": 10**9 for micro in _MICRO},
        "ms": 10**12,
        "s": 10**15,
        "min": 60 * 10**15,
        "h": 3600 * 10**15,
    },
    LONGEST,
    "2.5 h",
)
RATIO = Dimension("a ratio", "50 ppm", {"ppb": 10**3, "ppm": 10**6, "%": 10**10}, 10**12, "100 %")
FREQUENCY = Dimension(
    "a frequency",
    "25 MHz",
    {"Hz": 1, "kHz": 10**3, "MHz": 10**6, "GHz": 10**9, "THz": 10**12},
    10**12,
    "1 THz",
)
LINE_RATE = Dimension(
    "a line rate",
    "100 Mbit/s",
    {
        prefix + unit: scale
        for unit in ("bit/s", "bps", "b/s", "Bd")
        for prefix, scale in (("", 1), ("k", 10**3), ("M", 10**6), ("G", 10**9))
    },
    10**12,
    "1000 Gbit/s",
)

#: Of a common-mode edge, in volts per second.
SLEW = Dimension(
    "a slew",
    "60 kV/us",
    {
        prefix + per: volts * scale
        for per, scale in (
            ("/s", 1),
            ("/ms", 10**3),
            *((f"/{micro}s", 10**6) for micro in _MICRO),
            ("/ns", 10**9),
        )
        for prefix, volts in (("V", 1), ("kV", 10**3))
    },
    10**15,
    "1000 kV/ns",
)
#: In microvolts.
VOLTAGE = Dimension(
    "a voltage",
    "400 V",
    {**{f"{micro}V": 1 for micro in _MICRO}, "mV": 10**3, "V": 10**6, "kV": 10**9},
    10**12,
    "1000 kV",
)


@dataclass(frozen=True)
class Rate:
    """A frequency in Hz or a line rate in bit/s, exactly."""

    value: Fraction


def exact(value: Any, dimension: Dimension) -> Fraction:
    """Read a quantity exactly, in base units, not rounded; only text with a unit will do.

    Raises
    ------
    FaultError
        When it is no quantity of that dimension, or is too large.
    """
    found = written(value)
    if not isinstance(value, str) or len(value) > _MOST_TEXT:
        raise FaultError(dimension.allowed, found)
    match = _QUANTITY.fullmatch(value)
    if match is None or match[2] not in dimension.scales:
        meant = "" if match is None else _meant(match[1], match[2], dimension)
        raise FaultError(dimension.allowed + meant, found)
    amount = Fraction(match[1]) * dimension.scales[match[2]]
    if abs(amount) > dimension.most:
        raise FaultError(f"{dimension.noun} of at most {dimension.most_text}", found)
    return amount


def _meant(number: str, unit: str, dimension: Dimension) -> str:
    """Return what to ask about a unit that is not one of a dimension, or nothing.

    A unit in the wrong case, such as ``nS`` (nanosiemens) for ``ns``, is asked about unless
    two units differ by their case alone; a frequency for a duration is taken for its period, and
    the other way round.
    """
    like = [one for one in dimension.scales if one.casefold() == unit.casefold()]
    if len(like) == 1:
        return f'; did you mean "{number} {like[0]}"?'
    other = {TIME: FREQUENCY, FREQUENCY: TIME}.get(dimension)
    if other is None or unit not in other.scales or not Fraction(number) > 0:
        return ""
    # A hertz is one turn in 10^15 fs.
    turn = Fraction(FS_PER_SECOND) / (Fraction(number) * other.scales[unit])
    if not Fraction(1, 10**6) <= turn <= dimension.most:
        # No time and no frequency that could be meant.
        return ""
    what = "the period of" if dimension is TIME else "one turn in"
    return f"; {what} {number} {unit} is {_written(turn, dimension)}"


def _written(amount: Fraction, dimension: Dimension) -> str:
    """Return an amount of base units to five digits, in the largest unit that leaves 1 or more."""
    plain = {unit: scale for unit, scale in dimension.scales.items() if unit not in ("min", "h")}
    fitting = [unit for unit, scale in plain.items() if scale <= amount]
    unit = (
        max(fitting, key=lambda one: plain[one]) if fitting else min(plain, key=lambda o: plain[o])
    )
    return f"{float(amount / plain[unit]):.5g} {unit}"


def whole(value: Any, dimension: Dimension) -> int:
    """Read a quantity in whole base units, rounded half to even; see `exact`."""
    return round(exact(value, dimension))


def positive(value: Any, dimension: Dimension) -> Rate:
    """Read a frequency or line rate, which has to be above zero; see `exact`."""
    amount = exact(value, dimension)
    if amount <= 0:
        raise FaultError(
            f"{dimension.noun} above zero, such as {written(dimension.example)}", written(value)
        )
    return Rate(amount)


@contextmanager
def told(where: str) -> Iterator[None]:
    """Have a fault of what did not come from a scenario file, but an option, told as bad input.

    Raises
    ------
    InputError
        In place of a FaultError; it names `where`.
    """
    try:
        yield
    except FaultError as error:
        raise InputError(where, None, error.fault.found, error.fault.allowed) from None


def parse_duration(text: str, where: str = "duration") -> int:
    """Read a duration that did not come from a scenario file, in fs, rounded half to even.

    Raises
    ------
    InputError
        When it is no duration; it names `where`.
    """
    with told(where):
        return whole(text, TIME)
