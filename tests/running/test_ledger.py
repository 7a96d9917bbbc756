"""The ledger: its columns and kinds, its nulls, and its file."""

from __future__ import annotations

import numpy as np
import pandas as pd
import pyarrow as pa
import pyarrow.parquet as pq
import pytest

from simlink.base.instants import NEVER
from simlink.records import RECORD, Fate, FrameBlock
from simlink.running import jobs
from simlink.running.ledger import (
    COLUMNS,
    FATES,
    INSTANTS,
    LedgerFile,
    frame,
    in_order,
    rows_of,
    table,
)
from tests.engines.chain import chain, record

TWO_BY_THREE = {"frame.lanes": 2, "frame.words_per_lane": 3, "conversions": 4}


@pytest.fixture(scope="module")
def block():
    return record(chain(TWO_BY_THREE))


def test_there_is_one_row_a_word_in_order(block):
    rows = table(block)
    assert rows.num_rows == 4 * 2 * 3
    places = [
        tuple(row[name] for name in ("trial", "conversion", "lane", "position"))
        for row in rows.to_pylist()
    ]
    expected = [(0, k, lane, word) for k in range(4) for lane in range(2) for word in range(3)]
    assert places == expected


def test_the_columns_are_the_stated_ones(block):
    stated = (
        "trial conversion lane position t_trigger t_aperture t_ready t_first_bit t_last_bit "
        "t_release t_read_start t_read_end fate short_acquisition wrong_bits believed misaligned "
        "told cause flagged"
    )
    rows = table(block)
    assert rows.column_names == stated.split() == COLUMNS
    assert all(rows.schema.field(name).type == pa.int64() for name in INSTANTS)
    assert rows.schema.field("flagged").type == pa.bool_()
    assert rows.schema.field("short_acquisition").type == pa.bool_()


def test_the_fates_are_the_stated_ones():
    stated = "delivered missed_trigger overrun underrun corrupted not_received in_flight dropped"
    assert stated.split() == FATES
    assert Fate.MISSED_TRIGGER.word == "missed_trigger"


def test_what_never_happened_is_null_and_not_a_number():
    (pieces,) = in_order([rows_of(record(chain({"host.watermark": 2})))])
    rows = table(pieces)
    assert rows["t_read_start"].null_count == 1
    assert rows["t_release"].null_count == 0
    whole = frame([pieces])
    assert whole["t_read_start"].isna().all()
    assert whole["t_read_start"].dtype == pd.Int64Dtype()
    assert NEVER not in whole["t_release"].tolist()


def test_conversions_never_sent_have_no_rows():
    """A loop that stops after its first conversion (see its timetable)."""
    loop = {
        "conversions": 3,
        "trigger.pattern": "after_read",
        "trigger.rate": None,
        "trigger.gap": "100 ns",
        "host.timeout": "5 us",
        "host.watermark": 2,
        "frame.lanes": 2,
    }
    rows = table(record(chain(loop))).to_pylist()
    assert [(row["conversion"], row["lane"]) for row in rows] == [(0, 0), (0, 1)]


def test_a_block_of_many_trials_and_late_conversions_keeps_its_numbers():
    block = FrameBlock.blank(range(3, 5), 7, 2, (1, 1))
    block.fate[:] = Fate.DELIVERED
    block.fate[1, 0] = Fate.NOT_SENT
    rows = table(block).to_pylist()
    assert [(row["trial"], row["conversion"]) for row in rows] == [(3, 7), (3, 8), (4, 8)]


def test_pandas_gets_the_fates_by_name(block):
    whole = frame(in_order([rows_of(block)]) * 2)
    assert len(whole) == 48
    assert whole["fate"].astype(str).unique().tolist() == ["delivered"]
    assert list(whole["fate"].cat.categories) == FATES


def test_a_file_reads_back_to_the_same_rows(block, tmp_path):
    file = LedgerFile(tmp_path / "ledger.parquet")
    (rows,) = in_order([rows_of(block)])
    file.add(rows[:10])
    file.add(rows[10:])
    assert not (tmp_path / "ledger.parquet").exists()
    file.finish()
    back = pq.read_table(tmp_path / "ledger.parquet")
    assert back.to_pylist() == table(rows).to_pylist()
    assert back.schema.equals(table(rows).schema)
    assert [one.name for one in tmp_path.iterdir()] == ["ledger.parquet"]


def test_instants_are_written_as_differences(tmp_path):
    """Periodic triggers and constant delays leave little but the reads to write down."""
    queue = {"host.service_latency": {"shape": "exponential", "mean": "1500 ns"}}
    scenario = chain(queue | {"conversions": 20_000, "trigger.rate": "400 kHz"})
    rows = jobs.work(scenario, "batch", True, range(1)).rows
    file = LedgerFile(tmp_path / "ledger.parquet")
    for piece in rows:
        file.add(piece)
    file.finish()
    assert (tmp_path / "ledger.parquet").stat().st_size < 11 * 20_000
    back = pq.read_table(tmp_path / "ledger.parquet")
    assert back.equals(pa.concat_tables(table(piece) for piece in rows).combine_chunks())


def test_rows_of_interleaved_blocks_go_trial_by_trial():
    """Two trials in blocks of conversions, as the batch engine hands them over."""
    blocks = []
    for first in (0, 2):
        block = FrameBlock.blank(range(5, 7), first, 2, (2, 1))
        block.fate[:] = Fate.DELIVERED
        block.trigger[:] = first + np.arange(2) + 100 * np.arange(2)[:, None]
        blocks.append(rows_of(block))
    (rows,) = in_order(blocks)
    expected = [(trial, k, lane) for trial in (5, 6) for k in range(4) for lane in (0, 1)]
    assert [tuple(row) for row in rows[["trial", "conversion", "lane"]].tolist()] == expected
    assert rows["t_trigger"].tolist() == [100 * (t - 5) + k for t, k, _ in expected]


def test_a_file_stays_as_it_was_until_a_new_one_is_complete(block, tmp_path):
    path = tmp_path / "ledger.parquet"
    path.write_bytes(b"old")
    file = LedgerFile(path)
    file.add(*in_order([rows_of(block)]))
    file.abandon()
    assert path.read_bytes() == b"old"
    assert [one.name for one in tmp_path.iterdir()] == ["ledger.parquet"]


def test_an_empty_file_is_none_at_all(tmp_path):
    for end in ("finish", "abandon"):
        getattr(LedgerFile(tmp_path / "ledger.parquet"), end)()
    assert list(tmp_path.iterdir()) == []


def test_blocks_are_the_same_only_if_all_their_records_are(block):
    same = record(chain(TWO_BY_THREE))
    assert block.same_as(same)
    for name in [*RECORD.names, "first_bit", "last_bit"]:
        one = getattr(same, name)
        place = (0,) * one.ndim
        kept = one[place]
        one[place] = not kept if one.dtype == bool else kept + 1
        assert not block.same_as(same), name
        one[place] = kept
    without = record(chain(TWO_BY_THREE), words=False)
    assert without.same_as(record(chain(TWO_BY_THREE), words=False))
