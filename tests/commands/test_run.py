import json
import os
import pty
import re
import signal
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

import simlink
from simlink.base.errors import InputError, OutputError
from simlink.cli import app
from simlink.figures.tally import Tally
from simlink.running import results

ROOT = Path(simlink.__file__).parents[1]
SCENARIOS = sorted((ROOT / "scenarios").glob("*.toml"))
SMALL = ROOT / "scenarios" / "bench-supply.toml"
FEW = ["--trials", "3", "--conversions", "40"]
#: Scenarios that lose words, on purpose.
LOSING = ("early-release", "ice-rink-drive", "shallow-fifo")

# The whole program, as its entry point starts it.
PROGRAM = [sys.executable, "-c", "from simlink.cli import main; main()"]
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT), "TERM": "xterm", "COLUMNS": "80"}


def run(*words):
    return CliRunner().invoke(app, ["run", *map(str, words)])


def program(*words, **options):
    return subprocess.run(
        [*PROGRAM, "run", *map(str, words)],
        capture_output=True,
        text=True,
        timeout=120,
        env=ENVIRONMENT,
        **options,
    )


def flat(text):
    return " ".join(text.split())


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_every_shipped_scenario_runs(path, tmp_path):
    result = run(path, "--trials", 3, "--conversions", 60, "--out", tmp_path / "out")
    assert result.exit_code == (1 if path.stem in LOSING else 0), result.output
    scenario = simlink.load(path).scenario
    assert scenario.title
    assert result.stdout.splitlines()[0] == scenario.title
    # Where the host's clock reads the converter there is no FIFO to show.
    no_fifo = scenario.link.scheme != "remote_master"
    wanted = [name for name in results.NAMES if not (no_fifo and name.startswith("occupancy"))]
    assert sorted(path.name for path in (tmp_path / "out").iterdir()) == sorted(wanted)
    assert f"Results: {tmp_path / 'out'}" in result.stdout


def test_there_is_a_scenario_of_every_kind():
    found = {path.stem: simlink.load(path).scenario for path in SCENARIOS}
    assert any(s.frame.lanes == 4 and s.frame.words_per_lane == 2 for s in found.values())
    assert any(s.barrier.return_.style == "packets" for s in found.values())
    assert any("recorded" in s.to_toml() for s in found.values())
    for path in SCENARIOS:
        assert f"simlink run scenarios/{path.name}" in path.read_text()


def test_the_overrunning_scenario_overruns_and_its_remedy_helps():
    study = simlink.load(ROOT / "scenarios" / "shallow-fifo.toml")
    assert study.run(ledger=False).figures["overrun"].count > 0
    deeper = study.scenario.with_value("fifo.depth", 12)
    assert simlink.run(deeper, ledger=False).figures["overrun"].count == 0


def test_the_recording_says_where_it_comes_from():
    recording = ROOT / "scenarios" / "recordings" / "desktop-wakeup.csv"
    head = recording.read_text().split("index,latency_ns")[0]
    scenario = (ROOT / "scenarios" / "desktop-host.toml").read_text()
    assert "command: simlink host-latency" in head
    assert "stands in for the target's only until a capture" in head
    assert "stands in for the target's only until a capture" in scenario
    assert recording.stat().st_size < 300_000


def test_the_screen_leads_with_title_and_verdict():
    result = run(SMALL, *FEW)
    assert result.exit_code == 0
    said = flat(result.stdout)
    # 9 ns of data valid and 2 ns of setup in half a period of 40 MHz.
    assert said.startswith(
        "Output monitor of a bench supply, 18 bit at 400 kHz Meets 400 kHz: all 12 limits hold, "
        "FIFO depth as far as was seen; the nearest is converter-side setup, 12 % margin (11 ns of "
        "12.5 ns). That limit rests on converter.data_valid, remote_clock.setup and "
    )
    assert "Results:" not in said
    assert result.stderr == ""


