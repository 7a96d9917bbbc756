"""Values that once ended in a traceback: each is one clear line."""

from __future__ import annotations

from pathlib import Path

import pytest
from typer.testing import CliRunner

from simlink.base.errors import InputError
from simlink.cli import app

SHIPPED = Path(__file__).parents[2] / "scenarios" / "bench-supply.toml"


def refused(*command):
    """Run a command that is refused; return the one line that says why."""
    result = CliRunner().invoke(app, [str(one) for one in command])
    assert isinstance(result.exception, InputError)
    said = str(result.exception)
    assert "\n" not in said
    return said


def test_a_start_with_a_clock_of_a_day_a_cycle(tmp_path):
    path = tmp_path / "a.toml"
    said = refused("start", path, "--remote-clock", "0.00001 Hz")
    assert said.startswith("--remote-clock: remote_clock.frequency: got ")
    assert not path.exists()


@pytest.mark.parametrize("value", ["1e300", "1e-300", "1e999"])
def test_a_range_to_a_number_that_nothing_has(value):
    said = refused("vary", SHIPPED, "fifo.depth", f"{value}, 2")
    assert "fifo.depth: got " in said
    assert said.endswith("a whole number from 1 to 1000000")


@pytest.mark.parametrize("text", ["BUSY$", "$", r"$\frac{"])
def test_a_signal_is_not_named_with_the_mark_of_mathematics(tmp_path, text):
    path = tmp_path / "a.toml"
    path.write_text(f"{SHIPPED.read_text()}\n[names]\nhost.busy = '{text}'\n")
    said = refused("diagram", path, "--out", tmp_path / "a.svg")
    assert "names.host.busy: got " in said
    assert said.endswith("none of them $")
    assert not (tmp_path / "a.svg").exists()
