"""A recording: one column of a CSV file, replayed with its order kept."""

from __future__ import annotations

import csv
import decimal
import os
import re
from collections.abc import Iterator
from functools import lru_cache
from itertools import islice
from pathlib import Path
from typing import Annotated, Any, Literal, Self, TextIO

import numpy as np
from pydantic import (
    BeforeValidator,
    Field,
    PrivateAttr,
    SkipValidation,
    ValidationInfo,
    WithJsonSchema,
    field_validator,
    model_validator,
)

from simlink.base.draws import Sampler, Streams
from simlink.base.safe_write import note_input
from simlink.scenario.faults import FaultError, no_file, written
from simlink.scenario.law import Distribution, Ints, Moments
from simlink.scenario.quantities import NUMBER, TIME, Dimension

_NUMBER = re.compile(NUMBER)
_MOST_TEXT = 100
#: The largest recording and its longest line, in bytes and characters.
_MOST_BYTES = 256 * 2**20
_MOST_LINE = 2**20
_EXACT = decimal.Context(prec=2 * _MOST_TEXT, traps=[decimal.Inexact])  # room for every cell


_NAME = r"^[^\x00]*[^\s\x00][^\x00]*$"


def _unit(value: Any, info: ValidationInfo) -> Any:
    dimension = info.context["dimension"] if info.context else TIME
    if not isinstance(value, str) or value not in dimension.scales:
        units = ", ".join(written(name) for name in dimension.scales)
        raise FaultError(f"the unit of {dimension.noun}: one of {units}")
    return value


class Recorded(Distribution):
    """A column of a CSV file, replayed from a random row, or from start, and over again.

    The start row is drawn once for each sampler's source, unless `start` fixes it. Draw k is row
    start + k stride + offset, so the samplers of the bits of a frame share one start row.
    """

    shape: Literal["recorded"] = Field(default="recorded", repr=False)
    file: str = Field(pattern=_NAME, description="the name of a CSV file")
    column: str = Field(pattern=_NAME, description="the name of a column")
    unit: Annotated[str, BeforeValidator(_unit), WithJsonSchema({"holds": "unit"})] = Field(
        description="the unit of its numbers"
    )
    start: Annotated[
        int | None, SkipValidation, WithJsonSchema({"type": "integer", "minimum": 0})
    ] = Field(default=None, description="the row to start at, from 0")
    _data: bytes = PrivateAttr()  # int64, in base units

    @field_validator("file")
    @classmethod
    def _absolute(cls, file: str, info: ValidationInfo) -> str:
        base = info.context["base"] if info.context else Path()
        return os.path.abspath(base / file)  # tidies "..", follows no link

    @model_validator(mode="after")
    def _read(self, info: ValidationInfo) -> Self:
        dimension = info.context["dimension"] if info.context else TIME
        try:
            values = read_column(Path(self.file), self.column.strip(), self.unit, dimension)
        except OSError:  # such as a name that is too long to look up
            raise FaultError("the file cannot be read", path=("file",)) from None
        start = self.start if "start" in self.model_fields_set else 0
        if type(start) is not int or not 0 <= start < len(values):
            raise FaultError(
                f"the row to start at, a whole number from 0 to {len(values) - 1}",
                path=("start",),
            )
        self._data = values.tobytes()
        return self

    @property
    def values(self) -> Ints:
        """The values in base units, shape (rows,); not to be written to."""
        return np.frombuffer(self._data, dtype=np.int64)

    def line_of(self, row: int) -> int:
        """Return the number of the file's line that a row, from 0, stands in."""
        with open(self.file, encoding="utf-8-sig", newline="") as stream:
            line, _ = next(islice(_rows(stream), row + 1, None))  # behind the header
        return line

    def _moments(self) -> Moments:
        rows = self.values  # the population
        ends = float(rows.min()), float(rows.max())
        return Moments(float(rows.mean()), float(rows.var()), *ends)

    @property
    def is_constant(self) -> bool:
        """Whether all rows are the same."""
        return bool((self.values == self.values[0]).all())

    @property
    def is_random(self) -> bool:
        """Whether the start row is drawn and matters."""
        return self.start is None and not self.is_constant

    @property
    def constant_value(self) -> int:
        """The value of all rows."""
        return int(self.values[0]) if self.is_constant else super().constant_value

    def sampler(self, streams: Streams, stride: int = 1, offset: int = 0) -> Sampler:
        """Return a sampler; it asks for the stream ``row`` unless the start is fixed."""
        values = self.values
        start = self.start
        if start is None:
            start = int(streams("row").random() * len(values))
        stride %= len(values)
        row = (start + offset) % len(values)

        def take(n: int) -> Ints:
            nonlocal row
            rows = (row + stride * np.arange(n, dtype=np.int64)) % len(values)
            row = (row + stride * n) % len(values)
            return values[rows]

        return Sampler(take)


