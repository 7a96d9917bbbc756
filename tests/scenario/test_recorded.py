from __future__ import annotations

import os
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from simlink.scenario.faults import FaultError
from simlink.scenario.kinds import duration
from simlink.scenario.loading import loads
from simlink.scenario.quantities import RATIO, TIME
from simlink.scenario.reading import read_shape

TEXT = "# made by hand\nstep,latency_ns\n0,1.5\n1,2\n# a pause\n2,0.25\n3,7\n4,3\n"
ROWS = [1_500_000, 2_000_000, 250_000, 7_000_000, 3_000_000]


@pytest.fixture
def record(tmp_path):
    def write(text=TEXT, **more):
        data = text if isinstance(text, bytes) else text.encode()
        (tmp_path / "host.csv").write_bytes(data)
        return {
            "shape": "recorded",
            "file": "host.csv",
            "column": "latency_ns",
            "unit": "ns",
        } | more

    return write


@pytest.fixture
def read(record, tmp_path):
    return lambda text=TEXT, **more: read_shape(record(text, **more), TIME, tmp_path)


def test_the_rows_are_read_exactly(read):
    law = read()
    assert law.values.tolist() == ROWS
    assert law.mean == np.mean(ROWS)
    assert law.variance == pytest.approx(np.var(ROWS))
    assert law.support == (250_000, 7_000_000)
    assert law.is_random
    assert not law.is_constant
    assert not law.is_simple


def test_a_fixed_start_is_replayed_in_order_and_wraps(read):
    law = read(start=3)
    sampler = law.sampler(lambda suffix: pytest.fail(f"asked for {suffix}"))
    want = [ROWS[(3 + k) % 5] for k in range(12)]
    assert sampler.take(7).tolist() + sampler.take(5).tolist() == want
    assert not law.is_random


def test_a_random_start_keeps_the_order(read, streams):
    law = read()
    starts = set()
    for seed in range(60):
        asked = streams(seed)
        drawn = law.sampler(asked).take(10).tolist()
        assert asked.asked == ["row"]
        start = ROWS.index(drawn[0])
        starts.add(start)
        assert drawn == [ROWS[(start + k) % 5] for k in range(10)]
    assert starts == {0, 1, 2, 3, 4}


def test_the_bits_of_a_frame_share_one_start(read, streams):
    """Draw k of bit i of 3 is row start + 3 k + i."""
    law = read()
    drawn = [law.sampler(streams(4), stride=3, offset=i).take(9).tolist() for i in range(3)]
    flat = [drawn[i][k] for k in range(9) for i in range(3)]
    start = ROWS.index(flat[0])
    assert flat == [ROWS[(start + j) % 5] for j in range(27)]


def test_a_recording_inside_a_mixture_skips_no_row(record, streams, tmp_path):
    parts = [{"weight": 1, "of": record(start=0)}, {"weight": 1, "of": "1 s"}]
    law = read_shape({"shape": "mixture", "parts": parts}, TIME, tmp_path)
    drawn = law.sampler(streams(5)).take(40)
    kept = drawn[drawn < 10**15].tolist()
    assert kept == [ROWS[k % 5] for k in range(len(kept))]
    assert 5 < len(kept) < 35


@given(st.lists(st.decimals(min_value=-10000, max_value=10000, places=8), min_size=1, max_size=5))
def test_cells_round_half_to_even(tmp_path_factory, numbers):
    path = tmp_path_factory.mktemp("record") / "host.csv"
    path.write_text("x\n" + "\n".join(f"{number:f}" for number in numbers))
    table = {"shape": "recorded", "file": str(path), "column": "x", "unit": "ns"}
    want = [round(Fraction(number) * 10**6) for number in numbers]
    assert read_shape(table, TIME, path.parent).values.tolist() == want


def test_halves(read):
    law = read("latency_ns\n0.0000005\n0.0000015\n0.0000025\n-0.0000005\n1e-6\n")
    assert law.values.tolist() == [0, 2, 2, 0, 1]


@pytest.mark.parametrize("unit", ["s", "min", "us", "fs"])
def test_units(record, tmp_path, unit):
    law = read_shape(record("latency_ns\n3\n", unit=unit), TIME, tmp_path)
    assert law.constant_value == 3 * {"s": 10**15, "min": 60 * 10**15, "us": 10**9, "fs": 1}[unit]
    assert law.is_constant
    assert not law.is_random


def test_a_ratio_may_be_recorded(record, tmp_path):
    law = read_shape(record("latency_ns\n-20\n35.5\n", unit="ppm"), RATIO, tmp_path)
    assert law.values.tolist() == [-20_000_000, 35_500_000]


def test_forms_of_csv_that_are_accepted(read):
    rows = [1_000_000, 2_000_000]
    assert read("latency_ns\r\n1\r\n2\r\n").values.tolist() == rows
    assert read(b"\xef\xbb\xbflatency_ns\n1\n2").values.tolist() == rows
    assert read('"a, b", latency_ns \n"x\ny", 1 \n,2\n\n').values.tolist() == rows


