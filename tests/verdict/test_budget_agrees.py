"""`run` and `budget` agree on the rate where the budget slows no clock and counts no share."""

import os

from hypothesis import given, settings

from simlink.base.errors import InputError
from simlink.budget import budget
from simlink.budget.verdict import judge
from simlink.running.run import run
from simlink.verdict.limit import Known
from tests.engines.host_clocked_scenarios import serial_scenarios
from tests.strategies import scenarios

MANY = int(os.environ.get("SIMLINK_MANY", "40"))
#: What the budget knows of; early reads, the FIFO, the notice and timeouts are the run's alone.
SHARED = (
    "acquisition", "period", "clock_period", "clock_high", "clock_low", "setup", "hold",
    "first_bit", "strobe_setup", "strobe_hold", "pulse", "line_rate", "channels", "packet_rate",
    "host_rate",
)  # fmt: skip


def agrees(scenario):
    try:
        one = budget(scenario, trials=scenario.trials)[scenario.link.scheme]
        said = judge(one)
    except InputError:
        return  # a jitter that no bit-error ratio counts
    verdict = run(scenario, ledger=False, workers=1).verdict
    holds = all(row.holds for row in verdict.limits if row.key in SHARED)
    if scenario.host.drain and scenario.link.scheme == "remote_master":
        # How many frames a latency serves hangs on the depth, which has a row of its own.
        if scenario.trigger.pattern != "periodic":
            return
        holds = holds and not any(
            row.key == "fifo_depth" and row.known is Known.VIOLATED for row in verdict.limits
        )
    if one.loop_fault:
        # A run may be too short to see what stops a loop; timeouts have a row.
        assert "host.timeout" not in said.why or not verdict.passes, (verdict.sentence, said.why)
        return
    if said.meets is None or one.used != one.clock or "has no bound" in said.why:
        return
    assert said.meets == holds, (verdict.sentence, said.why)


@settings(max_examples=MANY)
@given(scenarios())
def test_a_remote_master(scenario):
    agrees(scenario)


@settings(max_examples=MANY)
@given(serial_scenarios())
def test_a_host_clock(scenario):
    agrees(scenario)
