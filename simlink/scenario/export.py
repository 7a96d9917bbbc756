"""The scenario format as a JSON Schema, for editors to complete and explain."""

from __future__ import annotations

from collections.abc import Iterable
from typing import Any

from pydantic.fields import FieldInfo

from simlink.scenario.quantities import RATIO, TIME, Dimension
from simlink.scenario.reading import COUNT_KEYS, KEYS
from simlink.scenario.sections import Keys, Section
from simlink.scenario.writing import kind_of, tables_of

Schema = dict[str, Any]

_MEANINGS = {
    "constant": "the same every time",
    "uniform": "every value from low to high equally likely",
    "normal": "normal; values beyond low or high, where given, are set to it",
    "exponential": "exponential with this mean, moved up by the offset",
    "lognormal": "lognormal with this mean and sigma of its own, moved up by the offset",
    "gamma": "gamma with this mean and sigma of its own, moved up by the offset",
    "limits": "lowest, typical and highest as a data sheet gives them: triangular",
    "mixture": "each draw comes from one part, chosen by weight",
    "two_state": "runs of normal draws and runs of stalled draws, in turn",
    "recorded": "a column of a CSV file, replayed from a random row, or from start",
}


def json_schema() -> Schema:
    """Return the JSON Schema (2020-12) of the scenario file.

    It knows what one key may hold, and which keys each table has; what has to hold between
    keys is checked when a scenario is loaded.
    """
    root = _table(Keys, "A scenario of simlink.")
    root["required"] = [
        name for name, inner in tables_of(Keys) if name == "trigger" or _required(inner)
    ]
    trigger = root["properties"]["trigger"]
    trigger["allOf"] = [
        {
            "if": _is("pattern", "after_read"),
            "then": {"required": ["gap"], "properties": {"rate": False, "tolerance": False}},
            "else": {"required": ["rate"]},
        },
        {
            "if": _is("pattern", "burst"),
            "then": {"required": ["gap", "burst_length"]},
            "else": {"properties": {"burst_length": False}},
        },
        {
            "if": {"properties": {"pattern": {"enum": ["periodic", "poisson"]}}},
            "then": {"properties": {"gap": False}},
        },
    ]
    back = root["properties"]["barrier"]["properties"]["return"]
    back["if"] = _is("style", "packets")
    back["then"] = {"required": ["packet_bits"]}
    back["else"] = {"properties": {"packet_bits": False, "overhead_bits": False}}
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": "simlink scenario",
        **root,
        "$defs": {
            "duration": _quantity("duration", TIME, TIME.pattern.replace("[+-]?", r"\+?", 1)),
            "signed_duration": _quantity("signed_duration", TIME, TIME.pattern),
            "ratio": _quantity("ratio", RATIO, RATIO.pattern),
            "count": _count(),
        },
    }


def _is(key: str, value: str) -> Schema:
    return {"properties": {key: {"const": value}}, "required": [key]}


def _required(model: type[Section]) -> list[str]:
    return [f.alias or name for name, f in model.model_fields.items() if f.is_required()]


def _table(model: type[Section], description: str) -> Schema:
    """Return the schema of a table and of the tables inside it."""
    inner = dict(tables_of(model))
    properties: Schema = {}
    for name, field in model.model_fields.items():
        key = field.alias or name
        if key in inner:
            said = field.description or (inner[key].__doc__ or "").partition("\n")[0]
            properties[key] = _table(inner[key], said)
        else:
            properties[key] = _value(field)
    schema: Schema = _object(properties, _required(model))
    return {"description": description, **schema}


def _value(field: FieldInfo) -> Schema:
    kind = kind_of(field)
    described = {"description": f"{field.description} Allowed: {kind.allowed}."}
    if field.default is not None and not field.is_required():
        described["default"] = field.default
    return {**kind.schema, **described}


def _object(properties: Schema, required: Iterable[str]) -> Schema:
    schema: Schema = {"type": "object", "properties": properties, "additionalProperties": False}
    if required:
        schema["required"] = list(required)
    return schema


def _quantity(name: str, dimension: Dimension, pattern: str) -> Schema:
    """Return the schema of a quantity: text, or a table for each shape."""
    text = {"type": "string", "pattern": dimension.pattern, "examples": [dimension.example]}
    itself = {"$ref": f"#/$defs/{name}"}
    number = {"type": "number", "exclusiveMinimum": 0}
    special: Schema = {
        "file": {"type": "string", "minLength": 1, "description": "A CSV file."},
        "column": {"type": "string", "minLength": 1, "description": "The name of its column."},
        "unit": {"enum": list(dimension.scales), "description": "The unit of its numbers."},
        "start": {"type": "integer", "minimum": 0, "description": "The row to start at, from 0."},
        "parts": {
            "type": "array",
            "minItems": 1,
            "maxItems": 100,
            "items": _object({"weight": number, "of": itself}, ["weight", "of"]),
        },
        "normal": itself,
        "stalled": itself,
        "spacing": {"$ref": "#/$defs/count", "description": "How many normal draws in a row."},
        "length": {"$ref": "#/$defs/count", "description": "How many stalled draws in a row."},
    }
    tables = []
    for shape, (required, optional) in KEYS.items():
        properties: Schema = {"shape": {"const": shape}}
        properties |= {key: special.get(key, text) for key in (*required, *optional)}
        table = _object(properties, ["shape", *required])
        tables.append({"description": _MEANINGS[shape], **table})
    return {"anyOf": [{**text, "pattern": pattern}, *tables]}


def _count() -> Schema:
    whole = {"type": "integer", "minimum": 1, "maximum": 10**10}
    mean = {"type": "number", "minimum": 1, "maximum": 1e10}
    tables = []
    for shape, (required, _) in COUNT_KEYS.items():
        value = mean if shape == "geometric" else whole
        properties: Schema = {"shape": {"const": shape}, **dict.fromkeys(required, value)}
        tables.append(_object(properties, ["shape", *required]))
    return {"anyOf": [whole, *tables]}
