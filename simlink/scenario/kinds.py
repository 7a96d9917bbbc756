"""The kinds of value that a key of the scenario file may have: how each is read and described."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Annotated, Any, Literal, get_args, get_origin

from pydantic import GetCoreSchemaHandler, StrictBool, StrictStr
from pydantic.fields import FieldInfo
from pydantic_core import CoreSchema, core_schema

from simlink.base.wording import ratio_text, time_text
from simlink.scenario.distributions import Constant, Distribution, Normal, Uniform
from simlink.scenario.faults import FaultError, nearest, written
from simlink.scenario.quantities import (
    FREQUENCY,
    LINE_RATE,
    RATIO,
    SLEW,
    TIME,
    VOLTAGE,
    Dimension,
    Rate,
    positive,
    whole,
)
from simlink.scenario.reading import read_shape
from simlink.scenario.recorded import Recorded

WIDEST_TOLERANCE = 10**11  # 10 %
MOST_LANES = 64
MOST_TIMES = 10_000


class Kind:
    """One kind of value.

    Parameters
    ----------
    allowed : str
        What a complaint says is allowed.
    schema : dict
        The JSON Schema of the value as it is written.
    read : callable, optional
        Takes what the file holds and the directory of the file; returns the value, or raises
        FaultError. Without it pydantic reads the value by its type.
    """

    def __init__(
        self, allowed: str, schema: dict[str, Any], read: Callable[[Any, Path], Any] | None = None
    ) -> None:
        self.allowed = allowed
        self.schema = schema
        self.read = read

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        """Have pydantic read the value as this kind says."""
        if self.read is None:
            return handler(source)
        read = self.read
        return core_schema.with_info_plain_validator_function(
            lambda value, info: read(value, (info.context or {}).get("base", Path()))
        )


def kind_of(field: FieldInfo) -> Kind:
    """Return the kind of a field's value, which an optional one has inside its type."""
    held: list[Any] = list(field.metadata)
    for part in (field.annotation, *get_args(field.annotation)):
        if get_origin(part) is Literal:
            names = get_args(part)
            return Kind("one of " + ", ".join(map(written, names)), {"enum": list(names)})
        held += getattr(part, "__metadata__", ())
    return next(one for one in held if isinstance(one, Kind))


def count(low: int, high: int) -> Kind:
    """Return the kind of a whole number from `low` to `high`."""
    allowed = f"a whole number from {low} to {high}"

    def read(value: Any, base: Path) -> int:
        if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
            raise FaultError(allowed, written(value))
        return value

    return Kind(allowed, {"type": "integer", "minimum": low, "maximum": high}, read)


def _line(value: Any, base: Path) -> str:
    if not isinstance(value, str) or not value.removeprefix("!").strip():
        raise FaultError("the name of a variable in quotes", written(value))
    return value


def share(low_open: bool = False, high_open: bool = False) -> Kind:
    """Return the kind of a plain number from 0 to 1, with or without its ends."""
    allowed = f"a number {'above' if low_open else 'from'} 0 {'and below' if high_open else 'to'} 1"

    def read(value: Any, base: Path) -> float:
        number = isinstance(value, int | float) and not isinstance(value, bool)
        if not number or not 0 <= value <= 1:
            raise FaultError(allowed, written(value))
        if (low_open and value == 0) or (high_open and value == 1):
            raise FaultError(allowed, written(value))
        return float(value)

    low = "exclusiveMinimum" if low_open else "minimum"
    high = "exclusiveMaximum" if high_open else "maximum"
    return Kind(allowed, {"type": "number", low: 0, high: 1}, read)


def _above_nothing(dimension: Dimension, value: Any, base: Path) -> Distribution:
    """Read a size that has to be above zero, of any shape."""
    shape = read_shape(value, dimension, base)
    if shape.support[0] < 0 or shape.support[1] <= 0:
        raise FaultError(f"{dimension.noun} above zero", written(value))
    return shape


def _instants(value: Any, base: Path) -> tuple[Constant, ...]:
    allowed = f'a list of 1 to {MOST_TIMES} fixed durations, such as ["1 us", "3 us"]'
    if not isinstance(value, list | tuple) or not 1 <= len(value) <= MOST_TIMES:
        raise FaultError(allowed, written(value))
    found = []
    for i, one in enumerate(value):
        try:
            amount = whole(one, TIME)
        except FaultError as error:
            raise error.under(i) from None
        if amount < 0:
            raise FaultError("a duration may not reach below zero", written(one), (i,))
        found.append(Constant(value=amount))
    return tuple(found)


