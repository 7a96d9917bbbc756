"""The scenario format as a JSON Schema, for editors to complete and explain."""

from __future__ import annotations

from collections.abc import Sequence
from functools import reduce
from typing import Any

from pydantic.fields import FieldInfo

from simlink.base.made import MAKER
from simlink.scenario.fields import Section
from simlink.scenario.kinds import count, kind_of
from simlink.scenario.law import Table
from simlink.scenario.quantities import RATIO, SLEW, TIME, VOLTAGE, Dimension
from simlink.scenario.reading import COUNTS, SHAPES, adapter
from simlink.scenario.sections import NO_FIXED_DEFAULT, Keys
from simlink.scenario.transient import KEYS, Transient
from simlink.scenario.writing import BESIDE, ONLY_WITH, default, tables_of

Schema = dict[str, Any]


def json_schema() -> Schema:
    """Return the JSON Schema (2020-12) of the scenario file.

    It knows what one key may hold, and which keys each table has; what has to hold between
    keys is checked when a scenario is loaded.
    """
    root = _table(Keys, "A scenario of simlink.")
    root["required"] = [
        name for name, inner in tables_of(Keys) if name == "trigger" or _required(inner)
    ]

    def around(key: str) -> tuple[Schema, str]:
        """Return the schema of the table that a key stands in, and the key's own name."""
        *above, name = key.split(".")
        return reduce(lambda table, step: table["properties"][step], above, root), name

    for key, (other, values) in ONLY_WITH.items():
        table, name = around(key)
        table.setdefault("allOf", []).append(_only_with(name, other, values, default(key) is None))
    for key, other in BESIDE.items():
        table, name = around(key)
        table.setdefault("dependentRequired", {})[name] = [other.rpartition(".")[2]]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "$comment": f"Made by {MAKER}",
        "title": "simlink scenario",
        **root,
        "$defs": {
            "duration": _quantity("duration", TIME, signed=False),
            "signed_duration": _quantity("signed_duration", TIME),
            "ratio": _quantity("ratio", RATIO),
            "slew": _quantity("slew", SLEW, signed=False),
            "voltage": _quantity("voltage", VOLTAGE, signed=False),
            "count": {"anyOf": [count(1, 10**10).schema, *_tables(COUNTS, {})]},
        },
    }


def _only_with(name: str, other: str, values: Sequence[str], needed: bool) -> Schema:
    """Return the rule of a key that is only for some values of another of its table."""
    last = other.rpartition(".")[2]
    condition: Schema = {"properties": {last: {"enum": list(values)}}}
    if default(other) not in values:
        condition["required"] = [last]
    then = {"required": [name]} if needed else {}
    return {"if": condition, "then": then, "else": {"properties": {name: False}}}


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
        elif key == "transient":
            properties[key] = {
                "type": "array",
                "items": _source(),
                "description": field.description,
            }
        else:
            properties[key] = _value(field)
    schema: Schema = {"description": description, "type": "object", "properties": properties}
    schema["additionalProperties"] = False
    if required := _required(model):
        schema["required"] = required
    return schema


def _source() -> Schema:
    """Return the schema of a source of transients: which keys it has depends on its kind."""
    schema = _table(Transient, "A source of common-mode transients.")
    schema["allOf"] = []
    for kind, (needs, may) in KEYS.items():
        others = {*schema["properties"]} - {"kind", *needs, *may}
        then = {"required": list(needs), "properties": dict.fromkeys(sorted(others), False)}
        schema["allOf"].append({"if": {"properties": {"kind": {"const": kind}}}, "then": then})
    return schema


def _value(field: FieldInfo) -> Schema:
    kind = kind_of(field)
    described = {"description": f"{field.description} Allowed: {kind.allowed}."}
    fixed = field.json_schema_extra is not NO_FIXED_DEFAULT
    if field.default is not None and not field.is_required() and fixed:
        described["default"] = field.default
    return {**kind.schema, **described}


def _quantity(name: str, dimension: Dimension, signed: bool = True) -> Schema:
    """Return the schema of a quantity: text, or a table for each shape."""
    text = {**dimension.schema(), "examples": [dimension.example]}
    places: dict[str, Schema] = {
        "quantity": text,
        "law": {"$ref": f"#/$defs/{name}"},
        "unit": {"enum": list(dimension.scales)},
        "count": {"$ref": "#/$defs/count"},
    }
    return {"anyOf": [{**text, **dimension.schema(signed)}, *_tables(SHAPES, places)]}


def _tables(models: tuple[type[Table], ...], places: dict[str, Schema]) -> list[Schema]:
    """Return the schema of each table that names its shape.

    `places` holds what stands where a model says what it holds.
    """
    whole = adapter(models).json_schema()
    defined = whole["$defs"]

    def placed(schema: Any) -> Any:
        if isinstance(schema, list):
            return [placed(one) for one in schema]
        if not isinstance(schema, dict):
            return schema
        schema = {key: placed(value) for key, value in schema.items() if key != "title"}
        schema |= places.get(schema.pop("holds", ""), {})
        if schema.get("default", 0) is None:  # there is no way to write "nothing" in the file
            del schema["default"]
            schema |= schema.pop("anyOf", [{}])[0]
        inner = defined.get(str(schema.get("$ref", "")).removeprefix("#/$defs/"))
        return schema if inner is None else placed(inner)

    tables: list[Schema] = placed(whole["oneOf"])
    for table in tables:
        table["description"] = table["description"].partition("\n")[0]
        table["required"] = ["shape", *table["required"]]
    return tables
