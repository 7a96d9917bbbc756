"""The kinds of value that a key of the scenario file may have: how each is read and described."""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
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

#: Takes what the file holds and the directory of the file; returns the value, or raises FaultError.
Read = Callable[[Any, Path], Any]


@dataclass(eq=False)
class Kind:
    """One kind of value."""

    allowed: str  # what a complaint says is allowed
    schema: dict[str, Any]  # the JSON Schema of the value as it is written
    read: Read | None = None  # without it pydantic reads the value by its type

    def __get_pydantic_core_schema__(
        self, source: Any, handler: GetCoreSchemaHandler
    ) -> CoreSchema:
        """Have pydantic read the value as this kind says."""
        if self.read is None:
            return handler(source)
        return core_schema.with_info_plain_validator_function(
            lambda value, info: self.taken(value, (info.context or {}).get("base", Path()))
        )

    def taken(self, value: Any, base: Path) -> Any:
        """Read a value without pydantic."""
        assert self.read is not None
        return self.read(value, base)


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


def is_number(value: Any) -> bool:
    """Tell whether a value is a plain number."""
    return isinstance(value, int | float) and not isinstance(value, bool)


def number(low: float, high: float, low_open: bool = False, high_open: bool = False) -> Kind:
    """Return the kind of a plain number from `low` to `high`, with or without its ends."""
    least, most = "above" if low_open else "from", "and below" if high_open else "to"
    allowed = f"a number {least} {low:g} {most} {high:g}"

    def read(value: Any, base: Path) -> float:
        open_end = (low_open and value == low) or (high_open and value == high)
        if not is_number(value) or not low <= value <= high or open_end:
            raise FaultError(allowed, written(value))
        return float(value)

    lower = "exclusiveMinimum" if low_open else "minimum"
    upper = "exclusiveMaximum" if high_open else "maximum"
    return Kind(allowed, {"type": "number", lower: low, upper: high}, read)


#: The kind of a share of something.
share = partial(number, 0, 1)


def _above_nothing(dimension: Dimension, value: Any, base: Path) -> Distribution:
    """Read a size that has to be above zero, of any shape."""
    shape = read_shape(value, dimension, base)
    if shape.support[0] < 0 or shape.support[1] <= 0:
        raise FaultError(f"{dimension.noun} above zero", written(value))
    return shape


def several(allowed: str, most: int, one: Kind, fewest: int = 1, complaint: str = "") -> Kind:
    """Return the kind of a list, whose faults say which of its values they are in."""

    def read(values: Any, base: Path) -> tuple[Any, ...]:
        if not isinstance(values, list | tuple) or not fewest <= len(values) <= most:
            raise FaultError(complaint or allowed, written(values))
        found = []
        for i, value in enumerate(values):
            try:
                found.append(one.taken(value, base))
            except FaultError as error:
                raise error.under(i) from None
        return tuple(found)

    schema = {"type": "array", "minItems": fewest, "maxItems": most, "items": one.schema}
    return Kind(allowed, schema, read)


def _each_lane(allowed: str, one: Kind, all_lanes: Kind) -> Kind:
    """Return the kind of a list of one value a lane, or of a value for all lanes."""
    listed = several(f"a list of 1 to {MOST_LANES} values, one a lane", MOST_LANES, one)

    def read(value: Any, base: Path) -> Any:
        return (listed if isinstance(value, list) else all_lanes).taken(value, base)

    return Kind(allowed, {"anyOf": [all_lanes.schema, listed.schema]}, read)


def _line(value: Any, base: Path) -> str:
    if not isinstance(value, str) or not value.removeprefix("!").strip():
        raise FaultError("the name of a variable in quotes", written(value))
    return value


def _fixed(value: Any, base: Path) -> Constant:
    return Constant(value=whole(value, TIME))


#: A fixed duration, which may be negative.
FIXED = Kind(TIME.allowed, TIME.schema(), _fixed)


def _instant(value: Any, base: Path) -> Constant:
    found = _fixed(value, base)
    if found.value < 0:
        raise FaultError("a duration may not reach below zero", written(value))
    return found


def _above_zero(dimension: Dimension) -> Kind:
    def read(value: Any, base: Path) -> Rate:
        return positive(value, dimension)

    schema = {**dimension.schema(), "examples": [dimension.example]}
    return Kind(f"{dimension.allowed}, above zero", schema, read)