def each_of(read: Callable[[Any], Any], values: Sequence[Any]) -> tuple[Any, ...]:
    """Read each value of a list; a fault says which of them it is in."""
    found = []
    for i, one in enumerate(values):
        try:
            found.append(read(one))
        except FaultError as error:
            raise error.under(i) from None
    return tuple(found)


def _each_lane(read: Callable[[Any], Any], value: Any) -> tuple[Any, ...]:
    """Read a list of one value a lane."""
    if not 1 <= len(value) <= MOST_LANES:
        raise FaultError(f"a list of 1 to {MOST_LANES} values, one a lane", written(value))
    return each_of(read, value)


def _lines(value: Any, base: Path) -> tuple[str, ...]:
    if not isinstance(value, list):
        return (_line(value, base),)
    return _each_lane(lambda one: _line(one, base), value)


def _or_list(single: dict[str, Any], one: dict[str, Any]) -> dict[str, Any]:
    """Return the schema of a single value, or of a list of one a lane."""
    several = {"type": "array", "minItems": 1, "maxItems": MOST_LANES, "items": one}
    return {"anyOf": [single, several]}


def _above_zero(dimension: Dimension) -> Kind:
    def read(value: Any, base: Path) -> Rate:
        return positive(value, dimension)

    schema = {"type": "string", "pattern": dimension.pattern, "examples": [dimension.example]}
    return Kind(f"{dimension.allowed}, above zero", schema, read)


def _fixed(value: Any, base: Path) -> Constant:
    allowed = 'a fixed duration above zero, such as "50 us"'
    if isinstance(value, dict):
        raise FaultError(allowed, written(value))
    amount = whole(value, TIME)
    if amount <= 0:
        raise FaultError(allowed, written(value))
    return Constant(value=amount)


def duration(value: Any, base: Path) -> Distribution:
    """Read a duration, which may not reach below zero."""
    shape = read_shape(value, TIME, base)
    low = shape.support[0]
    if low < 0:
        if isinstance(shape, Normal) or low == float("-inf"):
            clip = 'ask for clipping: low = "0 ns"'
        elif isinstance(shape, Recorded):
            line = shape.line_of(int(shape.values.argmin()))
            clip = f"line {line} has {time_text(low)}"
        else:
            clip = f"it reaches down to {time_text(low)}"
        raise FaultError(f"a duration may not reach below zero; {clip}", written(value))
    return shape


def _signed(value: Any, base: Path) -> Distribution:
    return read_shape(value, TIME, base)


def _skew(value: Any, base: Path) -> Distribution:
    """Read a skew; of a plain duration each channel draws its share.

    A data sheet's channel-to-channel skew is the largest difference between any two channels, and
    says nothing of each: uniform from 0 to it, no two differ by more, and two may by all of it.
    """
    shape = read_shape(value, TIME, base)
    if isinstance(value, dict) or shape.constant_value == 0:
        return shape
    return Uniform(low=min(shape.constant_value, 0), high=max(shape.constant_value, 0))


def _lane_skews(value: Any, base: Path) -> Distribution | tuple[Constant, ...]:
    if not isinstance(value, list):
        return _skew(value, base)
    return _each_lane(lambda one: Constant(value=whole(one, TIME)), value)


#: What a direction's limits of the delay may contain.
COVERED = ("part_to_part_skew", "channel_skew", "pulse_width_distortion")


def _covers(value: Any, base: Path) -> tuple[str, ...]:
    allowed = f"a list of any of {', '.join(map(written, COVERED))}, each once"
    if not isinstance(value, list | tuple):
        raise FaultError(allowed, written(value))
    for i, one in enumerate(value):
        if one not in COVERED or one in value[:i]:
            hint = nearest(one, COVERED) if one not in COVERED else ""
            raise FaultError("; ".join(filter(None, (allowed, hint))), written(one), (i,))
    return tuple(value)


def _tolerance(value: Any, base: Path) -> Distribution:
    shape = read_shape(value, RATIO, base)
    for end in shape.support:
        if abs(end) > WIDEST_TOLERANCE:
            reach = f"it reaches {ratio_text(end)}"
            if isinstance(shape, Normal):
                reach = 'ask for clipping: low = "-100 ppm", high = "100 ppm"'
            raise FaultError(f"a tolerance within -10 % and 10 %; {reach}", written(value))
    return shape


def _by_name(name: str, dimension: Dimension, read: Callable[[Any, Path], Any]) -> Kind:
    return Kind(f"{dimension.allowed}, or a table with a shape", {"$ref": f"#/$defs/{name}"}, read)


