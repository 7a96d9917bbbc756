"""A scenario as text: every key with its value, whether it was given or assumed."""

from __future__ import annotations

import copy
import os
from collections.abc import Iterable, Iterator, Mapping
from pathlib import Path
from typing import Any

from pydantic.fields import FieldInfo

from simlink.scenario import transient
from simlink.scenario.faults import FaultError, dotted, written
from simlink.scenario.fields import Section
from simlink.scenario.sections import Keys

Table = Mapping[str, Any]

# Keys that may only be given with some value of another key.
ONLY_WITH: dict[str, tuple[str, tuple[str, ...]]] = {
    "trigger.rate": ("trigger.pattern", ("periodic", "poisson", "burst")),
    "trigger.tolerance": ("trigger.pattern", ("periodic", "poisson", "burst")),
    "trigger.gap": ("trigger.pattern", ("burst", "after_read")),
    "trigger.burst_length": ("trigger.pattern", ("burst",)),
    "barrier.return.strobe": ("barrier.return.style", ("bits",)),
    "barrier.return.packet_bits": ("barrier.return.style", ("packets",)),
    "barrier.return.overhead_bits": ("barrier.return.style", ("packets",)),
    "barrier.return.header_bits": ("barrier.return.style", ("packets",)),
    "fifo.credit_refresh": ("fifo.when_full", ("stall",)),
    "check.width": ("check.kind", ("crc",)),
    "check.polynomial": ("check.kind", ("crc",)),
    "check.init": ("check.kind", ("crc",)),
    "check.reflect_in": ("check.kind", ("crc",)),
    "check.reflect_out": ("check.kind", ("crc",)),
    "check.xor_out": ("check.kind", ("crc",)),
    "check.kept_frames": ("check.on_failure", ("repeat",)),
    "check.repeat_timeout": ("check.on_failure", ("repeat",)),
}

#: Keys that mean something only beside another key that is given.
BESIDE = {"fault.response": "fault.threshold", "fault.hold": "fault.threshold"}

#: Keys that change nothing without a transient, and are left out of what is written then.
OF_TRANSIENTS = (
    "barrier.recovery",
    "barrier.upset",
    "barrier.false_edge",
    "barrier.return.header_bits",
    "fifo.realign",
    "fifo.realign_gap",
    "fifo.credit_refresh",
)


def model_at(path: Iterable[str]) -> type[Section]:
    """Return the model of the table at a path from the top of the file."""
    model: type[Section] = Keys
    for step in path:
        if not step.isdigit():  # which one of several
            model = transient.Transient if step == "transient" else dict(tables_of(model))[step]
    return model


def field_at(key: str) -> FieldInfo:
    """Return the field of a dotted key."""
    *above, last = key.split(".")
    fields = model_at(above).model_fields
    return next(field for name, field in fields.items() if (field.alias or name) == last)


def default(key: str) -> Any:
    """Return the default of a dotted key as it would be written, or None."""
    field = field_at(key)
    return None if field.is_required() else field.default


def tables_of(model: type[Section]) -> Iterator[tuple[str, type[Section]]]:
    """Give the name and the model of each table inside a table."""
    for name, field in model.model_fields.items():
        inner = field.annotation
        if isinstance(inner, type) and issubclass(inner, Section):
            yield field.alias or name, inner


def scalars_of(model: type[Section]) -> list[str]:
    """Return the keys of a table that are not tables themselves."""
    inner = {name for name, _ in tables_of(model)} | {"transient"}
    names = [field.alias or name for name, field in model.model_fields.items()]
    return [name for name in names if name not in inner]


def every_key(model: type[Section] = Keys, prefix: str = "") -> Iterator[str]:
    """Give every dotted key of the format, in its order, tables included."""
    for name in scalars_of(model):
        yield prefix + name
    for name, inner in tables_of(model):
        yield prefix + name
        yield from every_key(inner, f"{prefix}{name}.")


