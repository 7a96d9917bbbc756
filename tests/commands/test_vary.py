import json

import pandas as pd
import pytest
from typer.testing import CliRunner

from simlink.base.errors import InputError, OutputError
from simlink.cli import app
from simlink.running import run as runs
from simlink.studies import vary as studies
from tests.outside import queues


@pytest.fixture
def path(tmp_path):
    tried = queues.queue("periodic", queues.exponential(0.7), 2, conversions=200, trials=6)
    file = tmp_path / "queue.toml"
    file.write_text(tried.to_toml())
    return file


def run(*words):
    return CliRunner().invoke(app, ["vary", *map(str, words)])


def test_the_folder_holds_table_and_picture(path, tmp_path):
    out = tmp_path / "out"
    result = run(path, "fifo.depth", "1..3", "--out", out)
    assert result.exit_code == 0, result.output
    names = ["vary.csv", "vary.json", "vary.parquet", "vary.png", "vary.svg"]
    assert sorted(one.name for one in out.iterdir()) == names
    comma, columns = pd.read_csv(out / "vary.csv"), pd.read_parquet(out / "vary.parquet")
    assert list(comma["fifo.depth"]) == list(columns["fifo.depth"]) == [1, 2, 3]
    assert list(comma["overrun"]) == list(columns["overrun"])
    assert list(comma.columns) == list(columns.columns)
    assert len(result.stdout.splitlines()) == 4 + 2


def test_two_keys_and_another_figure(path):
    result = run(
        path, "trigger.rate", "1 kHz..1.2 kHz in 2", "fifo.depth", "1, 2",
        "--figure", "host_busy_share", "--json", "--trials", 3,
    )  # fmt: skip
    found = json.loads(result.stdout)
    assert found["figure"] == "host_busy_share"
    assert found["keys"] == {"trigger.rate": ["1 kHz", "1.2 kHz"], "fifo.depth": [1, 2]}
    assert len(found["points"]) == 4
    assert found["points"][0]["figures"]["triggers"]["count"] == 600
    assert result.stderr == ""


def test_two_keys_are_a_matrix(path):
    result = run(path, "fifo.depth", "1, 30", "trigger.rate", "1 kHz, 1.2 kHz", "--trials", 3)
    first, _, head, one, its, thirty, bound = result.stdout.splitlines()
    assert first.startswith("overrun: fifo.depth down, trigger.rate across")
    assert head.split() == ["fifo.depth", "1", "kHz", "1.2", "kHz"]
    assert one.split()[0] == "1"
    assert all(0 < float(cell) < 1 for cell in one.split()[1:])
    assert its.count(" to ") == 2
    assert thirty.split() == ["30", "0", "seen", "0", "seen"]
    assert bound.split().count("boards") == 2


def test_a_wide_matrix_goes_on_below(path):
    result = run(path, "fifo.depth", "1, 2", "host.watermark", "1", "--trials", 2)
    assert result.exit_code == 0
    result = run(path, "trigger.rate", "1 kHz", "fifo.depth", "1..10", "--trials", 2)
    heads = [line for line in result.stdout.splitlines() if line.split()[:1] == ["trigger.rate"]]
    assert [one.split()[1:] for one in heads] == [[*"12345678"], ["9", "10"]]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["fifo.depth"], "one or two pairs"),
        (["fifo.depth", "1..3", "host.clock"], "one or two pairs"),
        (["fifo.depth", "1..3", "fifo.depth", "1..3"], "two different keys"),
        (["fifo.dept", "1..3"], 'did you mean "depth"'),
        (["fifo.depth", "3..1"], "fifo.depth: got"),
        (["fifo.depth", "0..3"], "from 1 to"),
        (["host.clock", "1 ns, 2 ns"], "a frequency"),
        (["fifo.depth", "1..3", "--figure", "overun"], 'did you mean "overrun"'),
        (["fifo.depth", "1..3", "--trials", "0"], "--trials: got"),
        (["fifo.depth", "1..3", "--engine", "steam"], "--engine: got"),
        (["fifo.depth", "1..3", "--out", ""], "--out: got"),
    ],
)
def test_what_is_bad_is_refused_in_one_line(path, words, said):
    result = run(path, *words)
    assert isinstance(result.exception, InputError)
    assert said in str(result.exception)
    assert "\n" not in str(result.exception)
    assert result.stdout == ""


def test_an_unwritable_folder_is_told_first(path, tmp_path, monkeypatch):
    (tmp_path / "file").write_text("kept")
    monkeypatch.setattr(studies, "run", lambda *args, **kwargs: pytest.fail("ran for nothing"))
    result = run(path, "fifo.depth", "1..3", "--out", tmp_path / "file")
    assert isinstance(result.exception, OutputError)


def test_ctrl_c_keeps_the_finished_points(path, tmp_path, monkeypatch):
    def stop_at_three(candidate, **options):
        if candidate.fifo.depth == 3:
            raise KeyboardInterrupt
        return runs.run(candidate, **options)

    monkeypatch.setattr(studies, "run", stop_at_three)
    out = tmp_path / "out"
    result = run(path, "fifo.depth", "1..5", "--out", out)
    assert result.exit_code == 130
    assert f"2 of 5 points finished and kept in {out}" in result.stderr
    assert list(pd.read_csv(out / "vary.csv")["fifo.depth"]) == [1, 2]
    assert json.loads((out / "vary.json").read_text())["interrupted"] is True
