import json
import os
from pathlib import Path

import pytest

import simlink
from simlink.base.errors import OutputError
from simlink.base.interrupts import Interrupted
from simlink.pictures import style
from simlink.running import results
from simlink.scenario.loading import loads

TEXT = """
title = "Kept"
seed = 5
trials = 3
conversions = 40
[link]
scheme = "remote_master"
[trigger]
rate = "500 kHz"
[converter]
conversion_time = { shape = "uniform", low = "480 ns", high = "520 ns" }
[remote_clock]
frequency = "50 MHz"
[host]
clock = "40 MHz"
service_latency = { shape = "exponential", mean = "700 ns" }
"""


@pytest.fixture
def scenario():
    return loads(TEXT)


def content(folder):
    return {path.name: path.read_bytes() for path in folder.iterdir() if path.is_file()}


def test_a_run_leaves_all_its_files_and_nothing_else(tmp_path, scenario):
    import pandas as pd

    run = results.run_into(tmp_path / "deep" / "out", scenario)
    folder = tmp_path / "deep" / "out"
    assert sorted(path.name for path in folder.iterdir()) == sorted(results.NAMES)
    assert (folder / "figures.json").read_text() == run.to_json()
    assert json.loads(run.to_json())["figures"]["triggers"]["count"] == 120
    rows = pd.read_parquet(folder / "ledger.parquet")
    assert len(rows) == 120
    assert run.rows is None
    first = (folder / "scenario.toml").read_text().splitlines()[0]
    assert first.startswith("#")
    assert simlink.__version__ in first
    assert "seed 5" in first


def test_the_resolved_scenario_gives_the_same_results_again(tmp_path, scenario, recording):
    law = recording([600, 700, 800, 650, 900])
    del law["start"]
    scenario = scenario.with_value("host.service_latency", law)
    results.run_into(tmp_path / "one", scenario)
    simlink.load(tmp_path / "one" / "scenario.toml")
    again = simlink.load(tmp_path / "one" / "scenario.toml").scenario
    results.run_into(tmp_path / "two", again)
    one, two = content(tmp_path / "one"), content(tmp_path / "two")
    assert one["ledger.parquet"] == two["ledger.parquet"]
    assert one["scenario.toml"] == two["scenario.toml"]
    figures = [json.loads(kept["figures.json"])["figures"] for kept in (one, two)]
    assert figures[0] == figures[1]


def test_the_same_run_gives_the_same_bytes(tmp_path, scenario):
    for name in ("one", "two"):
        results.run_into(tmp_path / name, scenario)
    results.run_into(tmp_path / "one", scenario)
    assert content(tmp_path / "one") == content(tmp_path / "two")


def test_write_keeps_the_ledger_that_a_run_holds(tmp_path, scenario):
    results.run_into(tmp_path / "one", scenario)
    results.write(simlink.run(scenario), tmp_path / "two")
    assert content(tmp_path / "one").keys() == content(tmp_path / "two").keys()
    for name in ("figures.json", "scenario.toml", "occupancy.svg"):
        assert content(tmp_path / "one")[name] == content(tmp_path / "two")[name]


def test_stale_files_go_and_foreign_ones_stay(tmp_path, scenario):
    results.run_into(tmp_path, scenario)
    (tmp_path / "notes.txt").write_text("mine")
    results.run_into(tmp_path, scenario, ledger=False)
    assert set(content(tmp_path)) == set(results.NAMES) - {"ledger.parquet"} | {"notes.txt"}
    assert (tmp_path / "notes.txt").read_text() == "mine"


def test_a_picture_that_fails_leaves_the_old_results(tmp_path, scenario, monkeypatch):
    results.run_into(tmp_path / "out", scenario)
    before = content(tmp_path / "out")

    def full(figure, kind):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(style, "encode", full)
    with pytest.raises(OutputError) as caught:
        results.run_into(tmp_path / "out", scenario.with_(seed=6))
    assert str(caught.value).count("\n") == 0
    assert "No space left on device" in str(caught.value)
    assert content(tmp_path / "out") == before
    assert [path.name for path in (tmp_path / "out").iterdir() if path.is_dir()] == []


def test_a_ledger_that_fills_the_disk_leaves_the_old_results(tmp_path, scenario, monkeypatch):
    results.run_into(tmp_path / "out", scenario)
    before = content(tmp_path / "out")

    def full(self, rows):
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("simlink.running.ledger.LedgerFile.add", full)
    with pytest.raises(OutputError, match="No space left"):
        results.run_into(tmp_path / "out", scenario)
    with pytest.raises(OutputError, match="No space left"):
        results.run_into(tmp_path / "new" / "deep", scenario)
    with pytest.raises(OutputError, match="No space left"):
        results.write(simlink.run(scenario), tmp_path / "out")
    assert content(tmp_path / "out") == before
    assert os.listdir(tmp_path) == ["out"]