def test_the_exit_status_says_whether_every_limit_holds(tmp_path):
    assert run(SMALL, *FEW).exit_code == 0
    losing = ROOT / "scenarios" / "early-release.toml"
    result = run(losing, *FEW, "--json", "--out", tmp_path)
    assert result.exit_code == 1
    found = json.loads(result.stdout)
    assert found["meets_rate"] is False
    assert found["verdict"].startswith("Does not meet 400 kHz: the limit of early read is broken")
    assert {one["key"]: one["known"] for one in found["limits"]}["early_read"] == "violated"
    # Nothing is lost, and yet a converter of the data sheet could not settle.
    tight = tmp_path / "tight.toml"
    tight.write_text(SMALL.read_text().replace('"350 ns"', '"1.9 us"'))
    result = run(tight, *FEW)
    assert result.exit_code == 1
    assert "the limit of acquisition is broken" in flat(result.stdout)
    assert program(losing, *FEW).returncode == 1


def test_everything_is_shown_when_asked_for_and_kept(tmp_path):
    result = run(SMALL, *FEW, "--assumptions", "--out", tmp_path)
    assert result.exit_code == 0
    kept = (tmp_path / "report.txt").read_text()
    assert result.stdout.startswith(kept)
    for said in ("triggers sent", "assumed, because the scenario does not say", "IEC 61010-1"):
        assert said in kept
        assert said not in run(SMALL, *FEW).stdout


def test_json_stands_alone_on_standard_output(tmp_path):
    result = run(SMALL, *FEW, "--json", "--out", tmp_path / "out")
    assert result.exit_code == 0
    found = json.loads(result.stdout)
    assert result.stdout == (tmp_path / "out" / "figures.json").read_text()
    assert found["figures"]["triggers"]["count"] == 120
    assert found["seed"] == 41
    assert result.stderr == ""


def test_options_change_the_run():
    words = ["--seed", 9, "--trials", 2, "--conversions", 7, "--engine", "event", "--json"]
    found = json.loads(run(SMALL, *words).stdout)
    assert found["seed"] == 9
    assert found["engine"] == "event"
    assert found["scenario"]["trials"] == 2
    assert found["scenario"]["conversions"] == 7
    assert found["figures"]["triggers"]["count"] == 14


@pytest.mark.parametrize(("ledger", "kept"), [("on", True), ("off", False)])
def test_a_ledger_is_kept_or_not_as_asked(tmp_path, ledger, kept):
    assert run(SMALL, *FEW, "--out", tmp_path, "--ledger", ledger).exit_code == 0
    assert (tmp_path / "ledger.parquet").exists() is kept


def test_a_ledger_without_a_folder_is_told():
    result = run(SMALL, *FEW, "--ledger", "on")
    assert result.exit_code == 0
    assert "only with --out" in result.stderr


@pytest.mark.parametrize(
    ("option", "value"),
    [
        ("--trials", "0"),
        ("--trials", "-1"),
        ("--trials", "1.5"),
        ("--trials", "NaN"),
        ("--trials", "1e8"),
        ("--trials", "²"),
        ("--trials", ""),
        ("--trials", "9" * 5000),
        ("--conversions", "0"),
        ("--conversions", "inf"),
        ("--conversions", "10000000001"),
        ("--seed", "-1"),
        ("--seed", "x"),
        ("--seed", str(2**63)),
        ("--workers", "0"),
        ("--workers", "many"),
        ("--ledger", "maybe"),
        ("--ledger", ""),
        ("--engine", "steam"),
        ("--engine", ""),
        ("--out", ""),
    ],
)
def test_bad_options_are_refused_in_one_line(option, value):
    result = run(SMALL, option, value)
    assert isinstance(result.exception, InputError)
    assert str(result.exception).startswith(f"{option}: got ")
    assert "\n" not in str(result.exception)
    assert result.stdout == ""


def test_status_2_and_one_line_from_the_program(tmp_path):
    (tmp_path / "file").write_text("kept")
    for words in (
        [SMALL, "--trials", "0"],
        [tmp_path / "missing.toml"],
        [SMALL, "--out", tmp_path / "file"],
    ):
        done = program(*words)
        assert done.returncode == 2
        assert done.stderr.count("\n") == 1
        assert done.stderr.startswith("simlink: ")
        assert done.stdout == ""
    assert (tmp_path / "file").read_text() == "kept"


