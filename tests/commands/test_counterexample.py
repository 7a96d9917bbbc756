"""Every limit by the command line: what `counterexample` saves breaks it in `run`, and is drawn."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest
from typer.testing import CliRunner

from simlink.cli import app
from tests.budget.budget_cases import made
from tests.verdict.bottlenecks import BASES

SHIPPED = Path(__file__).parents[2] / "scenarios"
#: The limits that may be asked for, and the rows of a verdict that they are.
ROWS = {
    "fifo": "fifo_depth",
    "early-read": "early_read",
    "period": "period",
    "acquisition": "acquisition",
    "timeout": "timeout",
    "setup": "setup",
    "hold": "hold",
    "first-bit": "first_bit",
    "pulse": "pulse",
}
SCHEMES = ("remote_master", "forwarded_clock", "returned_clock")


def uniform(low, high):
    return {"shape": "uniform", "low": f"{low} ns", "high": f"{high} ns"}


#: Triggers come every 2000 or 4000 ns. What is drawn is well within them at its median, and breaks
#: the limit at one end of its law: see `tests.verdict.bottlenecks` for the times of each base.
MADE = {
    **{f"period, {scheme}": (scheme, "period", {"converter.conversion_time": uniform(400, 3900)})
       for scheme in SCHEMES},
    **{f"acquisition, {scheme}": (scheme, "acquisition",
                                  {"converter.acquisition_time": uniform(200, 3700)})
       for scheme in SCHEMES},
    **{f"timeout, {scheme}": (scheme, "timeout", {"host.timeout": f"{timeout} ns",
                              "converter.conversion_time": uniform(400, 1400)})
       for scheme, timeout in zip(SCHEMES, (1500, 1200, 1200), strict=True)},
    "triggers at random": ("remote_master", "period", {"trigger.pattern": "poisson"}),
    "early read": ("remote_master", "early-read",
                   {"fifo.release_bits": 6, "host.service_latency": uniform(0, 400),
                    "host.clock": "80 MHz"}),
    # Each latency at its longest: 2100 + 400 ns for every 2000.
    **{f"fifo, {full}": ("remote_master", "fifo",
                         {"fifo.depth": 2, "host.service_latency": uniform(100, 2100),
                          "fifo.when_full": full})
       for full in ("drop_old", "stall")},
    # A latency without end: a few long ones in a row lose a frame, and their mean is an overload.
    "fifo, a long tail": ("remote_master", "fifo",
                          {"host.service_latency": {"shape": "exponential", "mean": "600 ns"}}),
    # A host that reads on never needs more than its time.
    "fifo, a draining host": ("remote_master", "fifo",
                              {"fifo.depth": 2, "host.drain": True,
                               "host.service_latency": uniform(100, 9000)}),
    # Ten ns from launch to capture, of which two are setup: 8.1 ns of data_valid are too many.
    "setup": ("remote_master", "setup", {"converter.data_valid": uniform(2, 9)}),
    # The next bit is launched 50 ns after the capture, and comes 10 + 3 + 12 ns later.
    "hold": ("forwarded_clock", "hold", {"host.hold": uniform(1, 90)}),
    # Of 20 + 10 ns before the first capture two are setup.
    "first bit": ("remote_master", "first-bit", {"converter.msb_valid": uniform(2, 32)}),
    # 10 + 8 + 12 + 3 of 50 ns; the way there alone may take 30, and its jitter the rest.
    "setup, forwarded": ("forwarded_clock", "setup",
                         {"barrier.forward.delay": uniform(5, 26), "barrier.return.jitter":
                          {"shape": "normal", "mean": "0 ns", "sigma": "1 ns"}}),
    "setup, returned": ("returned_clock", "setup", {"converter.data_valid": uniform(2, 60)}),
    # A pulse of 50 ns, of which distortion takes up to 20.
    "pulse": ("forwarded_clock", "pulse",
              {"barrier.pulse_width_distortion": {"shape": "uniform", "low": "-20 ns",
                                                  "high": "20 ns"},
               "barrier.min_pulse": uniform(10, 40), "host.capture": "whole",
               "barrier.forward.delay": "30 ns", "barrier.return.delay": "30 ns"}),
}  # fmt: skip


def asked(*words):
    """Return exit status and what the command prints, which is JSON where it is asked for."""
    result = CliRunner().invoke(app, [str(word) for word in words])
    assert result.exception is None or isinstance(result.exception, SystemExit), result.exception
    return result.exit_code, result.stdout


def breaks(path, limit, folder):
    """Ask for a counterexample, and run and draw what was written; return the rows of the run."""
    code, said = asked("counterexample", path, "--limit", limit, "--out", folder, "--json")
    assert code == 0
    found = json.loads(said)
    assert found["found"], found["sentence"]
    example = folder / "counterexample.toml"
    code, said = asked("run", example, "--json")
    assert code == 1
    verdict = json.loads(said)
    rows = {row["key"]: row for row in verdict["limits"]}
    assert rows[ROWS[limit]]["known"] == "violated", verdict["verdict"]
    code, _ = asked("diagram", example, "--out", folder / "shown.svg")
    assert code == 0
    assert (folder / "shown.svg").read_text().startswith("<?xml")
    return verdict


@pytest.mark.parametrize("name", MADE)
def test_what_is_saved_breaks_the_limit_that_was_asked_for(tmp_path, name):
    scheme, limit, changes = MADE[name]
    path = tmp_path / "asked.toml"
    path.write_text(made({"conversions": 40, **changes}, BASES[scheme]).to_toml())
    folder = tmp_path / "example"
    verdict = breaks(path, limit, folder)
    assert verdict["verdict"].startswith("Does not")


@pytest.mark.parametrize(
    ("name", "limit"),
    [("shallow-fifo", "fifo"), ("early-release", "early-read")]
    + ([("bench-supply", "fifo")] if os.environ.get("SIMLINK_MANY") else []),
)
def test_what_shipped_scenarios_can_break(tmp_path, name, limit):
    verdict = breaks(SHIPPED / f"{name}.toml", limit, tmp_path / "example")
    called = {"fifo": "FIFO depth", "early-read": "early read"}[limit]
    assert f"the limit of {called} is broken" in verdict["verdict"]


def test_a_shallow_fifo_is_named_before_the_load_that_would_fill_it_later(tmp_path):
    """Of latencies of 600 ns on average a few long ones fill four slots.

    The example's own mean is above what triggers leave, but at that mean alone the FIFO would be
    full only after the end of the run; eight slots hold all of it.
    """
    scheme, limit, changes = MADE["fifo, a long tail"]
    path = tmp_path / "asked.toml"
    path.write_text(made({"conversions": 40, **changes}, BASES[scheme]).to_toml())
    verdict = breaks(path, limit, tmp_path / "example")
    assert "the limit of FIFO depth is broken" in verdict["verdict"]
    rows = {row["key"]: row for row in verdict["limits"]}
    assert "8 slots hold this run, and in the long run none do" in rows["fifo_depth"]["evidence"]
    assert "which is after the end of this run" in rows["host_rate"]["evidence"]
    example = tmp_path / "example" / "counterexample.toml"
    deeper = tmp_path / "example" / "deeper.toml"
    text = example.read_text()
    assert "depth = 4" in text
    deeper.write_text(text.replace("depth = 4", "depth = 8"))
    _, said = asked("run", deeper, "--json")
    assert json.loads(said)["figures"]["overrun"]["count"] == 0


def test_a_corrupted_bit_is_what_a_setup_time_costs(tmp_path):
    """One conversion, with the shortest data_valid time that is too long: 8 ns are left for it."""
    scheme, limit, changes = MADE["setup"]
    path = tmp_path / "asked.toml"
    path.write_text(made({"conversions": 40, **changes}, BASES[scheme]).to_toml())
    verdict = breaks(path, limit, tmp_path / "example")
    assert verdict["figures"]["triggers"]["count"] == 1
    assert verdict["figures"]["corrupted_silent"]["count"] == 1
    (row,) = [one for one in verdict["limits"] if one["key"] == "setup"]
    # Of 64 steps of the law one is 110 ps.
    assert -0.2e-9 < row["margin"] < 0


def test_draws_that_no_scenario_may_have_are_said_to_be_untried(tmp_path):
    """A hold of 14 ns, where the next launch takes each bit away after 11, is refused as it is."""
    path = tmp_path / "asked.toml"
    changes = {"remote_clock.hold": uniform(1, 14)}
    path.write_text(made(changes, BASES["remote_master"]).to_toml())
    code, said = asked("counterexample", path, "--limit", "hold")
    assert code == 0
    said = " ".join(said.split())
    assert "some draws were not tried, for a scenario with them alone is refused" in said


def test_letters_stay_as_they_are(tmp_path):
    path = tmp_path / "asked.toml"
    changes = {"title": "Ofenwächter, 500 kHz ± 1 %"}
    path.write_text(made(changes, BASES["remote_master"]).to_toml(), encoding="utf-8")
    _, said = asked("counterexample", path, "--json")
    assert changes["title"] in said
