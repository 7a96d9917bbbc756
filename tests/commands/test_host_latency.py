import os
import pty
import re
import signal
import subprocess
import sys
import time

import pytest
import typer
from typer.testing import CliRunner

from simlink.base.errors import InputError, OutputError
from simlink.commands.host_latency import host_latency
from simlink.recording import host_latency as recorder

app = typer.Typer(pretty_exceptions_enable=False)
app.command()(host_latency)

# The command alone, with the program's own way of telling a refusal.
ALONE = """
import sys
import typer
from simlink.commands.host_latency import host_latency
from simlink.base.errors import InputError, OutputError
app = typer.Typer(pretty_exceptions_enable=False)
app.command()(host_latency)
try:
    app()
except (InputError, OutputError) as error:
    print(f"simlink: {error}", file=sys.stderr)
    raise SystemExit(2)
"""


def run(*words):
    return CliRunner().invoke(app, [str(word) for word in words])


def rows_of(path):
    lines = [line for line in path.read_text().splitlines() if not line.startswith("#")]
    assert lines[0] == "index,latency_ns"
    return [tuple(map(int, line.split(","))) for line in lines[1:]]


def test_a_recording_is_written_drawn_and_summed_up(tmp_path):
    out = tmp_path / "deep" / "down"
    result = run("--period", "0.2 ms", "--count", 150, "--load", 1, "--out", out)
    assert result.exit_code == 0, result.output
    rows = rows_of(out / "host.csv")
    assert [index for index, _ in rows] == list(range(150))
    assert all(late >= 0 for _, late in rows)
    assert sorted(path.name for path in out.iterdir()) == [
        "host-histogram.png",
        "host-histogram.svg",
        "host.csv",
    ]
    text = (out / "host.csv").read_text()
    assert "# period: 200000 ns\n# load: 1 " in text
    assert "# command: simlink host-latency --period '0.2 ms' --count 150 --load 1" in text
    for name in ("median", "99 %", "99.9 %", "largest seen", "periods missed"):
        assert name in result.stdout
    assert "needs 1000 wake-ups" in result.stdout
    assert recorder.STAND_IN in result.stdout
    late = sum(late > 200_000 for _, late in rows)
    assert re.search(rf"periods missed +{late} ", result.stdout)
    # No bar without a terminal.
    assert result.stderr.count("\n") == 1


def test_missed_periods_are_counted_and_said(tmp_path, monkeypatch):
    import numpy as np

    late = np.array([1_000_001, 1_000_000, 5, 4_000_000], dtype=np.int64)
    monkeypatch.setattr(recorder, "record", lambda *args: late)
    result = run("--count", 4, "--out", tmp_path)
    assert re.search(r"periods missed +2 \(wake-ups later than 1 ms\)", result.stdout)


def interrupted_after(latencies):
    def stop(*args):
        raise recorder.InterruptedRecordingError(latencies)

    return stop


def test_ctrl_c_keeps_what_was_recorded(tmp_path, monkeypatch):
    import numpy as np

    monkeypatch.setattr(recorder, "record", interrupted_after(np.array([11, 12, 13])))
    result = run("--count", 900, "--out", tmp_path)
    assert result.exit_code == 130
    assert rows_of(tmp_path / "host.csv") == [(0, 11), (1, 12), (2, 13)]
    assert "3 of 900 wake-ups" in result.stderr


def test_a_part_of_a_recording_never_replaces_a_whole_one(tmp_path, monkeypatch):
    import numpy as np

    assert run("--period", "0.1 ms", "--count", 5, "--out", tmp_path).exit_code == 0
    whole = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
    monkeypatch.setattr(recorder, "record", interrupted_after(np.array([11])))
    assert run("--out", tmp_path).exit_code == 130
    assert {name: (tmp_path / name).read_bytes() for name in whole} == whole
    assert rows_of(tmp_path / "host-interrupted.csv") == [(0, 11)]


