"""``simlink dump`` and ``simlink measure``."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner
from vcdvcd import VCDVCD

import simlink
from simlink.base.errors import InputError
from simlink.cli import app
from simlink.commands.measure import line_names
from simlink.scenario.loading import load

ROOT = Path(simlink.__file__).parents[1]
SCENARIO = ROOT / "scenarios" / "bench-supply.toml"


def run(*words):
    return CliRunner().invoke(app, list(map(str, words)))


@pytest.fixture
def few(tmp_path):
    """Return the scenario with two boards, for `measure` simulates each."""
    path = tmp_path / "few.toml"
    path.write_text(load(SCENARIO).with_(trials=2).to_toml())
    return path


@pytest.fixture
def dumped(tmp_path):
    path = tmp_path / "a.vcd"
    done = run("dump", SCENARIO, "--out", path, "--conversions", "2:12", "--timescale", "10 ps")
    assert done.exit_code == 0
    assert done.output == f"Dump: {path} (board 0, conversions 2 to 11, timescale 10 ps)\n"
    return path


def test_a_dump_of_some_conversions(dumped):
    other = VCDVCD(str(dumped))
    assert (other.timescale["magnitude"], other.timescale["unit"]) == (10, "ps")
    numbers = [int(value, 2) for _, value in other["host.trigger_conversion[8:0]"].tv[1:]]
    assert numbers[:10] == list(range(2, 12))


def test_a_dump_of_another_unit_and_seed(tmp_path):
    texts = set()
    for words in ((), ("--trial", "1"), ("--seed", "9")):
        path = tmp_path / "a.vcd"
        assert run("dump", SCENARIO, "--out", path, "--conversions", "0", *words).exit_code == 0
        texts.add(path.read_text())
    assert len(texts) == 3


@pytest.mark.parametrize(
    "words",
    [
        ("--timescale", "2 ns"),
        ("--trial", "x"),
        ("--trial", "20"),
        ("--conversions", "5:5"),
        ("--conversions", "0:301"),
        ("--conversions", "latest"),
        ("--seed", "-1"),
        ("--signals", "host.sck"),
    ],
)
def test_bad_options_of_a_dump(tmp_path, words):
    done = run("dump", SCENARIO, "--out", tmp_path / "a.vcd", *words)
    assert isinstance(done.exception, InputError)
    assert words[1] in str(done.exception)
    assert list(tmp_path.iterdir()) == []


def test_a_clean_dump_is_measured(dumped, few, tmp_path):
    table, seen = tmp_path / "t.csv", tmp_path / "seen.csv"
    done = run("measure", few, dumped, "--csv", table, "--latencies", seen)
    assert done.exit_code == 0, done.output
    assert "service latency" in done.output
    assert f"Latencies: {seen} (10 services)" in done.output
    assert table.read_text().startswith("symbol,meaning,count,measured_min_ns")
    scenario = load(SCENARIO).with_value(
        "host.service_latency",
        {"shape": "recorded", "file": str(seen), "column": "latency_ns", "unit": "ns"},
    )
    assert len(scenario.host.service_latency.values) == 10


def test_a_spoiled_dump_is_complained_of_with_status_1(dumped, few):
    dumped.write_bytes(dumped.read_bytes()[:-200])
    words = [sys.executable, "-c", "from simlink.cli import main; main()"]
    done = subprocess.run(
        [*words, "measure", str(few), str(dumped)],
        capture_output=True,
        text=True,
        check=False,
        env={**os.environ, "PYTHONPATH": str(ROOT)},
    )
    assert done.returncode == 1
    (line,) = done.stderr.splitlines()
    assert line.startswith(f"simlink: {dumped}: host.")
    assert " ns: the file is cut off after this edge" in line
    assert "t_CONV" in done.stdout


def test_lines_by_option(dumped, few):
    lines = ("--line", "remote.clock=remote.clock", "--line", "remote.data_0=remote.data_0")
    done = run("measure", few, dumped, *lines)
    assert done.exit_code == 0, done.output
    assert "not seen" not in done.output
    # Turned over, it rests high, and its intervals leave their limits.
    done = run("measure", few, dumped, "--line", "remote.clock=!remote.clock")
    assert done.exit_code == 1
    assert "remote.clock=!NAME" in done.stderr
    assert "beyond their limits: t_BCK, t_CH, t_DV, t_DH" in done.stderr
    for said, words in (
        ("SIGNAL=NAME", ("--line", "remote.clock")),
        ("no such variable", ("--line", "remote.clock=SCK")),
        ("a whole number from 1", ("--conversions", "0")),
    ):
        failed = run("measure", few, dumped, *words)
        assert isinstance(failed.exception, InputError)
        assert said in str(failed.exception)


def test_what_is_no_dump(tmp_path):
    for path in (SCENARIO, tmp_path, tmp_path / "none.vcd"):
        assert isinstance(run("measure", SCENARIO, path).exception, InputError)


@pytest.mark.parametrize("lane", ["remote.data", "remote.data_0", "remote.data[0]"])
def test_a_data_line_may_be_named_as_a_dump_names_it(lane):
    assert line_names([f"{lane}=D3"]) == {"remote.data[0]": "D3"}
    assert line_names(["host.data_12=D4"]) == {"host.data[12]": "D4"}
