"""What no scenario may make a verdict say, whatever was drawn.

More scenarios by hand with ``SIMLINK_MANY``.
"""

from __future__ import annotations

import json
import os
import re

import pytest
from hypothesis import HealthCheck, given, settings
from typer.testing import CliRunner

import simlink.running.run
from simlink.base.errors import InputError
from simlink.budget import budget
from simlink.budget.verdict import judge
from simlink.cli import app
from simlink.verdict.limit import KEYS, Known
from tests.engines.host_clocked_scenarios import serial_scenarios
from tests.strategies import scenarios

#: Few unless asked, since each repeats its run for causes and cures; `test_invariants` tries many.
MANY = int(os.environ.get("SIMLINK_MANY") or 3)

#: What a run counts, and the limits one of which is broken when it does.
BROKEN_BY = {
    # A frame that goes unnoticed keeps its slot, and a full FIFO may hold the remote clock back.
    "missed_trigger": {"period", "fifo_depth", "interrupt"},
    "overrun": {"fifo_depth", "host_rate", "interrupt", "period"},
    "underrun": {"early_read", "packet_rate"},
    "corrupted_silent": {"setup", "hold", "first_bit", "strobe_setup", "strobe_hold", "pulse"},
    "corrupted_flagged": {"setup", "hold", "first_bit", "strobe_setup", "strobe_hold", "pulse"},
    "not_received": set(KEYS),
    # A trigger that is missed, and a frame that finds no slot, have no release to wait for.
    "timed_out": {"timeout", "period", "fifo_depth", "host_rate", "interrupt"},
    "short_acquisition": {"acquisition"},
}
#: Limits of which a run counts each violation, by the scheme: none may be proven beside one.
COUNTED = {
    "short_acquisition": "acquisition",
    "underrun": "early_read",
    "timed_out": "timeout",
}


def check(scenario, path):
    run = simlink.running.run.run(scenario, ledger=False, workers=1)
    verdict = run.verdict
    seen = {name for name in BROKEN_BY if run.figures[name].count}
    broken = {row.key for row in verdict.limits if not row.holds}
    proven = {row.key for row in verdict.limits if row.known is Known.PROVEN}

    assert verdict.meets == all(row.holds for row in verdict.limits) == (not broken)
    if seen:
        assert not verdict.meets, seen
    for name in seen:
        assert broken & BROKEN_BY[name], (name, broken)
    for name, key in COUNTED.items():
        assert not (name in seen and key in proven)

    assert verdict.sentence.startswith(("Meets", "Keeps")) == verdict.meets
    for row in verdict.limits:
        if row.margin is not None and row.margin < 0:
            assert not row.holds, row
        if row.known is Known.VIOLATED and row.margin is not None:
            assert row.margin <= 0, row
    if verdict.meets:
        assert verdict.causes == verdict.remedies == ()
        assert verdict.least is None or verdict.least.holds
    elif verdict.least is not None:
        assert verdict.least.key in broken
    for one in (*verdict.causes, *verdict.remedies):
        assert one.limit in broken

    texts = [verdict.sentence, verdict.because, *(row.evidence for row in verdict.limits)]
    texts += [one.text for one in (*verdict.causes, *verdict.remedies)]
    for text in texts:
        assert text
        assert text == text.strip()
        assert "to spare" not in text
        assert not re.search(r"(^|\s)[-−]\s?[\d.]+ ?%", text), text
        assert not re.search(r"\b(nan|inf|None)\b", text), text

    file = path / "random.toml"
    file.write_text(scenario.to_toml(), encoding="utf-8")
    done = CliRunner().invoke(app, ["run", str(file), "--json"])
    assert done.exit_code == (0 if verdict.meets else 1)
    assert json.loads(done.stdout)["meets_rate"] is verdict.meets
    agree(scenario, verdict)


def agree(scenario, verdict):
    """Compare the rate with the budget's, where that judges the very scenario."""
    try:
        one = budget(scenario, trials=scenario.trials)[scenario.link.scheme]
        said = judge(one)
    except InputError:
        return  # a jitter that counts at no bit-error ratio
    if said.meets is None or one.used != one.clock or one.signals.missing:
        return
    if said.meets or "has no bound" in said.why:
        return
    assert not verdict.meets, said.why


relaxed = settings(
    max_examples=MANY,
    deadline=None,
    suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
)


@relaxed
@given(scenario=scenarios())
def test_a_remote_master(scenario, tmp_path):
    check(scenario, tmp_path)


@relaxed
@given(scenario=serial_scenarios())
def test_a_host_clock(scenario, tmp_path):
    check(scenario, tmp_path)


@pytest.mark.parametrize("name", BROKEN_BY)
def test_every_loss_has_a_limit(name):
    assert BROKEN_BY[name]
    assert set(KEYS) >= BROKEN_BY[name]
