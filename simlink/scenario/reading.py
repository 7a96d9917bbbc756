"""From what a scenario file holds to shapes: text with a unit, or a table that names a shape."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Mapping
from functools import cache, partial
from pathlib import Path
from typing import Annotated, Any, Union

from pydantic import Field, TypeAdapter, ValidationError
from pydantic.fields import FieldInfo

from simlink.base.interrupts import uninterrupted
from simlink.scenario.composite import GeometricCount, Mixture, Part, TwoState, UniformCount
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
from simlink.scenario.faults import FaultError, nearest, written
from simlink.scenario.law import Table
from simlink.scenario.quantities import Dimension, whole
from simlink.scenario.recorded import Recorded

_DEEPEST = 8
#: Keys that a complaint lists at the most, and how many of a longer list.
_MOST_KNOWN, _FIRST_KNOWN = 30, 12
SHAPES: tuple[type[Table], ...] = (
    Constant,
    Uniform,
    Normal,
    Exponential,
    Lognormal,
    Gamma,
    Limits,
    Mixture,
    TwoState,
    Recorded,
)
COUNTS: tuple[type[Table], ...] = (GeometricCount, UniformCount)
_COUNT = (
    'a whole number from 1, { shape = "geometric", mean = 100 } or '
    '{ shape = "uniform", low = 50, high = 150 }'
)


def unknown(key: str, known: Collection[str]) -> str:
    """Return what to say about an unknown key: the nearest known one, and all, or the first few."""
    hint, some = nearest(key, known), list(known)
    if len(some) > _MOST_KNOWN:
        some = [*some[:_FIRST_KNOWN], f"and {len(some) - _FIRST_KNOWN} more"]
    return f"unknown key{'; ' if hint else ''}{hint} (known here: {', '.join(some)})"


def read_shape(value: Any, dimension: Dimension, base: Path, depth: int = 0) -> Distribution:
    """Read a quantity, text with a unit or a table, that may have any shape.

    `depth` is how many shapes it is inside of.

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
    if depth > _DEEPEST:
        raise FaultError(f"shapes may be nested {_DEEPEST} deep at most")
    read = partial(read_shape, dimension=dimension, base=base, depth=depth + 1)
    context = {"dimension": dimension, "base": base, "law": read, "count": _read_count}
    found: Distribution = _read(value, SHAPES, context)
    return found


def _read_count(value: Any) -> Table:
    """Read how many draws a run has."""
    if isinstance(value, dict):
        found: Table = _read(value, COUNTS, {})
        return found
    if type(value) is not int or not 1 <= value <= 10**10:
        raise FaultError(_COUNT, written(value))
    return UniformCount(low=value, high=value)


@cache
def adapter(models: tuple[type[Table], ...]) -> TypeAdapter[Any]:
    """Return what reads a table as the model that its shape names."""
    union: Any = Annotated[Union[models], Field(discriminator="shape")]  # noqa: UP007
    # What comes while the schema is built is printed there as a traceback.
    with uninterrupted():
        return TypeAdapter(union)


def _read(table: Mapping[str, Any], models: tuple[type[Table], ...], context: Any) -> Any:
    try:
        return adapter(models).validate_python(table, context=context)
    except ValidationError as error:
        raise _first(error, table, models) from None


def _first(
    error: ValidationError, table: Mapping[str, Any], models: tuple[type[Table], ...]
) -> FaultError:
    """Return the first fault of a table: unknown keys, then missing ones, then the others."""
    ranks = {"extra_forbidden": 0, "missing": 1}
    detail = min(error.errors(include_url=False), key=lambda one: ranks.get(one["type"], 2))
    by_name = {model.model_fields["shape"].default: model for model in models}
    if detail["type"].startswith("union_tag"):
        return _no_shape(table, by_name)
    name, *path = detail["loc"]
    cause = detail.get("ctx", {}).get("error")
    if isinstance(cause, FaultError):
        path += cause.fault.path
        found = cause.fault.found or _found(table, path)
        return FaultError(cause.fault.allowed, found, tuple(path))
    inside = len(path) > 2  # of a part of a mixture
    fields = fields_of(Part if inside else by_name[name])
    key = next(step for step in reversed(path) if isinstance(step, str))
    if detail["type"] == "extra_forbidden":
        allowed = unknown(key, fields)
    elif detail["type"] == "missing":
        needs = ", ".join(name for name, field in fields.items() if field.is_required())
        allowed = f"missing; {'a part' if inside else f'shape = {written(name)}'} needs {needs}"
    elif isinstance(path[-1], int):
        allowed = "a part is { weight = 0.9, of = ... }"
    else:
        allowed = fields[key].description or ""
    return FaultError(allowed, _found(table, path), tuple(path))


def _no_shape(table: Mapping[str, Any], names: Collection[str]) -> FaultError:
    """Return the complaint about a table that names no shape, or none of these."""
    choice = ", ".join(f'"{name}"' for name in names)
    allowed = f"a table has to name its shape: one of {choice}"
    if "shape" not in table:
        return FaultError(allowed, written(dict(table)))
    said = f"{nearest(table['shape'], names)} {allowed}".strip()
    return FaultError(said, written(table["shape"]), ("shape",))


def fields_of(model: type[Table]) -> dict[str, FieldInfo]:
    """Return the fields of a table by their keys, its shape first."""
    fields = {field.alias or name: field for name, field in model.model_fields.items()}
    return {key: fields[key] for key in sorted(fields, key="shape".__ne__)}


def _found(table: Any, path: Iterable[str | int]) -> str | None:
    """Return what a table holds at a path, as the user wrote it."""
    for step in path:
        if isinstance(table, dict) and step not in table:
            return None
        table = table[step]
    return written(table)