def test_a_changed_file_is_read_anew(read):
    assert read("latency_ns\n1\n").constant_value == 1_000_000
    assert read("latency_ns\n11\n").constant_value == 11_000_000


def test_equal_recordings_are_equal(read, tmp_path):
    one, other = read(), read()
    assert one == other
    assert one != read(start=0)
    assert one != read("latency_ns\n1\n")
    assert str(tmp_path) in repr(one)
    assert "data" not in repr(one)


REFUSED = [
    ("latency_ns\n1\nnan\n", "file", "line 3: a number"),
    ("latency_ns\n1\ninf\n", "file", "line 3: a number"),
    ("latency_ns\n1\n-Infinity\n", "file", "line 3: a number"),
    ("# c\nlatency_ns\n1\n# c\nabc\n", "file", "line 5: a number"),
    ("latency_ns\n1 ns\n", "file", "line 2: a number"),
    ("latency_ns\n1_0\n", "file", "line 2: a number"),
    ("latency_ns\n٣\n", "file", "line 2: a number"),
    ("a,latency_ns\n1,\n", "file", "line 2: a number"),
    ("a,latency_ns\n1\n", "file", "line 2: a number"),
    ("latency_ns\n1e20\n", "file", "line 2: a duration of at most 2.5 h"),
    ("latency_ns\n1e999\n", "file", "line 2: a duration of at most 2.5 h"),
    ("latency_ns\n" + "1" * 300, "file", "line 2: a number"),
    ("latency_ns\n", "column", "no values"),
    ("# only this\n", "column", "the file is empty"),
    ("", "column", "the file is empty"),
    ("latency,other\n1,2\n", "column", 'one of the columns is wanted ("latency", "other")'),
    ("latency_ns,latency_ns\n1,2\n", "column", "one column of that name"),
    (b"latency_ns\n\xff\xfe\n", "file", "not UTF-8"),
    ('latency_ns\n"1\n', "file", "not CSV"),
]


@pytest.mark.parametrize(("text", "key", "said"), REFUSED)
def test_recordings_that_cannot_be_used(read, text, key, said):
    with pytest.raises(FaultError) as caught:
        read(text)
    assert caught.value.fault.key == key
    assert said in caught.value.fault.allowed


@pytest.mark.parametrize(
    ("more", "key", "said"),
    [
        ({"file": "nowhere.csv"}, "file", "no such file"),
        ({"file": "."}, "file", "this is a directory"),
        ({"file": ""}, "file", "the name of a CSV file"),
        ({"file": "a\0b"}, "file", "the name of a CSV file"),
        ({"file": "x" * 5000}, "file", "cannot be read"),
        ({"file": 3}, "file", "the name of a CSV file"),
        ({"column": ""}, "column", "the name of a column"),
        ({"column": 1}, "column", "the name of a column"),
        ({"unit": "MHz"}, "unit", "the unit of a duration"),
        ({"unit": 1}, "unit", "the unit of a duration"),
        ({"start": 5}, "start", "from 0 to 4"),
        ({"start": -1}, "start", "from 0 to 4"),
        ({"start": True}, "start", "from 0 to 4"),
        ({"start": 1.0}, "start", "from 0 to 4"),
        ({"strat": 1}, "strat", 'did you mean "start"'),
    ],
)
def test_tables_of_recordings_that_cannot_be_used(read, more, key, said):
    with pytest.raises(FaultError) as caught:
        read(TEXT, **more)
    assert caught.value.fault.key == key
    assert said in caught.value.fault.allowed


def test_a_pipe_is_no_recording(tmp_path):
    os.mkfifo(tmp_path / "pipe")
    table = {"shape": "recorded", "file": "pipe", "column": "x", "unit": "ns"}
    with pytest.raises(FaultError, match="no regular file"):
        read_shape(table, TIME, tmp_path)


def test_a_file_name_is_relative_to_the_scenario(record, tmp_path, minimal):
    table = record()
    inline = ", ".join(f'{key} = "{value}"' for key, value in table.items())
    text = minimal.replace('service_latency = "2 us"', f"service_latency = {{ {inline} }}")
    scenario = loads(text, base=tmp_path)
    assert scenario.host.service_latency.values.tolist() == ROWS
    absolute = scenario.to_toml()
    assert str(tmp_path / "host.csv") in absolute
    assert loads(absolute) == scenario
    elsewhere = tmp_path / "out" / "deep"
    elsewhere.mkdir(parents=True)
    relative = scenario.to_toml(base=elsewhere)
    assert 'file = "../../host.csv"' in relative
    assert loads(relative, base=elsewhere) == scenario


def test_a_negative_duration_is_refused_with_its_line(tmp_path):
    (tmp_path / "seen.csv").write_text(
        "# by hand\nlatency_ns,x\n400,1\n\n-2,2\n# more\n-3,3\n-1,4\n"
    )
    table = {"shape": "recorded", "file": "seen.csv", "column": "latency_ns", "unit": "ns"}
    with pytest.raises(FaultError, match="below zero; line 7 has -3 ns"):
        duration(table, tmp_path)
