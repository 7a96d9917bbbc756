"""From what a scenario file holds to shapes: text with a unit, or a table that names a shape."""

from __future__ import annotations

import difflib
import math
import os
from collections.abc import Callable, Collection, Mapping
from pathlib import Path
from typing import Any

from simlink.scenario.composite import Count, Mixture, Part, TwoState
from simlink.scenario.distributions import (
    Constant,
    Distribution,
    Exponential,
    Gamma,
    Limits,
    Lognormal,
    Normal,
    Uniform,
)
from simlink.scenario.faults import FaultError, written
from simlink.scenario.quantities import Dimension, whole
from simlink.scenario.recorded import Recorded, read_column

Table = Mapping[str, Any]
_DEEPEST = 8

# The keys of each shape: those required, then those that may be left out.
KEYS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "constant": (("value",), ()),
    "uniform": (("low", "high"), ()),
    "normal": (("mean", "sigma"), ("low", "high")),
    "exponential": (("mean",), ("offset",)),
    "lognormal": (("mean", "sigma"), ("offset",)),
    "gamma": (("mean", "sigma"), ("offset",)),
    "limits": (("low", "typical", "high"), ()),
    "mixture": (("parts",), ()),
    "two_state": (("normal", "stalled", "spacing"), ("length",)),
    "recorded": (("file", "column", "unit"), ("start",)),
}
COUNT_KEYS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "geometric": (("mean",), ()),
    "uniform": (("low", "high"), ()),
}
_COUNT = (
    'a whole number from 1, { shape = "geometric", mean = 100 } or '
    '{ shape = "uniform", low = 50, high = 150 }'
)


def unknown(key: str, known: Collection[str]) -> str:
    """Return what to say about an unknown key: the nearest known one, and all of them."""
    near = difflib.get_close_matches(key[:60].lower(), known, n=1, cutoff=0.6)
    hint = f'; did you mean "{near[0]}"?' if near else ""
    return f"unknown key{hint} (known here: {', '.join(known)})"


def read_shape(value: Any, dimension: Dimension, base: Path, depth: int = 0) -> Distribution:
    """Read a quantity that may have any shape.

    Parameters
    ----------
    value : object
        Text with a unit, or a table.
    dimension : Dimension
        What it has to measure.
    base : Path
        The directory that file names are relative to.
    depth : int
        How many shapes this one is inside of.

    Raises
    ------
    FaultError
        When it is neither, or when the table does not make sense.
    """
    if not isinstance(value, dict):
        try:
            return Constant(value=whole(value, dimension))
        except FaultError as error:
            if isinstance(value, str) or depth:
                raise
            fault = error.fault
            raise FaultError(f"{fault.allowed}, or a table with a shape", fault.found) from None
    name = _shape_name(value, KEYS)
    if depth > _DEEPEST:
        raise FaultError(f"shapes may be nested {_DEEPEST} deep at most")
    if name in _SIMPLE:
        return _SIMPLE[name](_Amounts(value, dimension))
    if name == "mixture":
        return _mixture(value, dimension, base, depth)
    if name == "two_state":
        return _two_state(value, dimension, base, depth)
    return _recorded(value, dimension, base)


def _shape_name(table: Table, shapes: Mapping[str, tuple[tuple[str, ...], tuple[str, ...]]]) -> str:
    """Return the shape that a table names, having checked its keys."""
    name = table.get("shape")
    if not isinstance(name, str) or name not in shapes:
        near = difflib.get_close_matches(str(name)[:60], shapes, n=1)
        hint = f'did you mean "{near[0]}"? ' if near and "shape" in table else ""
        choice = ", ".join(f'"{shape}"' for shape in shapes)
        found = written(name) if "shape" in table else written(dict(table))
        raise FaultError(
            f"{hint}a table has to name its shape: one of {choice}",
            found,
            ("shape",) if "shape" in table else (),
        )
    required, optional = shapes[name]
    known = ("shape", *required, *optional)
    for key, value in table.items():
        if key not in known:
            raise FaultError(unknown(key, known), written(value), (key,))
    for key in required:
        if key not in table:
            raise FaultError(f'missing; shape = "{name}" needs {", ".join(required)}', None, (key,))
    return name


class _Amounts:
    """Reads the amounts of one table, naming the key of whatever is wrong."""

    def __init__(self, table: Table, dimension: Dimension) -> None:
        self._table = table
        self._dimension = dimension

    def get(self, key: str, least: int | None = None, absent: int = 0) -> int:
        if key not in self._table:
            return absent
        try:
            amount = whole(self._table[key], self._dimension)
        except FaultError as error:
            raise error.under(key) from None
        if least is not None and amount < least:
            limit = "above zero" if least else "not below zero"
            raise self.wrong(key, f"{self._dimension.noun} {limit} is wanted")
        return amount

    def maybe(self, key: str) -> int | None:
        return self.get(key) if key in self._table else None

    def wrong(self, key: str, allowed: str) -> FaultError:
        return FaultError(allowed, written(self._table[key]), (key,))


def _uniform(amounts: _Amounts) -> Distribution:
    low, high = amounts.get("low"), amounts.get("high")
    if low > high:
        raise amounts.wrong("high", "high may not be below low")
    return Uniform(low=low, high=high)


