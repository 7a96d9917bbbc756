"""What the laws leave an interval holds for every one that is measured."""

from __future__ import annotations

from pathlib import Path

import pytest
from hypothesis import Phase, given, settings

from simlink.scenario.loading import load
from simlink.tracing.law_limits import law_limits
from simlink.tracing.measured import edges_of, measure
from simlink.tracing.run_limits import BY_BIT, FIRST, LATER, over_run
from simlink.tracing.trace import trace
from tests.engines.chain import NS, chain
from tests.engines.host_clocked_scenarios import serial_scenarios
from tests.strategies import scenarios

SHIPPED = Path(__file__).parents[2] / "scenarios"


def beyond(scenario, conversions):
    """Return the intervals that are shorter or longer than their laws allow, and how many fit."""
    limits = law_limits(scenario)
    found, fit = [], 0
    for span in measure(edges_of(trace(scenario, range(conversions)))):
        part = "" if span.symbol not in BY_BIT else FIRST if span.bit == 0 else LATER
        law = limits.get((span.symbol, part)) or limits.get((span.symbol, ""))
        if law is None:
            continue
        if law.range.low <= span.length <= law.range.high:
            fit += 1
        else:
            found.append((span, law))
    return found, fit


@pytest.mark.parametrize("name", sorted(path.stem for path in SHIPPED.glob("*.toml")))
def test_no_shipped_scenario_leaves_its_laws(name):
    found, fit = beyond(load(SHIPPED / f"{name}.toml"), 12)
    assert found == []
    assert fit > 50


@settings(max_examples=60, phases=[Phase.generate])
@given(scenarios(conversions=8, trials=1) | serial_scenarios())
def test_no_random_scenario_leaves_its_laws(scenario):
    found, _ = beyond(scenario, scenario.conversions)
    assert found == []


def test_the_first_bit_is_told_apart():
    """Clock of 50 MHz, captured after half a period: 10 ns less 7 of data valid; start delay 8."""
    changed = {
        "converter.data_valid": "7 ns",
        "converter.msb_valid": "2 ns",
        "remote_clock.start_delay": "8 ns",
    }
    scenario = chain(changed)
    limits = law_limits(scenario)
    first, later = limits["t_SU", FIRST].range, limits["t_SU", LATER].range
    assert (round(first.typical) // NS, round(later.typical) // NS) == (16, 3)
    seen = over_run(scenario).parts["t_SU"]
    assert seen[FIRST].typical // NS == 16
    assert seen[LATER].typical // NS == 3


def test_a_conversion_too_short_to_show_busy_has_no_time_from_its_fall(tmp_path):
    """Busy rises 20 ns after a sample, of conversions of 30 and 10 ns: every other one shows it."""
    (tmp_path / "times.csv").write_text("ns\n30\n10\n")
    times = {"shape": "recorded", "file": "times.csv", "column": "ns", "unit": "ns", "start": 0}
    changed = {
        "conversions": 6,
        "converter.busy_delay": "20 ns",
        "converter.conversion_time": times,
        "converter.msb_valid": "3 ns",
    }
    found = measure(edges_of(trace(chain(changed, where=tmp_path), range(6))))
    lengths = [span.length for span in found if span.symbol == "t_MSB"]
    assert lengths == [3_000_000] * 3
