"""One event at each instant of a conversion, beside the closed form and beside words by hand."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from simlink.base.errors import InputError
from simlink.cli import app
from simlink.scenario.loading import load
from simlink.studies.exposure import UNHARMED, exposure
from tests.link.test_exposed import NS, made

SHIPPED = sorted((Path(__file__).parents[2] / "scenarios").glob("*.toml"))
SLEW = {"slew": "80 kV/us", "swing": "400 V"}


@pytest.mark.parametrize("path", SHIPPED, ids=lambda path: path.stem)
def test_the_closed_form_is_what_is_simulated(path):
    """Within a step of the grid for each stretch into which a channel's time falls."""
    scenario = load(path).with_values({"barrier.slew_immunity": "50 kV/us", "transient": None})
    # Events long enough for the symbols of a channel to run into each other keep the grid coarse.
    found = exposure(scenario, slew="80 kV/us", swing="24 kV", steps=60)
    assert found.channels
    for one in found.channels:
        assert abs(found.simulated(one.channel) - one.time) <= found.step * one.stretches, one


@pytest.fixture(scope="module")
def plain():
    return exposure(made()[0], steps=500, **SLEW)


def test_words_by_hand(plain):
    """Of 2.5 us a period: 14 ns across and 5 ns long, 700 ns of conversion, 18 bits 25 ns apart."""
    assert plain.length == 5 * NS
    assert plain.period == 2500 * NS

    def at(ns):
        return min(plain.moments, key=lambda one: abs(one.offset - ns * NS))

    # In the crossing of the trigger the conversion never begins.
    assert at(5).outcomes == ("not received", UNHARMED, UNHARMED)
    assert at(5).hit == {"trigger"}
    # While the converter converts nothing crosses.
    assert not at(300).harms
    # Bit 4 is captured at 714 + 4.5 x 25 ns and is 12 ns on its way; its strobe half a period on.
    assert at(714 + 112.5 + 5).hit == {"lane 0"}
    assert at(714 + 112.5 + 12.5 + 5).hit == {"strobe"}
    # Without it the frame ends short, one bit after busy fell to no release.
    assert at(714 + 112.5 + 12.5 + 5).outcomes[0] == "not received"
    # Before the next trigger all is over.
    assert not at(2000).harms
    assert at(2500 + 7).outcomes == (UNHARMED, "not received", UNHARMED)


def test_the_quiet_stretch_is_from_the_last_bit_to_the_next_trigger(plain):
    start, end = plain.quiet
    # The last bit's strobe leaves at 714 + 18 x 25 ns and is there 12 ns later.
    assert start == pytest.approx((714 + 450 + 12) * NS, abs=2 * plain.step)
    assert end == pytest.approx((2500 - 5) * NS, abs=2 * plain.step)
    assert "keep switching edges between 1.1" in plain.sentence
    assert "at least 80 kV/us" in plain.sentence


def test_below_the_immunity_nothing_is_upset():
    found = exposure(made()[0], slew="50 kV/us", swing="400 V", steps=40)
    assert not found.upsets
    assert not found.harmful
    assert found.sentence == (
        "On board 0 an event of 50 kV/us upsets nothing: its immunity is 50 kV/us."
    )
    assert found.channels == []


def test_an_immunity_of_one_direction_leaves_the_other_alone():
    scenario = made(**{"barrier.forward.slew_immunity": "100 kV/us"})[0]
    found = exposure(scenario, steps=100, **SLEW)
    assert {one.channel for one in found.channels} == {"lane 0", "strobe"}
    assert not any("trigger" in one.hit for one in found.moments)


def test_an_event_that_outlasts_the_period_leaves_no_safe_instant():
    found = exposure(made()[0], slew="80 kV/us", swing="400 kV", steps=40)
    assert found.quiet is None
    assert "no instant is safe" in found.sentence
    assert "an immunity" not in found.sentence


def test_event_and_immunity_are_asked_for():
    with pytest.raises(InputError, match=r"--slew: missing, and no \[\[transient\]\]"):
        exposure(made()[0])
    with pytest.raises(InputError, match="slew_immunity: missing"):
        exposure(made(**{"barrier.slew_immunity": None})[0], **SLEW)
    with pytest.raises(InputError, match='--swing: got "4 A"'):
        exposure(made()[0], slew="80 kV/us", swing="4 A")
    with pytest.raises(InputError, match="--steps"):
        exposure(made()[0], steps=1, **SLEW)
    with pytest.raises(InputError, match="trial"):
        exposure(made()[0], trial=10**6, **SLEW)


def test_the_first_source_of_the_scenario_is_the_event(tmp_path):
    source = {"kind": "poisson", "rate": "1 kHz", "slew": "60 kV/us", "swing": "300 V"}
    file = tmp_path / "beside.toml"
    file.write_text(made(transient=[source])[0].to_toml())
    words = ["exposure", str(file), "--steps", "60", "--out", str(tmp_path / "out")]
    done = CliRunner().invoke(app, words)
    assert done.exit_code == 0, done.output
    assert "60 kV/us" in done.stdout
    assert "Cautions" in done.stdout
    names = ["exposure.csv", "exposure.json", "exposure.png", "exposure.svg"]
    assert sorted(one.name for one in (tmp_path / "out").iterdir()) == names
    kept = json.loads((tmp_path / "out" / "exposure.json").read_text())
    assert kept["slew"] == 60e9
    assert kept["length"] == 5e-9
    again = CliRunner().invoke(app, [*words[:4], "--json"])
    assert again.stdout == (tmp_path / "out" / "exposure.json").read_text()