def test_an_unwritable_folder_is_told_before_the_run(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("kept")
    monkeypatch.setattr(results, "run_scenario", lambda *a, **k: pytest.fail("ran for nothing"))
    result = run(SMALL, "--out", tmp_path / "file")
    assert isinstance(result.exception, OutputError)


def interrupt_after(monkeypatch, finished):
    """Make Ctrl-C come when so many trials are finished."""
    tally = Tally.merge
    merged = []

    def merge(self, other):
        if len(merged) == finished:
            monkeypatch.setattr(Tally, "merge", tally)
            raise KeyboardInterrupt
        merged.append(other)
        tally(self, other)

    monkeypatch.setattr(Tally, "merge", merge)


@pytest.mark.parametrize("json_too", [False, True])
def test_an_interrupted_run_keeps_and_tells_its_finished_trials(tmp_path, monkeypatch, json_too):
    interrupt_after(monkeypatch, 2)
    more = ["--json"] if json_too else []
    # The event engine hands over one trial at a time.
    words = ["--trials", 5, "--conversions", 30, "--engine", "event", "--out", tmp_path / "out"]
    result = run(SMALL, *words, *more)
    assert result.exit_code == 130
    assert f"2 of 5 boards finished and kept in {tmp_path / 'out'}" in result.stderr
    kept = json.loads((tmp_path / "out" / "figures.json").read_text())
    assert kept["interrupted"] is True
    assert kept["scenario"]["trials"] == 2
    assert kept["figures"]["triggers"]["count"] == 60
    if json_too:
        assert json.loads(result.stdout) == kept
    else:
        assert "Interrupted: this is what the 2 boards that were finished say." in flat(
            result.stdout
        )


def test_an_interruption_before_the_first_trial_leaves_nothing(tmp_path, monkeypatch):
    interrupt_after(monkeypatch, 0)
    result = run(SMALL, *FEW, "--out", tmp_path / "out")
    assert result.exit_code == 130
    assert "interrupted: 0 of 3 boards kept" in result.stderr
    assert result.stdout == ""
    assert list(tmp_path.iterdir()) == []


def test_a_real_ctrl_c_on_a_terminal(tmp_path):
    """The bar goes to the terminal alone; the finished trials are kept, and told."""
    words = [SMALL, "--trials", "100000", "--conversions", "50", "--engine", "event"]
    words += ["--out", tmp_path / "out"]
    leader, follower = pty.openpty()
    process = subprocess.Popen(
        [*PROGRAM, "run", *map(str, words)],
        stdout=subprocess.PIPE,
        stderr=follower,
        env=ENVIRONMENT,
        start_new_session=True,
    )
    os.close(follower)
    seen = b""
    try:
        while not re.search(rb"[1-9][0-9]*/100000", seen):
            seen += os.read(leader, 4096)
        os.killpg(process.pid, signal.SIGINT)
        try:
            while more := os.read(leader, 4096):
                seen += more
        except OSError:
            pass
        stdout, _ = process.communicate(timeout=60)
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
        os.close(leader)
    assert process.returncode == 130
    found = re.search(rb"interrupted: (\d+) of 100000 boards finished and kept", seen)
    assert found
    kept = json.loads((tmp_path / "out" / "figures.json").read_text())
    assert kept["scenario"]["trials"] == int(found[1])
    assert b"Traceback" not in seen
    assert b"\x1b" not in stdout
    assert stdout.startswith(b"Output monitor")


def test_the_results_do_not_depend_on_the_number_of_workers(tmp_path):
    kept = []
    for number in (1, 2):
        folder = tmp_path / "out"
        words = ["--engine", "event", "--workers", number, "--out", folder]
        assert program(SMALL, *FEW, *words).returncode == 0
        kept.append({path.name: path.read_bytes() for path in folder.iterdir()})
    assert kept[0] == kept[1]


def test_no_bar_without_a_terminal():
    done = program(SMALL, *FEW)
    assert done.returncode == 0
    assert done.stderr == ""


def test_the_same_command_prints_the_same_bytes():
    assert program(SMALL, *FEW).stdout == program(SMALL, *FEW).stdout