def test_ctrl_c_before_the_first_row_writes_nothing(tmp_path, monkeypatch):
    import numpy as np

    monkeypatch.setattr(recorder, "record", interrupted_after(np.array([], dtype=np.int64)))
    result = run("--out", tmp_path)
    assert result.exit_code == 130
    assert "nothing written" in result.stderr
    assert list(tmp_path.iterdir()) == []


@pytest.mark.parametrize("terminal", [False, True])
def test_a_real_ctrl_c(tmp_path, terminal):
    """With a terminal there is a bar on standard error, and the rows are kept just the same."""
    words = ["--period", "1 ms", "--count", "1000000", "--load", "1", "--out", str(tmp_path)]
    leader, follower = pty.openpty()
    process = subprocess.Popen(
        [sys.executable, "-c", ALONE, *words],
        stdout=subprocess.PIPE,
        stderr=follower if terminal else subprocess.PIPE,
        env={**os.environ, "TERM": "xterm", "COLUMNS": "80"},
        start_new_session=True,
    )
    os.close(follower)
    try:
        if terminal:
            seen = b""
            while b"%" not in seen:
                seen += os.read(leader, 4096)
        else:
            assert b"recording 1000000 wake-ups" in process.stderr.readline()
        time.sleep(1.5)
        # A terminal's Ctrl-C goes to the whole group, the load included.
        os.killpg(process.pid, signal.SIGINT)
        if terminal:
            said = b""
            try:
                while more := os.read(leader, 4096):
                    said += more
            except OSError:
                pass
            stdout, _ = process.communicate(timeout=60)
        else:
            stdout, said = process.communicate(timeout=60)
    finally:
        if process.poll() is None:
            process.kill()
            process.wait()
        os.close(leader)
    assert process.returncode == 130
    rows = rows_of(tmp_path / "host.csv")
    assert [index for index, _ in rows] == list(range(len(rows)))
    assert len(rows) > 100
    assert f"{len(rows)} of 1000000 wake-ups were recorded and kept".encode() in said
    assert b"largest seen" in stdout
    assert b"Traceback" not in said


@pytest.mark.parametrize(
    ("words", "where"),
    [
        (["--period", "1"], "--period"),
        (["--period", "1 MHz"], "--period"),
        (["--period", "nan ms"], "--period"),
        (["--period", "-1 ms"], "--period"),
        (["--period", "0 ms"], "--period"),
        (["--period", "9 us"], "--period"),
        (["--period", "11 s"], "--period"),
        (["--period", "100.0000001 us"], "--period"),
        (["--period", ""], "--period"),
        (["--period", "1 ms\n2"], "--period"),
        (["--count", "0"], "--count"),
        (["--count", "10000001"], "--count"),
        (["--load", "-1"], "--load"),
        (["--load", "1000"], "--load"),
    ],
)
def test_bad_options_are_refused_in_one_line_before_anything_is_made(tmp_path, words, where):
    result = run(*words, "--out", tmp_path / "out")
    assert isinstance(result.exception, InputError)
    line = str(result.exception)
    assert line.startswith(where)
    assert "\n" not in line
    assert not (tmp_path / "out").exists()


def test_an_unwritable_folder_is_told_before_recording(tmp_path, monkeypatch):
    (tmp_path / "file").write_text("kept")
    monkeypatch.setattr(recorder, "record", lambda *args: pytest.fail("recorded for nothing"))
    for out in (tmp_path / "file", tmp_path / "file" / "below"):
        result = run("--out", out)
        assert isinstance(result.exception, OutputError)
        assert str(out) in str(result.exception)
        assert "\n" not in str(result.exception)
    assert [path.name for path in tmp_path.iterdir()] == ["file"]
    assert (tmp_path / "file").read_text() == "kept"


def test_an_unwritable_folder_ends_with_status_2(tmp_path):
    (tmp_path / "file").write_text("kept")
    words = [sys.executable, "-c", ALONE, "--out", str(tmp_path / "file")]
    done = subprocess.run(words, capture_output=True, text=True, timeout=60)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1
    assert done.stderr.startswith("simlink: ")
    assert done.stdout == ""
