"""A whole scenario: its keys, read and checked, and what can be done with them."""

from __future__ import annotations

import copy
import math
from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any

from pydantic import BaseModel, PrivateAttr, ValidationError

from simlink.base.errors import InputError
from simlink.scenario import remarks, writing
from simlink.scenario.checks import faults_between
from simlink.scenario.distributions import Distribution
from simlink.scenario.faults import Fault, FaultError, nearest, written
from simlink.scenario.fields import Section
from simlink.scenario.kinds import kind_of
from simlink.scenario.names import Names
from simlink.scenario.reading import unknown
from simlink.scenario.remarks import Assumption
from simlink.scenario.sections import MOST_BITS, NOT_SIMULATED, UNSIMULATED, Check, Keys

__all__ = ["Assumption", "Scenario", "from_dict"]


class Scenario(Keys):
    """A scenario that has been read and checked.

    Made by `simlink.scenario.loading`; times are in femtoseconds, ratios in 1e-12, frequencies
    and line rates exact. Two scenarios are equal when all their keys have equal values, whether
    given or assumed.
    """

    _raw: dict[str, Any] = PrivateAttr(default_factory=dict)
    _base: Path = PrivateAttr(default_factory=Path)
    _name: str = PrivateAttr(default="scenario")

    def __eq__(self, other: object) -> bool:
        """Compare the values of all keys, not how they were written."""
        if not isinstance(other, Scenario):
            return NotImplemented
        return all(getattr(self, name) == getattr(other, name) for name in Keys.model_fields)

    __hash__ = None  # type: ignore[assignment]

    @classmethod
    def from_dict(cls, tables: Mapping[str, Any], base: Path | str = ".") -> Scenario:
        """Return a scenario from tables as a file would hold them; it raises as `from_dict` does.

        Such as ``{"link": {"scheme": "remote_master"}, "trigger": {"rate": "1 MHz"}, ...}``; file
        names are relative to `base`.
        """
        return from_dict(tables, base)

    @property
    def name(self) -> str:
        """The file that it came from."""
        return self._name

    @property
    def base(self) -> Path:
        """The directory that its file names are relative to."""
        return self._base

    @property
    def is_random(self) -> bool:
        """Whether two trials may differ."""
        if self.trigger.pattern == "poisson" or any(one.is_random for one in self.transient):
            return True
        if self.transient and (self.barrier.upset < 1 or self.barrier.return_.style == "packets"):
            return True
        return any(law.is_random for law in distributions_in(self))

    @property
    def assumed(self) -> list[Assumption]:
        """The defaults that were used and matter, in the order of the format."""
        return remarks.assumed(self, self._raw)

    @property
    def notes(self) -> list[str]:
        """What the user may not have meant, one line each."""
        return remarks.notes(self, self._raw)

    def with_(
        self,
        seed: int | None = None,
        trials: int | None = None,
        conversions: int | None = None,
    ) -> Scenario:
        """Return a checked copy with another seed, number of trials or of conversions.

        Raises
        ------
        InputError
            When the scenario does not make sense with them.
        """
        given = {"seed": seed, "trials": trials, "conversions": conversions}
        return self.with_values({key: value for key, value in given.items() if value is not None})

    def with_value(self, key: str, value: Any) -> Scenario:
        """Return a checked copy with another value at one dotted key.

        Parameters
        ----------
        key : str
            Such as ``"fifo.depth"``; its tables are made when the file has none.
        value : object
            As it would be written in the file: ``8``, ``"14 ns"``, or a dict for a table; None
            leaves the key out.

        Raises
        ------
        InputError
            When there is no such key, or the scenario does not make sense with that value.
        """
        return self.with_values({key: value})

    def with_values(self, values: Mapping[str, Any]) -> Scenario:
        """Return a checked copy with other values at some dotted keys, all changed at once.

        See `with_value`; one by one, the first might not fit the old value of the second.

        Raises
        ------
        InputError
            When there is no such key, or the scenario does not make sense with those values.
        """
        raw = copy.deepcopy(self._raw)
        for key, value in values.items():
            # Numbers from arrays become plain ones, as a file would give them.
            plain = value.item() if hasattr(value, "item") else copy.deepcopy(value)
            try:
                writing.put(raw, key, plain)
            except FaultError as error:
                raise InputError(self._name, key, None, error.fault.allowed) from None
        return from_dict(raw, self._base, self._name)

    def to_toml(self, base: Path | str | None = None) -> str:
        """Return the scenario as TOML with every key, given or assumed.

        Parameters
        ----------
        base : Path or str, optional
            The directory that the names of recordings shall be relative to; they are absolute
            when it is left out.
        """
        to = None if base is None else Path(base)
        return writing.as_toml(self._raw, self.bits_per_lane, self._base, to)


def distributions_in(model: BaseModel) -> Iterator[Distribution]:
    """Give every distribution of a table and of the tables inside it."""
    for name in type(model).model_fields:
        value = getattr(model, name)
        if isinstance(value, Distribution):
            yield value
        elif isinstance(value, BaseModel):
            yield from distributions_in(value)
        elif isinstance(value, tuple):
            yield from (
                law for one in value if isinstance(one, Section) for law in distributions_in(one)
            )


def from_dict(raw: Mapping[str, Any], base: Path | str = ".", name: str = "<scenario>") -> Scenario:
    """Read and check a scenario that is already a dict of tables.

    Parameters
    ----------
    raw : mapping
        What a TOML reader returns.
    base : Path or str
        The directory that file names are relative to.
    name : str
        What to name in a complaint.

    Returns
    -------
    Scenario

    Raises
    ------
    InputError
        With one line about each fault, in the order of the file.
    """
    try:
        return _read(copy.deepcopy(dict(raw)), Path(base), name)
    except RecursionError:
        raise InputError(name, None, None, "tables are nested too deep") from None