def _normal(amounts: _Amounts) -> Distribution:
    mean, sigma = amounts.get("mean"), amounts.get("sigma", least=0)
    low, high = amounts.maybe("low"), amounts.maybe("high")
    if low is not None and high is not None and low > high:
        raise amounts.wrong("high", "high may not be below low")
    return Normal(mean=mean, sigma=sigma, low=low, high=high)


def _limits(amounts: _Amounts) -> Distribution:
    low, typical, high = (amounts.get(key) for key in ("low", "typical", "high"))
    if typical < low:
        raise amounts.wrong("typical", "typical may not be below low")
    if high < typical:
        raise amounts.wrong("high", "high may not be below typical")
    return Limits(low=low, typical=typical, high=high)


_SIMPLE: dict[str, Callable[[_Amounts], Distribution]] = {
    "constant": lambda a: Constant(value=a.get("value")),
    "uniform": _uniform,
    "normal": _normal,
    "exponential": lambda a: Exponential(mean=a.get("mean", least=0), offset=a.get("offset")),
    "lognormal": lambda a: Lognormal(
        mean=a.get("mean", least=1), sigma=a.get("sigma", least=0), offset=a.get("offset")
    ),
    "gamma": lambda a: Gamma(
        mean=a.get("mean", least=1), sigma=a.get("sigma", least=0), offset=a.get("offset")
    ),
    "limits": _limits,
}


def _mixture(table: Table, dimension: Dimension, base: Path, depth: int) -> Distribution:
    given = table["parts"]
    if not isinstance(given, list) or not 1 <= len(given) <= 100:
        raise FaultError(
            "a list of 1 to 100 parts, each { weight = 0.9, of = ... }", written(given), ("parts",)
        )
    parts = []
    for i, part in enumerate(given):
        where = ("parts", i)
        if not isinstance(part, dict):
            raise FaultError("a part is { weight = 0.9, of = ... }", written(part), where)
        for key, value in part.items():
            if key not in ("weight", "of"):
                raise FaultError(unknown(key, ("weight", "of")), written(value), (*where, key))
        for key in ("weight", "of"):
            if key not in part:
                raise FaultError("missing; a part needs weight and of", None, (*where, key))
        weight = _number(part["weight"])
        if weight is None or not 1e-100 <= weight <= 1e100:
            raise FaultError(
                "a number above zero, such as 0.9", written(part["weight"]), (*where, "weight")
            )
        try:
            parts.append(Part(weight=weight, of=read_shape(part["of"], dimension, base, depth + 1)))
        except FaultError as error:
            raise error.under(*where, "of") from None
    return Mixture(parts=tuple(parts))


def _two_state(table: Table, dimension: Dimension, base: Path, depth: int) -> Distribution:
    states = []
    for key in ("normal", "stalled"):
        try:
            states.append(read_shape(table[key], dimension, base, depth + 1))
        except FaultError as error:
            raise error.under(key) from None
    counts = []
    for key in ("spacing", "length"):
        try:
            counts.append(_count(table.get(key, 1)))
        except FaultError as error:
            raise error.under(key) from None
    return TwoState(normal=states[0], stalled=states[1], spacing=counts[0], length=counts[1])


def _count(value: Any) -> Count:
    if _is_count(value):
        return Count(low=value)
    if not isinstance(value, dict):
        raise FaultError(_COUNT, written(value))
    if _shape_name(value, COUNT_KEYS) == "geometric":
        mean = _number(value["mean"])
        if mean is None or not 1 <= mean <= 1e10:
            raise FaultError("a number from 1 to 1e10", written(value["mean"]), ("mean",))
        return Count(geometric_mean=mean)
    for key in ("low", "high"):
        if not _is_count(value[key]):
            raise FaultError("a whole number from 1 to 10^10", written(value[key]), (key,))
    if value["high"] < value["low"]:
        raise FaultError("high may not be below low", written(value["high"]), ("high",))
    return Count(low=value["low"], high=value["high"])


def _recorded(table: Table, dimension: Dimension, base: Path) -> Distribution:
    for key in ("file", "column"):
        text = table[key]
        if not isinstance(text, str) or not text.strip() or "\0" in text:
            what = "the name of a CSV file" if key == "file" else "the name of a column"
            raise FaultError(what, written(text), (key,))
    unit = table["unit"]
    if not isinstance(unit, str) or unit not in dimension.scales:
        units = ", ".join(f'"{name}"' for name in dimension.scales)
        raise FaultError(f"the unit of {dimension.noun}: one of {units}", written(unit), ("unit",))
    path = Path(os.path.abspath(base / table["file"]))  # tidies "..", follows no link
    column = table["column"].strip()
    try:
        values = read_column(path, column, unit, dimension)
    except OSError:  # such as a name that is too long to look up
        raise FaultError("the file cannot be read", written(table["file"]), ("file",)) from None
    start = table.get("start")
    if "start" in table and (
        isinstance(start, bool) or not isinstance(start, int) or not 0 <= start < len(values)
    ):
        raise FaultError(
            f"the row to start at, a whole number from 0 to {len(values) - 1}",
            written(start),
            ("start",),
        )
    return Recorded(file=str(path), column=column, unit=unit, start=start, data=values.tobytes())


def _number(value: Any) -> float | None:
    """Return a finite number as a float, or None."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        return None
    try:
        number = float(value)
    except OverflowError:
        return None
    return number if math.isfinite(number) else None


def _is_count(value: Any) -> bool:
    return isinstance(value, int) and not isinstance(value, bool) and 1 <= value <= 10**10
