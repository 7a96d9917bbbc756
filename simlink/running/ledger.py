"""The ledger: one row for each word, every word with one fate.

It is kept as Parquet: columns of int64 instants, written as differences, compress to a byte or two
each; missing ones are true nulls rather than a magic number, and pandas and every columnar tool
read it.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from simlink import records
from simlink.base.instants import NEVER
from simlink.base.made import PARQUET
from simlink.records import Fate, FrameBlock

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

#: The fates in the order of their codes.
FATES = [fate.word for fate in Fate if fate >= 0]
#: The causes likewise.
CAUSES = [cause.word for cause in records.Cause if cause >= 0]
#: What stands for nothing in columns that are no instants.
_BLANKS = {"believed": -1}
_TAKEN = [one for one in records.COLUMNS if one.in_ledger]
_PLACE = {"trial": np.int32, "conversion": np.int64, "lane": np.int16, "position": np.int16}
_KINDS: dict[str, Any] = {
    **_PLACE,
    **{one.ledger_name: np.dtype(one.type).type for one in _TAKEN},
}
#: Every column, and those that any ledger has.
ALL_COLUMNS = list(_KINDS)
_OF_REPEATS = {one.ledger_name for one in _TAKEN if one.of_repeats}
COLUMNS = [name for name in ALL_COLUMNS if name not in _OF_REPEATS]
_ALL_INSTANTS = {one.ledger_name for one in _TAKEN if one.unit == "fs"}
INSTANTS = [name for name in COLUMNS if name in _ALL_INSTANTS]


def _row(names: list[str]) -> np.dtype[np.void]:
    kinds = [(name, _KINDS[name]) for name in names]
    return np.dtype(sorted(kinds, key=lambda one: -np.dtype(one[1]).itemsize), align=True)


#: A row in memory, the longest columns first so that each lies even; `NEVER` where there is none.
ROW = _row(COLUMNS)
#: One where frames may be asked for once more.
ROW_WITH_REPEATS = _row(ALL_COLUMNS)

Rows = npt.NDArray[np.void]


def rows_of(block: FrameBlock, repeats: bool = False) -> Rows:
    """Return a row for each word of a block with word times, those never sent as well.

    Of T trials, n conversions, L lanes and W words a lane it is an ndarray of `ROW`, or of
    `ROW_WITH_REPEATS` where frames may be asked for once more, shape (T, n, L, W).
    """
    assert block.first_bit is not None
    assert block.last_bit is not None
    rows = np.zeros(block.first_bit.shape, dtype=ROW_WITH_REPEATS if repeats else ROW)
    trials, conversions, lanes, positions = np.ogrid[tuple(map(slice, rows.shape))]
    rows["trial"] = block.trials.start + trials
    rows["conversion"] = block.first + conversions
    rows["lane"], rows["position"] = lanes, positions
    for column in _TAKEN:
        if column.of_repeats and not repeats:
            continue
        if column.follows:
            rows[column.name] = column.blank
            continue
        values = getattr(block, column.name)
        wide = values if column.of_word else values[:, :, np.newaxis, np.newaxis]
        rows[column.ledger_name] = wide
    return rows


def fill_in(blocks: list[Rows], outcomes: npt.NDArray[np.void]) -> None:
    """Fill in what follows from the records of some trials.

    All of them are given in the order of their conversions, each an ndarray of `ROW`, shape
    (T, n, L, W); the outcomes are an ndarray of OUTCOME, shape (T, conversions).
    """
    at = 0
    for rows in blocks:
        upto = at + rows.shape[1]
        for name in records.OUTCOME.names or ():
            rows[name] = outcomes[name][:, at:upto, np.newaxis, np.newaxis]
        at = upto


def in_order(blocks: list[Rows]) -> list[Rows]:
    """Return the rows of blocks one after another, by trial, conversion, lane and position.

    All blocks of the same trials are given in the order of their conversions, each an ndarray of
    `ROW`, shape (T, n, L, W); returned are such of shape (rows,), in one piece or several, without
    the rows of conversions that were never sent.
    """
    if len(blocks) > 1 and len(blocks[0]) > 1:
        blocks = [np.concatenate(blocks, axis=1)]
    flat = []
    for rows in blocks:
        sent = rows["fate"] != Fate.NOT_SENT
        flat.append(rows.ravel() if sent.all() else rows[sent])
    return flat


def table(rows: Rows | FrameBlock) -> pa.Table:
    """Return rows, an ndarray of `ROW`, or those of a block with word times, as an Arrow table.

    Instants are int64 fs, null where there is none.
    """
    import pyarrow as pa

    if isinstance(rows, FrameBlock):
        (rows,) = in_order([rows_of(rows)])
    kinds = {np.int16: pa.int16(), np.int32: pa.int32(), np.int64: pa.int64()}
    columns = {}
    for name in ALL_COLUMNS:
        if name not in (rows.dtype.names or ()):
            continue
        values = np.ascontiguousarray(rows[name])
        if name in ("fate", "cause"):
            nulls = None if values.size == 0 or values.min() >= 0 else _bits(values >= 0)
            codes = pa.Array.from_buffers(pa.int8(), len(values), [nulls, pa.py_buffer(values)])
            words = FATES if name == "fate" else CAUSES
            columns[name] = pa.DictionaryArray.from_arrays(codes, _words(words))
        elif _KINDS[name] is np.bool_:
            columns[name] = pa.Array.from_buffers(pa.bool_(), len(values), [None, _bits(values)])
        else:
            blank = NEVER if name in _ALL_INSTANTS else _BLANKS.get(name)
            there = np.True_ if blank is None else values != blank
            nulls = None if there.all() else _bits(there)
            buffers = [nulls, pa.py_buffer(values)]
            columns[name] = pa.Array.from_buffers(kinds[_KINDS[name]], len(values), buffers)
    return pa.table(columns)


def _bits(flags: Any) -> pa.Buffer:
    """Return flags as Arrow keeps them, a bit each."""
    import pyarrow as pa

    return pa.py_buffer(np.packbits(flags, bitorder="little"))


def _words(words: list[str]) -> pa.Array:
    """Return words as an Arrow array; made from buffers, for pyarrow would ask pandas for help."""
    import pyarrow as pa

    ends = np.cumsum([0, *map(len, words)]).astype(np.int32)
    text = pa.py_buffer("".join(words).encode("ascii"))
    return pa.StringArray.from_buffers(len(words), pa.py_buffer(ends), text)


def frame(pieces: list[Rows]) -> pd.DataFrame:
    """Return the ledger as pandas: nullable Int64 instants, categorical fate."""
    import pandas as pd
    import pyarrow as pa

    whole = pa.concat_tables([table(rows) for rows in pieces])
    kinds = {pa.int64(): pd.Int64Dtype()}
    rows: pd.DataFrame = whole.to_pandas(types_mapper=kinds.get)
    return rows


#: Rows written together: always so many, however they come, so that the bytes are the same.
GROUP = 2**17


class LedgerFile:
    """Writes a ledger piece by piece beside its final place, and renames it when complete.

    Parameters
    ----------
    path : Path
        Where the finished ledger goes; what stands there stays until then.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._beside = path.with_name(f".{path.name}.{os.getpid()}.part")
        self._writer: Any = None
        self._waiting: list[Rows] = []
        self._rows = 0

    def add(self, rows: Rows) -> None:
        """Append rows, an ndarray of `ROW`."""
        while self._rows + len(rows) >= GROUP:
            most = GROUP - self._rows
            self._waiting.append(rows[:most])
            self._write()
            rows = rows[most:]
        if len(rows):
            self._waiting.append(rows)
            self._rows += len(rows)

    def _write(self) -> None:
        """Write the waiting rows as one group."""
        import pyarrow.parquet as pq

        # In one piece, for pages may end where pieces do.
        group = table(np.concatenate(self._waiting))
        self._waiting, self._rows = [], 0
        if self._writer is None:
            names = group.column_names
            whole = [name for name in names if np.issubdtype(_KINDS[name], np.signedinteger)]
            whole.remove("fate")
            whole.remove("cause")
            self._writer = pq.ParquetWriter(
                self._beside,
                group.schema.with_metadata(PARQUET),
                compression="zstd",
                use_dictionary=["fate", "cause"],
                column_encoding=dict.fromkeys(whole, "DELTA_BINARY_PACKED"),
            )
        self._writer.write_table(group, row_group_size=GROUP)

    def finish(self) -> None:
        """Close the file and put it in its place."""
        if self._waiting:
            self._write()
        if self._writer is not None:
            self._writer.close()
            os.replace(self._beside, self.path)

    def abandon(self) -> None:
        """Close and remove what was written so far."""
        if self._writer is not None:
            self._writer.close()
        self._beside.unlink(missing_ok=True)