@dataclass(frozen=True)
class Capture:
    """When a host captures a bit, counted from the clock edge of its own that launches it.

    Attributes
    ----------
    half_periods : int or None
        In half periods of the host's clock.
    delay : int or None
        As a trained delay, in fs.
    """

    half_periods: int | None
    delay: int | None = None


MOST_HALF_PERIODS = 64


def _host_capture(value: Any, base: Path) -> Capture:
    allowed = (
        f'"half", "whole", a whole number of half periods from 1 to {MOST_HALF_PERIODS}, or a '
        'fixed duration, such as "14 ns"'
    )
    if value in ("half", "whole"):
        return Capture(1 if value == "half" else 2)
    if isinstance(value, bool) or not isinstance(value, int | str):
        raise FaultError(allowed, written(value))
    if isinstance(value, int):
        if not 1 <= value <= MOST_HALF_PERIODS:
            raise FaultError(allowed, written(value))
        return Capture(value)
    try:
        delay = whole(value, TIME)
    except FaultError:
        raise FaultError(allowed, written(value)) from None
    if delay <= 0:
        raise FaultError(allowed, written(value))
    return Capture(None, delay)


HOST_CAPTURE = Kind(
    'half, whole, a whole number of half periods, or a fixed duration, such as "14 ns"',
    {
        "anyOf": [
            {"enum": ["half", "whole"]},
            {"type": "integer", "minimum": 1, "maximum": MOST_HALF_PERIODS},
            {"type": "string", "pattern": TIME.pattern},
        ]
    },
    _host_capture,
)

DURATION = _by_name("duration", TIME, duration)
SIGNED_DURATION = _by_name("signed_duration", TIME, _signed)
SLEW_KIND = _by_name("slew", SLEW, partial(_above_nothing, SLEW))
VOLTAGE_KIND = _by_name("voltage", VOLTAGE, partial(_above_nothing, VOLTAGE))
TIMES = Kind(
    'a list of fixed durations, such as ["1 us", "3 us"]',
    {
        "type": "array",
        "minItems": 1,
        "maxItems": MOST_TIMES,
        "items": {"type": "string", "pattern": TIME.pattern.replace("[+-]?", r"\+?", 1)},
    },
    _instants,
)
TOLERANCE = _by_name("ratio", RATIO, _tolerance)
SKEW = _by_name("signed_duration", TIME, _skew)
DELAY_COVERS = Kind(
    f"a list of any of {', '.join(map(written, COVERED))}",
    {"type": "array", "items": {"enum": list(COVERED)}, "uniqueItems": True},
    _covers,
)
LANE_SKEWS = Kind(
    f"{TIME.allowed}, a table with a shape, or a list of one fixed value a lane",
    _or_list({"$ref": "#/$defs/signed_duration"}, {"type": "string", "pattern": TIME.pattern}),
    _lane_skews,
)
FIXED_DURATION = Kind(
    'a fixed duration above zero, such as "50 us"',
    {"type": "string", "pattern": TIME.pattern, "examples": ["50 us"]},
    _fixed,
)

Text = Annotated[StrictStr, Kind("text in quotes", {"type": "string"})]
Flag = Annotated[StrictBool, Kind("true or false", {"type": "boolean"})]
LineName = Annotated[str, Kind("the name of a variable in quotes", {"type": "string"}, _line)]
LineNames = Annotated[
    tuple[str, ...],
    Kind(
        "the name of a variable in quotes, or a list of one a lane",
        _or_list({"type": "string"}, {"type": "string"}),
        _lines,
    ),
]
Duration = Annotated[Distribution, DURATION]
SignedDuration = Annotated[Distribution, SIGNED_DURATION]
HostCapture = Annotated[Capture, HOST_CAPTURE]
Skew = Annotated[Distribution, SKEW]
DelayCovers = Annotated[tuple[str, ...], DELAY_COVERS]
LaneSkews = Annotated[Distribution | tuple[Constant, ...], LANE_SKEWS]
Slew = Annotated[Distribution, SLEW_KIND]
Voltage = Annotated[Distribution, VOLTAGE_KIND]
Times = Annotated[tuple[Constant, ...], TIMES]
Tolerance = Annotated[Distribution, TOLERANCE]
FixedDuration = Annotated[Constant, FIXED_DURATION]
Frequency = Annotated[Rate, _above_zero(FREQUENCY)]
LineRate = Annotated[Rate, _above_zero(LINE_RATE)]