def test_a_bound_on_file_sizes_is_met_as_a_full_disk_is(tmp_path, scenario):
    """A real write that fails, in the ledger or in a picture, tells one line and leaves nothing."""
    import resource
    import subprocess
    import sys

    (tmp_path / "a.toml").write_text(TEXT.replace("conversions = 40", "conversions = 900"))
    code = "from simlink.cli import main; main()"
    for size, more in ((20_000, []), (20_000, ["--ledger", "off"])):

        def bound(size=size):
            resource.setrlimit(resource.RLIMIT_FSIZE, (size, size))

        command = [sys.executable, "-c", code, "run", "a.toml", "--trials", "1", "--out", "out"]
        done = subprocess.run(
            [*command, *more],
            cwd=tmp_path,
            env={**os.environ, "PYTHONPATH": str(Path(simlink.__file__).parents[1])},
            preexec_fn=bound,
            capture_output=True,
            text=True,
            timeout=120,
        )
        assert done.returncode == 2, done.stderr
        assert done.stderr.count("\n") == 1
        assert done.stderr.startswith("simlink: out: cannot be written: ")
        assert done.stdout == ""
        assert os.listdir(tmp_path) == ["a.toml"]


@pytest.mark.parametrize("where", ["file", "file/below"])
def test_a_file_in_the_way_is_told_before_the_run(tmp_path, scenario, monkeypatch, where):
    (tmp_path / "file").write_text("kept")
    monkeypatch.setattr(results, "run_scenario", lambda *a, **k: pytest.fail("ran for nothing"))
    with pytest.raises(OutputError) as caught:
        results.run_into(tmp_path / where, scenario)
    assert str(caught.value).startswith(str(tmp_path / where))
    assert (tmp_path / "file").read_text() == "kept"
    assert os.listdir(tmp_path) == ["file"]


def test_a_folder_in_the_place_of_a_result_is_told_before_the_run(tmp_path, scenario, monkeypatch):
    (tmp_path / "latency.png").mkdir()
    monkeypatch.setattr(results, "run_scenario", lambda *a, **k: pytest.fail("ran for nothing"))
    with pytest.raises(OutputError, match=r"latency\.png: cannot be written: is a directory"):
        results.run_into(tmp_path, scenario)
    assert os.listdir(tmp_path) == ["latency.png"]


def test_an_interrupted_run_keeps_its_finished_trials(tmp_path, scenario):
    def stop(done):
        if done == 2:
            raise KeyboardInterrupt

    import pandas as pd

    # The event engine hands over one trial at a time.
    run = results.run_into(tmp_path, scenario, progress=stop, engine="event", workers=1)
    assert run.interrupted
    assert set(pd.read_parquet(tmp_path / "ledger.parquet")["trial"]) == {0, 1}
    assert json.loads((tmp_path / "figures.json").read_text())["interrupted"] is True
    assert "trials = 2\n" in (tmp_path / "scenario.toml").read_text()


def test_an_interruption_before_the_first_trial_keeps_what_was_there(
    tmp_path, scenario, monkeypatch
):
    results.run_into(tmp_path / "out", scenario)
    before = content(tmp_path / "out")

    def stop(*args, **kwargs):
        raise KeyboardInterrupt

    monkeypatch.setattr(results, "run_scenario", stop)
    for folder in ("out", "new"):
        with pytest.raises(KeyboardInterrupt):
            results.run_into(tmp_path / folder, scenario)
    assert content(tmp_path / "out") == before
    assert os.listdir(tmp_path) == ["out"]


def test_the_scenario_that_is_run_is_not_overwritten(tmp_path, scenario, monkeypatch):
    """Its comments are the user's; and a resolved one that is run again is an input as well."""
    path = tmp_path / "scenario.toml"
    path.write_text("# mine\n" + TEXT)
    monkeypatch.setattr(results, "run_scenario", lambda *a, **k: pytest.fail("ran for nothing"))
    with pytest.raises(OutputError, match=r"scenario\.toml: cannot be written"):
        results.run_into(tmp_path, simlink.load(path).scenario)
    assert path.read_text() == "# mine\n" + TEXT
    path.write_text("# mine, too\n" + TEXT)
    with pytest.raises(OutputError, match="does not know for its own"):
        results.run_into(tmp_path, scenario)
    assert path.read_text() == "# mine, too\n" + TEXT
    path.write_text("# Resolved by simlink 0.1.0\n" + TEXT)
    with pytest.raises(OutputError, match="it is an input"):
        results.run_into(tmp_path, simlink.load(path).scenario)
    assert os.listdir(tmp_path) == ["scenario.toml"]


def test_ctrl_c_while_results_are_written_keeps_every_trial(tmp_path, scenario, monkeypatch):
    def stop(figure, kind):
        raise KeyboardInterrupt

    monkeypatch.setattr(style, "encode", stop)
    with pytest.raises(Interrupted) as caught:
        results.run_into(tmp_path, scenario)
    assert caught.value.kept == 3
    assert content(tmp_path) == {}
    monkeypatch.undo()
    assert results.run_into(tmp_path, scenario, resume=True).resumed == 3
