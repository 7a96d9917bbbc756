"""The ledger: one row for each word, every word with one fate.

It is kept as Parquet: a column of int64 instants compresses to a few bytes a row, missing ones
are true nulls rather than a magic number, and pandas and every columnar tool read it.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.base.instants import NEVER
from simlink.records import Fate, FrameBlock

if TYPE_CHECKING:
    import pandas as pd
    import pyarrow as pa

#: The fates in the order of their codes.
FATES = [fate.word for fate in Fate if fate >= 0]
INSTANTS = [
    "t_trigger",
    "t_aperture",
    "t_ready",
    "t_first_bit",
    "t_last_bit",
    "t_release",
    "t_read_start",
    "t_read_end",
]
COLUMNS = [
    "trial",
    "conversion",
    "lane",
    "position",
    *INSTANTS,
    "fate",
    "short_acquisition",
    "flagged",
]


def table(block: FrameBlock) -> pa.Table:
    """Return the rows of a block as an Arrow table.

    Parameters
    ----------
    block : FrameBlock
        With word times; T trials, n conversions, L lanes, W words a lane.

    Returns
    -------
    pyarrow.Table
        T x n x L x W rows less those never sent; instants int64 fs, null where there is none.
    """
    import pyarrow as pa

    assert block.first_bit is not None
    assert block.last_bit is not None
    shape = block.first_bit.shape
    keep = np.broadcast_to((block.fate != Fate.NOT_SENT)[..., None, None], shape).ravel()
    all_kept = bool(keep.all())

    def flat(values: Any) -> Any:
        values = np.asarray(values)
        if values.ndim == 2:
            values = values[..., None, None]
        spread = np.broadcast_to(values, shape).ravel()
        return spread if all_kept else spread[keep]

    def instants(values: Any) -> pa.Array:
        spread = flat(values)
        return pa.array(spread, mask=spread == NEVER)

    trials = np.arange(block.trials.start, block.trials.stop)[:, None, None, None]
    conversions = np.arange(block.first, block.first + block.count)[None, :, None, None]
    lanes = np.arange(shape[2])[None, None, :, None]
    positions = np.arange(shape[3])[None, None, None, :]
    fates = pa.DictionaryArray.from_arrays(pa.array(flat(block.fate)), FATES)
    values = [
        pa.array(flat(trials).astype(np.int32)),
        pa.array(flat(conversions).astype(np.int64)),
        pa.array(flat(lanes).astype(np.int16)),
        pa.array(flat(positions).astype(np.int16)),
        *(
            instants(times)
            for times in (
                block.trigger,
                block.aperture,
                block.ready,
                block.first_bit,
                block.last_bit,
                block.release,
                block.read_start,
                block.read_end,
            )
        ),
        fates,
        pa.array(flat(block.short_acquisition)),
        # Nothing in this version raises a flag.
        pa.array(np.zeros(len(fates), dtype=np.bool_)),
    ]
    return pa.table(dict(zip(COLUMNS, values, strict=True)))


def frame(tables: list[pa.Table]) -> pd.DataFrame:
    """Return the ledger as pandas: nullable Int64 instants, categorical fate."""
    import pandas as pd
    import pyarrow as pa

    whole = pa.concat_tables(tables)
    kinds = {pa.int64(): pd.Int64Dtype()}
    rows: pd.DataFrame = whole.to_pandas(types_mapper=kinds.get)
    return rows


#: Rows written together: always so many, however they come, so that the bytes are the same.
GROUP = 2**17


class LedgerFile:
    """Writes a ledger block by block beside its final place, and renames it when complete.

    Parameters
    ----------
    path : Path
        Where the finished ledger goes; what stands there stays until then.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self._beside = path.with_name(f".{path.name}.{os.getpid()}.part")
        self._writer: Any = None
        self._waiting: list[pa.Table] = []
        self._rows = 0

    def add(self, rows: pa.Table) -> None:
        """Append rows."""
        self._waiting.append(rows)
        self._rows += len(rows)
        if self._rows >= GROUP:
            self._write(last=False)

    def _write(self, last: bool) -> None:
        """Write whole groups of rows, and at last what is left."""
        import pyarrow as pa
        import pyarrow.parquet as pq

        if not self._waiting:
            return
        rows = pa.concat_tables(self._waiting)
        if self._writer is None:
            self._writer = pq.ParquetWriter(
                self._beside, rows.schema, compression="zstd", use_dictionary=["fate"]
            )
        end = len(rows) if last else len(rows) // GROUP * GROUP
        for start in range(0, end, GROUP):
            group = rows.slice(start, min(GROUP, end - start))
            # In one piece, for pages may end where pieces do.
            self._writer.write_table(group.combine_chunks(), row_group_size=GROUP)
        self._waiting = [rows.slice(end).combine_chunks()] if end < len(rows) else []
        self._rows = len(rows) - end

    def finish(self) -> None:
        """Close the file and put it in its place."""
        self._write(last=True)
        if self._writer is not None:
            self._writer.close()
            os.replace(self._beside, self.path)

    def abandon(self) -> None:
        """Close and remove what was written so far."""
        if self._writer is not None:
            self._writer.close()
        self._beside.unlink(missing_ok=True)