def _read(raw: dict[str, Any], base: Path, name: str) -> Scenario:
    faults = [
        Fault(
            tuple(key.split(".")),
            None if isinstance(value, dict | list) else written(value),
            NOT_SIMULATED,
        )
        for key, value in _refused(raw)
    ]
    try:
        scenario = Scenario.model_validate(_filled(raw), context={"base": base})
    except ValidationError as error:
        faults += _told(error)
        scenario = None
    if scenario is not None and not faults:
        scenario._raw, scenario._base, scenario._name = raw, base, name
        faults = list(faults_between(scenario, raw))
    if faults or scenario is None:
        raise _complaint(faults, raw, name)
    return scenario


def _filled(raw: Mapping[str, Any]) -> dict[str, Any]:
    """Return what the file holds without refused keys, with every table, and release_bits."""
    filled = copy.deepcopy(dict(raw))
    for key, _ in _refused(raw):
        writing.put(filled, key, None)
    for section, _ in writing.tables_of(Keys):
        filled.setdefault(section, {})
    frame, fifo = filled["frame"], filled["fifo"]
    if isinstance(frame, dict) and isinstance(fifo, dict) and "release_bits" not in fifo:
        sizes = [
            frame.get(key, writing.default(f"frame.{key}"))
            for key in ("words_per_lane", "word_bits")
        ]
        if all(type(size) is int for size in sizes) and 1 <= math.prod(sizes) <= MOST_BITS:
            fifo["release_bits"] = math.prod(sizes) + _beside(filled["check"])
    return filled


def _beside(table: Any) -> int:
    """Return how many bits a frame carries beside its data; 0 for a table that is refused."""
    try:
        return Check.model_validate(table).beside
    except ValidationError:
        return 0


def _refused(raw: Mapping[str, Any]) -> Iterator[tuple[str, Any]]:
    """Give the keys that the format knows and this version does not, with their values."""
    for key, taken in UNSIMULATED.items():
        value = writing.look_up(raw, key)
        if value is not None and value not in taken:
            yield key, value


def names_of(table: Mapping[str, Any], name: str) -> Names:
    """Read a table of names, as it stands under ``[names]``, from a file of its own.

    Raises
    ------
    InputError
        With one line about each fault.
    """
    try:
        return Names.model_validate(table, context={"base": Path()})
    except ValidationError as error:
        raise _complaint(list(_told(error, "names")), {"names": dict(table)}, name) from None


def _told(error: ValidationError, *above: str) -> Iterator[Fault]:
    """Give the faults that pydantic found below a table, in this package's words."""
    for detail in error.errors(include_url=False):
        path = (*above, *detail["loc"])
        cause = detail.get("ctx", {}).get("error")
        if isinstance(cause, FaultError):
            yield cause.under(*path).fault
            continue
        found = None if detail["type"] == "missing" else written(detail["input"])
        if detail["type"] == "extra_forbidden":
            allowed = _unknown_key(path)
        elif path == ("transient",):
            allowed = "a list of tables is wanted here, each headed [[transient]]"
        elif detail["type"].startswith("model"):
            allowed = "a table is wanted here"
        else:
            kind = kind_of(writing.field_at(".".join(map(str, path))))
            hint = nearest(detail["input"], kind.schema.get("enum", ()))
            missing = "missing" if found is None else ""
            allowed = "; ".join(filter(None, (missing, kind.allowed, hint)))
        yield Fault(path, found, allowed)


def _unknown_key(path: tuple[str | int, ...]) -> str:
    *above, key = map(str, path)
    model = writing.model_at(above)
    tables = [name for name, _ in writing.tables_of(model)]
    homes = [home for home in writing.every_key() if home.rsplit(".", 1)[-1] == key]
    # A limit may have the name of the quantity that it is about, a signal that of a section.
    others = [home for home in homes if not home.startswith(("require.", "names."))] or homes
    homes = [home for home in homes if home.startswith("names.")] if path[0] == "names" else others
    if homes:
        return f"unknown key here; it belongs at {' or '.join(homes)}"
    if model is Keys:
        tables.append("transient")
    return unknown(key, [*writing.scalars_of(model), *tables])


#: Faults of a file that are told.
_MOST_TOLD = 20


def _complaint(faults: list[Fault], raw: Mapping[str, Any], name: str) -> InputError:
    """Return the complaint about all faults of a file, in its order."""
    order = {path: i for i, path in enumerate(_paths(raw, ()))}

    def place(fault: Fault) -> tuple[float, int]:
        for length in range(len(fault.path), 0, -1):
            if fault.path[:length] in order:
                if length == len(fault.path):
                    return order[fault.path], 0
                # What is missing from a table is missed at the table's end.
                return max(i for p, i in order.items() if p[:length] == fault.path[:length]), 1
        return float("inf"), 0

    faults = sorted(faults, key=place)
    told = [InputError(name, one.key, one.found, one.allowed) for one in faults[:_MOST_TOLD]]
    if len(faults) > _MOST_TOLD:
        left = len(faults) - _MOST_TOLD
        told.append(InputError(name, None, None, f"{left} more faults like these"))
    first, *others = told
    return InputError(name, first.key, first.found, first.allowed, others)


def _paths(value: Any, path: tuple[str | int, ...]) -> Iterator[tuple[str | int, ...]]:
    """Give the path of every value in the file, in its order."""
    if path:
        yield path
    if isinstance(value, dict):
        for key, inner in value.items():
            yield from _paths(inner, (*path, key))
    elif isinstance(value, list):
        for i, inner in enumerate(value):
            yield from _paths(inner, (*path, i))
