"""What holds of the verdict of any run: nothing lost without a broken limit, nothing blamed twice.

More scenarios by hand with ``SIMLINK_MANY``.
"""

import os

from hypothesis import given, settings

from simlink.running.run import run
from simlink.verdict.limit import KEYS, Known
from tests.engines.host_clocked_scenarios import serial_scenarios
from tests.strategies import scenarios

MANY = int(os.environ.get("SIMLINK_MANY", "60"))
LOST = (
    "missed_trigger", "overrun", "underrun", "corrupted_flagged", "corrupted_silent",
    "not_received", "timed_out", "short_acquisition",
)  # fmt: skip
CAPTURES = ("setup", "hold", "first_bit", "strobe_setup", "strobe_hold", "pulse")
#: Limits that a run breaks without losing a word: of the data sheet, of a unit, of the long run.
SILENT = (*CAPTURES, "clock_period", "clock_high", "clock_low", "line_rate", "channels",
          "host_rate",
          "packet_rate", "fifo_depth", "interrupt")  # fmt: skip


def judge(scenario):
    found = run(scenario, ledger=False, workers=1)
    verdict = found.verdict
    lost = {name for name in LOST if found.figures[name].count}
    violated = {one.key for one in verdict.limits if one.known is Known.VIOLATED}
    proven = {one.key for one in verdict.limits if one.known is Known.PROVEN}
    assert bool(violated) >= bool(lost), lost
    assert verdict.meets == all(one.holds for one in verdict.limits)
    if not lost:
        assert violated <= set(SILENT)
    assert verdict.sentence.startswith(("Meets", "Keeps")) == verdict.meets
    assert verdict.sentence.startswith("Does not") == bool(violated)
    assert [one.key for one in verdict.limits] == [
        key for key in KEYS if any(one.key == key for one in verdict.limits)
    ]
    for one in verdict.limits:
        assert one.evidence
        assert one.keys
        if one.margin is not None and one.margin != 0:
            assert (one.margin > 0) == one.holds, one
            assert one.known is not Known.VIOLATED or one.margin < 0
    # What is proven is never seen broken.
    if "short_acquisition" in lost:
        assert "acquisition" not in proven
    if "underrun" in lost:
        assert "early_read" not in proven
    remote = scenario.link.scheme == "remote_master"
    if "overrun" in lost:
        assert ("fifo_depth" if remote else "period") not in proven
    if "missed_trigger" in lost and not (remote and scenario.fifo.when_full == "stall"):
        assert "period" not in proven
    if "corrupted_silent" in lost:
        assert violated & set(CAPTURES)
    if "meets" in verdict.sentence and verdict.meets:
        assert "over" not in verdict.sentence.split("(")[0]


@settings(max_examples=MANY)
@given(scenarios())
def test_nothing_is_lost_without_a_broken_limit(scenario):
    judge(scenario)


@settings(max_examples=MANY)
@given(serial_scenarios())
def test_nothing_is_lost_without_a_broken_limit_where_the_host_clocks_the_converter(scenario):
    judge(scenario)