def look_up(raw: Table, key: str) -> Any:
    """Return what a file holds at a dotted key, or None."""
    value: Any = raw
    for step in steps(key):
        if isinstance(step, int):
            several = isinstance(value, list) and step < len(value)
            value = value[step] if several else None
        else:
            value = value.get(step) if isinstance(value, Mapping) else None
    return value


def steps(key: str) -> list[str | int]:
    """Return the way to a dotted key: ``a.b[1].c`` is a, b, 1, c."""
    found: list[str | int] = []
    for step in key.split("."):
        name, *places = step.split("[")
        found.append(name)
        for place in places:
            inside = place.removesuffix("]")
            found.append(int(inside) if inside.isdecimal() else inside)
    return found


def put(raw: dict[str, Any], key: str, value: Any) -> None:
    """Set a dotted key, making its tables; None takes it away.

    Raises
    ------
    FaultError
        When a key ahead of it holds no table.
    """
    table: Any = raw
    *above, last = steps(key)
    for i, step in enumerate(above):
        if isinstance(step, int) or isinstance(table, list):
            listed = isinstance(table, list) and isinstance(step, int) and step < len(table)
            if listed:  # two of them may be one and the same
                table[step] = copy.deepcopy(table[step])
            table = table[step] if listed else None
        else:
            table = table.setdefault(step, {})
        named = i + 1 < len(above) and isinstance(above[i + 1], int)
        if not isinstance(table, list if named else dict):
            raise FaultError(f"{dotted(above[: i + 1])} is no table in this scenario")
    if value is None:
        table.pop(last, None)
    else:
        table[last] = value


def applies(raw: Table, key: str) -> bool:
    """Whether a key changes anything beside what the file holds."""
    if key in OF_TRANSIENTS and not raw.get("transient"):
        return False
    if key in BESIDE and look_up(raw, BESIDE[key]) is None:
        return False
    return fits(raw, key)


def fits(raw: Table, key: str) -> bool:
    """Whether a key may stand beside the key that it depends on, if there is one."""
    if key not in ONLY_WITH:
        return True
    other, values = ONLY_WITH[key]
    given = look_up(raw, other)
    return (default(other) if given is None else given) in values


def resolved(raw: Table, release_bits: int) -> dict[str, dict[str, Any]]:
    """Return every key that applies with its value as written, by table.

    `raw` is what the file holds; the default of fifo.release_bits depends on the frame.
    """
    sections: dict[str, dict[str, Any]] = {}

    def fill(model: type[Section], prefix: str) -> None:
        values = sections.setdefault(prefix.rstrip("."), {})
        for name in scalars_of(model):
            key = prefix + name
            value = look_up(raw, key)
            if value is None and applies(raw, key):
                value = release_bits if key == "fifo.release_bits" else default(key)
            if value is not None:
                values[name] = value
        for name, inner in tables_of(model):
            fill(inner, f"{prefix}{name}.")

    fill(Keys, "")
    return sections


def as_toml(raw: Table, release_bits: int, base: Path, to: Path | None) -> str:
    """Return a scenario as TOML; see `resolved`.

    The file names in `raw` are relative to `base`, those written to `to`, or absolute without it.
    """
    lines: list[str] = []
    for section, values in resolved(raw, release_bits).items():
        if not values:
            continue
        if section:
            lines += ["", f"[{section}]"]
        lines += [f"{key} = {written(_moved(v, base, to))}" for key, v in values.items()]
    for one in raw.get("transient", ()):
        lines += ["", "[[transient]]"]
        given = transient.resolved(one).items()
        lines += [f"{key} = {written(_moved(v, base, to))}" for key, v in given]
    return "\n".join(lines) + "\n"


def _moved(value: Any, base: Path, to: Path | None) -> Any:
    """Return a value with the names of its recordings as seen from another directory."""
    if isinstance(value, list | tuple):
        return [_moved(one, base, to) for one in value]
    if not isinstance(value, dict):
        return value
    moved = {key: _moved(one, base, to) for key, one in value.items()}
    if value.get("shape") == "recorded":
        path = os.path.abspath(base / value["file"])
        moved["file"] = path if to is None else os.path.relpath(path, to)
    return moved
