import json
import subprocess
import sys

import pandas as pd
import pytest
from typer.testing import CliRunner

from simlink.base.errors import InputError, OutputError
from simlink.cli import app
from tests.outside import queues
from tests.proofs.test_bounds import scenario


@pytest.fixture
def path(tmp_path):
    tried = queues.queue("periodic", queues.exponential(0.4), 1, conversions=4000)
    file = tmp_path / "queue.toml"
    file.write_text(tried.to_toml())
    return file


def run(*words):
    return CliRunner().invoke(app, ["size", *map(str, words)])


def flat(text):
    return " ".join(text.split())


def test_the_answer_comes_first_and_the_folder_holds_it(path, tmp_path):
    out = tmp_path / "out"
    result = run(path, "--overrun-at-most", "2e-3", "--out", out)
    assert result.exit_code == 0, result.output
    assert "The smallest FIFO depth for an overrun of at most 0.002 is 3" in flat(result.stdout)
    assert "No bound can be proven: the service latency has no upper bound." in flat(result.stdout)
    assert "Independent units: cycles" in flat(result.stdout)
    names = ["sizing.csv", "sizing.json", "sizing.png", "sizing.svg"]
    assert sorted(one.name for one in out.iterdir()) == names
    kept = json.loads((out / "sizing.json").read_text())
    assert kept["answer"] == 3
    assert kept["conversions_used"] > 0
    table = pd.read_csv(out / "sizing.csv")
    assert table.loc[table["fifo.depth"] == 3, "verdict"].item() == "meets"


def test_json_stands_alone(path):
    result = run(path, "--overrun-at-most", "2e-3", "--json", "--seed", 5)
    found = json.loads(result.stdout)
    assert (found["seed"], found["answer"], found["units"]) == (5, 3, "cycles")
    assert "The smallest FIFO depth" not in flat(result.stderr)


def test_a_budget_that_cannot_show_the_target(path):
    result = run(path, "--overrun-at-most", "1e-6", "--trials", 200, "--conversions", 5000)
    assert result.exit_code == 1
    assert "cannot be shown with 1e+06 conversions" in flat(result.stdout)
    assert "units of 5000) would" in flat(result.stdout)


def test_lines_come_before_and_while_it_searches(path):
    result = run(path, "--overrun-at-most", "2e-3")
    lines = result.stderr.splitlines()
    assert lines[0].startswith("simlink: up to about ")
    assert any(line.startswith("simlink: FIFO depth 3: ") for line in lines)
    assert "simlink:" not in result.stdout


PROVEN = """
import sys, time
from simlink.cli import app
start = time.monotonic()
app(["size", sys.argv[1], "--overrun-at-most", "1e-9"], standalone_mode=False)
print(time.monotonic() - start, [m for m in ("numba", "pandas", "matplotlib") if m in sys.modules])
"""


def test_a_target_of_1e_9_is_proven_in_seconds_and_compiles_nothing(tmp_path):
    """A bounded host that drains its FIFO: at most 8 us, 0.9 us a read, a frame a us."""
    latency = {"shape": "uniform", "low": "0 ns", "high": "8 us"}
    tried = scenario(frame__word_bits=18, host__drain=True, host__service_latency=latency,
                     host__clock="20 MHz")  # fmt: skip
    (tmp_path / "host.toml").write_text(tried.to_toml())
    done = subprocess.run(
        [sys.executable, "-c", PROVEN, str(tmp_path / "host.toml")],
        capture_output=True,
        text=True,
        check=True,
    )
    assert "A FIFO depth of 10 has an overrun of at most 1e-09 (proven" in flat(done.stdout)
    seconds, _, modules = done.stdout.splitlines()[-1].partition(" ")
    assert modules == "[]"
    assert float(seconds) < 5


@pytest.mark.parametrize(
    ("words", "said"),
    [
        ([], "--overrun-at-most: missing"),
        (["--overrun-at-most", "0"], "--overrun-at-most: got"),
        (["--overrun-at-most", "1"], "--overrun-at-most: got"),
        (["--overrun-at-most", "nan"], "--overrun-at-most: got"),
        (["--overrun-at-most", "-1e-6"], "--overrun-at-most: got"),
        (["--overrun-at-most", "1e-6", "--confidence", "95"], "--confidence: got"),
        (
            ["--overrun-at-most", "1e-6", "--confidence", "1"],
            '--confidence: got "1"; a number from 0.5 to below 1, such as 0.95',
        ),
        # A target that no plain run shows is sought in another way.
        (
            ["--overrun-at-most", "1e-9", "--confidence", "0.49"],
            '--confidence: got "0.49"; a number from 0.5 to below 1, such as 0.95',
        ),
        (["--overrun-at-most", "1e-6", "--for", "width"], "--for: got"),
        (["--overrun-at-most", "1e-6", "--for", "release-bits"], "--overrun-at-most: got"),
        (["--underrun-at-most", "1e-6"], "--underrun-at-most: got"),
        (["--overrun-at-most", "1e-6", "--trials", "0"], "--trials: got"),
        (["--overrun-at-most", "1e-6", "--budget", "1e99"], "--budget: got"),
        (["--overrun-at-most", "1e-6", "--workers", "two"], "--workers: got"),
        (["--overrun-at-most", "1e-6", "--out", ""], "--out: got"),
        (["--overrun-at-most", "1e-6", "--engine", "steam"], "--engine: got"),
    ],
)
def test_bad_options_are_refused_in_one_line(path, words, said):
    result = run(path, *words)
    assert isinstance(result.exception, InputError)
    assert str(result.exception).startswith(said)
    assert "\n" not in str(result.exception)
    assert result.stdout == ""


def test_one_bit_is_no_bits(tmp_path):
    (tmp_path / "one.toml").write_text(scenario().to_toml())
    words = ["--for", "release-bits", "--underrun-at-most", "1e-3"]
    assert "Proven never to underrun: 1 bit." in flat(run(tmp_path / "one.toml", *words).stdout)


def test_an_unwritable_folder_is_told_before_the_search(path, tmp_path):
    (tmp_path / "file").write_text("kept")
    result = run(path, "--overrun-at-most", "1e-6", "--out", tmp_path / "file")
    assert isinstance(result.exception, OutputError)
    assert (tmp_path / "file").read_text() == "kept"
