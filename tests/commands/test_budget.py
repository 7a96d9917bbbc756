"""``simlink budget`` and ``simlink pass-map`` from the command line."""

from __future__ import annotations

import json
import tomllib
from pathlib import Path

import pytest
from typer.testing import CliRunner

import simlink
from simlink.base.cautions import CAUTIONS
from simlink.base.errors import InputError, OutputError
from simlink.budget import budget
from simlink.cli import app
from simlink.scenario.loading import load

ROOT = Path(simlink.__file__).parents[1]
SCENARIOS = sorted((ROOT / "scenarios").glob("*.toml"))
THREE_WAYS = ROOT / "scenarios" / "three-ways.toml"
FEW = ["--trials", "20"]


def run(*words):
    return CliRunner().invoke(app, list(map(str, words)))


def flat(text):
    return " ".join(text.split())


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_every_shipped_scenario_has_a_budget(path):
    result = run("budget", path, *FEW)
    assert result.exit_code == 0, result.output
    found = budget(load(path), trials=20)
    assert flat(result.stdout).startswith(flat(f"{load(path).title} {found.sentence}"))
    assert flat(CAUTIONS) in flat(result.stdout)
    # A shipped scenario's own scheme can be read at its own clock.
    own = found[load(path).link.scheme]
    assert own.refusals() == []
    assert own.used == own.clock


@pytest.mark.parametrize("scheme", ["forwarded_clock", "returned_clock", "remote_master"])
def test_there_is_a_scenario_of_each_scheme(scheme):
    assert any(load(path).link.scheme == scheme for path in SCENARIOS)


def test_the_compared_parts_are_met_by_one_scheme_and_say_why_not_by_the_others():
    found = budget(load(THREE_WAYS), trials=20)
    assert found.meets == {"forwarded_clock": False, "returned_clock": False, "remote_master": True}
    assert found.sentence.startswith(
        "The remote master meets 1 MHz at 80 MHz (the FIFO's depth is judged by a run); "
    )
    assert "the forwarded clock does not: held to" in found.sentence
    assert "the returned clock does not: the converter's cycle takes up to" in found.sentence


@pytest.mark.parametrize("scheme", ["forwarded_clock", "returned_clock", "remote_master"])
def test_the_simulation_of_the_compared_parts_bears_the_verdict_out(scheme):
    """Only the remote master delivers every word at the rate asked for."""
    raw = tomllib.loads(THREE_WAYS.read_text())
    raw["link"]["scheme"] = scheme
    if scheme == "forwarded_clock":
        raw["host"]["clock"] = "12 MHz"  # the highest that its setup allows
    scenario = simlink.scenario.loading.from_dict(raw | {"trials": 2, "conversions": 60})
    lost = 1 - simlink.run(scenario, ledger=False).figures["delivered"].value
    assert (lost == 0) == (scheme == "remote_master")


def test_json_stands_alone_and_is_what_the_folder_holds(tmp_path):
    out = tmp_path / "deep" / "out"
    result = run("budget", THREE_WAYS, *FEW, "--json", "--out", out)
    assert result.exit_code == 0
    found = json.loads(result.stdout)
    assert found["bit_error_ratio"] == 1e-12
    assert list(found["schemes"]) == ["forwarded_clock", "returned_clock", "remote_master"]
    assert result.stdout == (out / "budget.json").read_text()
    assert sorted(path.name for path in out.iterdir()) == [
        "budget.json",
        "budget.png",
        "budget.svg",
    ]
    assert found["verdict"]
    assert result.stderr == ""


def test_the_bit_error_ratio_moves_the_worst_case():
    limits = []
    for ber in ("1e-3", "1e-12"):
        result = run("budget", THREE_WAYS, *FEW, "--json", "--ber", ber)
        found = json.loads(result.stdout)["schemes"]["forwarded_clock"]
        limits.append(found["highest_clock"]["worst"])
    assert limits[0] > limits[1]


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--ber", "0"], '--ber: got "0"; a ratio above 0 and at most 0.5'),
        (["--ber", "nan"], '--ber: got "nan"; a ratio above 0'),
        (["--ber", "much"], '--ber: got "much"; a ratio'),
        (["--trials", "0"], '--trials: got "0"; a whole number from 1'),
        (["--trials", "-3"], "--trials: got"),
        (["--out", ""], "--out: got"),
    ],
)
def test_bad_options_are_told_in_one_line(words, said):
    result = run("budget", THREE_WAYS, *words)
    assert isinstance(result.exception, InputError)
    assert str(result.exception).startswith(said)
    assert "\n" not in str(result.exception)


def test_a_folder_that_cannot_be_written(tmp_path):
    place = tmp_path / "file"
    place.write_text("")
    result = run("budget", THREE_WAYS, *FEW, "--out", place)
    assert isinstance(result.exception, OutputError)
    assert place.read_text() == ""


def test_a_pass_map(tmp_path):
    out = tmp_path / "map"
    words = ["--steps", 4, "--trials", 1, "--conversions", 1, "--json", "--out", out]
    result = run("pass-map", ROOT / "scenarios" / "kiln-recorder.toml", *words)
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    assert found["scheme"] == "forwarded_clock"
    assert len(found["clocks"]) == len(found["delays"]) == 4
    assert {good for row in found["good_frames"] for good in row} == {0.0, 1.0}
    assert sorted(path.name for path in out.iterdir()) == [
        "pass-map.json",
        "pass-map.png",
        "pass-map.svg",
    ]
    assert result.stdout == (out / "pass-map.json").read_text()
    assert flat(found["cautions"]) == flat(CAUTIONS)
    assert result.stderr == ""


def test_the_axes_of_a_pass_map_can_be_given(tmp_path):
    axes = ["--lowest-clock", "8 MHz", "--highest-clock", "12 MHz", "--longest-delay", "9 ns"]
    words = ["--steps", 3, "--trials", 1, "--conversions", 1, "--json", "--out", tmp_path / "map"]
    result = run("pass-map", ROOT / "scenarios" / "kiln-recorder.toml", *axes, *words)
    assert result.exit_code == 0, result.output
    found = json.loads(result.stdout)
    assert found["clocks"] == [8e6, 10e6, 12e6]
    assert found["delays"] == pytest.approx([0, 4.5e-9, 9e-9])


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (["--steps", "1"], "--steps: got"),
        (["--lowest-clock", "9 ns"], "--lowest-clock: got"),
        (["--lowest-clock", "90 MHz", "--highest-clock", "80 MHz"], "--highest-clock: got"),
        (["--longest-delay", "-1 ns"], "--longest-delay: got"),
    ],
)
def test_bad_options_of_a_pass_map(words, said, tmp_path):
    result = run("pass-map", THREE_WAYS, "--out", tmp_path / "map", *words)
    assert isinstance(result.exception, InputError)
    assert str(result.exception).startswith(said)
    assert not (tmp_path / "map").exists()