def read_column(path: Path, column: str, unit: str, dimension: Dimension) -> Ints:
    """Read a column of a CSV file: int64, shape (rows,), base units, rounded half to even.

    The file is UTF-8 with a header line first; lines that start with ``#`` are comments. The unit
    is that of its numbers.

    Raises
    ------
    FaultError
        When the file, the column or a cell cannot be used.
    """
    try:
        about = path.stat()
        stamp = (about.st_mtime_ns, about.st_size, about.st_ino)
    except OSError:
        stamp = (0, 0, 0)
    return _read(path, column, unit, dimension, stamp)


@lru_cache(maxsize=8)
def _read(
    path: Path, column: str, unit: str, dimension: Dimension, stamp: tuple[int, int, int]
) -> Ints:
    """Read a column anew when the file has changed: a study reads one scenario many times."""
    found = written(str(path))
    if (said := no_file(path, "a CSV file")) is not None:
        raise FaultError(said, found, ("file",))
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            note_input(path)
            if os.fstat(stream.fileno()).st_size > _MOST_BYTES:
                said = f"a recording of at most {_MOST_BYTES // 2**20} MiB is wanted"
                raise FaultError(said, found, ("file",))
            rows = _rows(stream)
            return _column(rows, column, dimension.scales[unit], dimension)
    except UnicodeDecodeError:
        raise FaultError("the recording is not UTF-8 text", found, ("file",)) from None
    except csv.Error as error:
        raise FaultError(f"the recording is not CSV ({error})", found, ("file",)) from None
    except OSError as error:
        raise FaultError(f"cannot be read ({error.strerror})", found, ("file",)) from None


def _rows(stream: TextIO) -> Iterator[tuple[int, list[str]]]:
    """Give the rows of a CSV file with the numbers of their lines; no comments, no blank lines."""
    line = 0

    def kept() -> Iterator[str]:
        nonlocal line
        while text := stream.readline(_MOST_LINE):
            line += 1
            if len(text) == _MOST_LINE:
                said = f"line {line}: longer than 1 MiB: this is no recording"
                raise FaultError(said, None, ("file",))
            if not text.startswith("#"):
                yield text

    for row in csv.reader(kept(), strict=True):
        if row:
            yield line, row


def _column(
    rows: Iterator[tuple[int, list[str]]], column: str, scale: int, dimension: Dimension
) -> Ints:
    _, header = next(rows, (0, []))
    names = [name.strip() for name in header]
    if names.count(column) != 1:
        there = ", ".join(written(name[:40]) for name in names[:20]) or "none: the file is empty"
        what = "one column of that name" if column in names else "one of the columns"
        raise FaultError(f"{what} is wanted ({there})", written(column), ("column",))
    place = names.index(column)
    factor = decimal.Decimal(scale)
    values = []
    for line, row in rows:
        cell = row[place].strip() if place < len(row) else ""
        if len(cell) > _MOST_TEXT or not _NUMBER.fullmatch(cell):
            raise FaultError(f"line {line}: a number is wanted", written(cell), ("file",))
        amount = _EXACT.multiply(decimal.Decimal(cell), factor)
        if amount.copy_abs() > dimension.most:
            raise FaultError(
                f"line {line}: {dimension.noun} of at most {dimension.most_text} is wanted",
                written(cell),
                ("file",),
            )
        values.append(int(amount.to_integral_value(decimal.ROUND_HALF_EVEN)))
    if not values:
        raise FaultError("the column holds no values", written(column), ("column",))
    return np.array(values, dtype=np.int64)