def _above_zero_fixed(value: Any, base: Path) -> Constant:
    if not isinstance(value, dict) and (found := _fixed(value, base)).value > 0:
        return found
    raise FaultError('a fixed duration above zero, such as "50 us"', written(value))


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


def _by_name(name: str, dimension: Dimension, read: Read) -> Kind:
    return Kind(f"{dimension.allowed}, or a table with a shape", {"$ref": f"#/$defs/{name}"}, read)


@dataclass(frozen=True)
class Capture:
    """When a host captures a bit, counted from the clock edge of its own that launches it."""

    half_periods: int | None  # of the host's clock
    delay: int | None = None  # as trained, in fs


MOST_HALF_PERIODS = 64


def _host_capture(value: Any, base: Path) -> Capture:
    allowed = (
        f'"half", "whole", a whole number of half periods from 1 to {MOST_HALF_PERIODS}, or a '
        'fixed duration, such as "14 ns"'
    )
    if value in ("half", "whole"):
        return Capture(1 if value == "half" else 2)
    if type(value) is int and 1 <= value <= MOST_HALF_PERIODS:
        return Capture(value)
    with suppress(FaultError):
        if isinstance(value, str) and (delay := whole(value, TIME)) > 0:
            return Capture(None, delay)
    raise FaultError(allowed, written(value))


Text = Annotated[StrictStr, Kind("text in quotes", {"type": "string"})]
Flag = Annotated[StrictBool, Kind("true or false", {"type": "boolean"})]
_LINE = Kind("the name of a variable in quotes", {"type": "string"}, _line)
LineName = Annotated[str, _LINE]
LineNames = Annotated[
    tuple[str, ...],
    _each_lane(
        f"{_LINE.allowed}, or a list of one a lane",
        _LINE,
        Kind("", _LINE.schema, lambda value, base: (_line(value, base),)),
    ),
]
Duration = Annotated[Distribution, _by_name("duration", TIME, duration)]
SignedDuration = Annotated[Distribution, _by_name("signed_duration", TIME, _signed)]
HostCapture = Annotated[
    Capture,
    Kind(
        'half, whole, a whole number of half periods, or a fixed duration, such as "14 ns"',
        {
            "anyOf": [
                {"enum": ["half", "whole"]},
                {"type": "integer", "minimum": 1, "maximum": MOST_HALF_PERIODS},
                TIME.schema(),
            ]
        },
        _host_capture,
    ),
]
_SKEW = _by_name("signed_duration", TIME, _skew)
Skew = Annotated[Distribution, _SKEW]
DelayCovers = Annotated[
    tuple[str, ...],
    Kind(
        f"a list of any of {', '.join(map(written, COVERED))}",
        {"type": "array", "items": {"enum": list(COVERED)}, "uniqueItems": True},
        _covers,
    ),
]
LaneSkews = Annotated[
    Distribution | tuple[Constant, ...],
    _each_lane(
        f"{TIME.allowed}, a table with a shape, or a list of one fixed value a lane",
        FIXED,
        _SKEW,
    ),
]
Slew = Annotated[Distribution, _by_name("slew", SLEW, partial(_above_nothing, SLEW))]
Voltage = Annotated[Distribution, _by_name("voltage", VOLTAGE, partial(_above_nothing, VOLTAGE))]
Times = Annotated[
    tuple[Constant, ...],
    several(
        'a list of fixed durations, such as ["1 us", "3 us"]',
        MOST_TIMES,
        Kind("", TIME.schema(signed=False), _instant),
        complaint=f'a list of 1 to {MOST_TIMES} fixed durations, such as ["1 us", "3 us"]',
    ),
]
Tolerance = Annotated[Distribution, _by_name("ratio", RATIO, _tolerance)]
FixedDuration = Annotated[
    Constant,
    Kind(
        'a fixed duration above zero, such as "50 us"',
        {**TIME.schema(), "examples": ["50 us"]},
        _above_zero_fixed,
    ),
]
Frequency = Annotated[Rate, _above_zero(FREQUENCY)]
LineRate = Annotated[Rate, _above_zero(LINE_RATE)]
