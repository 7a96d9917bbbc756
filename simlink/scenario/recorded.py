"""A recording: one column of a CSV file, replayed with its order kept."""

from __future__ import annotations

import csv
import decimal
import re
from collections.abc import Iterator
from functools import lru_cache
from pathlib import Path

import numpy as np
from pydantic import Field

from simlink.base.safe_write import note_input
from simlink.scenario.distributions import Distribution, Ints, Sampler, Streams
from simlink.scenario.faults import FaultError, written
from simlink.scenario.quantities import NUMBER, Dimension

_NUMBER = re.compile(NUMBER)
_MOST_TEXT = 100
_EXACT = decimal.Context(prec=2 * _MOST_TEXT, traps=[decimal.Inexact])  # room for every cell


class Recorded(Distribution):
    """Values replayed in their order from a start row, wrapping at the end.

    The start row is drawn once for each sampler's source, unless `start` fixes it. Draw k is row
    start + k stride + offset, so the samplers of the bits of a frame share one start row.
    """

    file: str
    column: str
    unit: str
    start: int | None = None
    data: bytes = Field(repr=False, description="The values, int64, in base units.")

    @property
    def values(self) -> Ints:
        """The values in base units, shape (rows,); not to be written to."""
        return np.frombuffer(self.data, dtype=np.int64)

    @property
    def mean(self) -> float:
        """The mean of all rows."""
        return float(self.values.mean())

    @property
    def variance(self) -> float:
        """The variance of all rows (they are the population)."""
        return float(self.values.var())

    @property
    def support(self) -> tuple[float, float]:
        """The lowest and the highest row."""
        return float(self.values.min()), float(self.values.max())

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
        rows = len(self.values)
        start = self.start
        if start is None:
            start = int(streams("row").random() * rows)
        return _Replay(self.values, start + offset, stride)


class _Replay:
    def __init__(self, values: Ints, first: int, stride: int) -> None:
        self._values = values
        self._stride = stride % len(values)
        self._row = first % len(values)

    def take(self, n: int) -> Ints:
        rows = self._row + self._stride * np.arange(n, dtype=np.int64)
        rows %= len(self._values)
        self._row = (self._row + self._stride * n) % len(self._values)
        return self._values[rows]


def read_column(path: Path, column: str, unit: str, dimension: Dimension) -> Ints:
    """Read one column of a CSV file exactly.

    Parameters
    ----------
    path : Path
        The file: UTF-8, a header line first; lines that start with ``#`` are comments.
    column : str
        The name of the column.
    unit : str
        The unit that its numbers are in.
    dimension : Dimension
        What they measure.

    Returns
    -------
    ndarray of int64, shape (rows,)
        In base units, rounded half to even.

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
    if path.is_dir():
        raise FaultError("a CSV file is wanted, and this is a directory", found, ("file",))
    if not path.exists():
        raise FaultError("there is no such file", found, ("file",))
    if not path.is_file():
        raise FaultError("a CSV file is wanted, and this is no regular file", found, ("file",))
    try:
        with path.open(encoding="utf-8-sig", newline="") as stream:
            note_input(path)
            rows = _rows(stream)
            return _column(rows, column, dimension.scales[unit], dimension)
    except UnicodeDecodeError:
        raise FaultError("the recording is not UTF-8 text", found, ("file",)) from None
    except csv.Error as error:
        raise FaultError(f"the recording is not CSV ({error})", found, ("file",)) from None
    except OSError as error:
        raise FaultError(f"cannot be read ({error.strerror})", found, ("file",)) from None


def _rows(stream: Iterator[str]) -> Iterator[tuple[int, list[str]]]:
    """Give the rows of a CSV file with the numbers of their lines; no comments, no blank lines."""
    line = 0

    def kept() -> Iterator[str]:
        nonlocal line
        for text in stream:
            line += 1
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
