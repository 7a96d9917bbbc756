"""Sentences that misled, each on the link that it misled about."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest
from typer.testing import CliRunner

import simlink
import simlink.running.run
from simlink.budget import budget
from simlink.cli import app
from simlink.studies.size import size
from tests.budget.budget_cases import made
from tests.outside import queues
from tests.verdict.bottlenecks import BASES, CASES

SCENARIOS = Path(simlink.__file__).parents[1] / "scenarios"

#: Each trigger is worth one word; the hand computations are beside the cases.
NAMED = {case.name: case for case in CASES}


def ran(changes=None, scheme="remote_master", **options):
    return simlink.running.run.run(
        made(changes or {}, BASES[scheme]), workers=1, ledger=False, **options
    )


def case_of(name):
    return simlink.running.run.run(NAMED[name].scenario(), workers=1, ledger=False)


def said_by(verdict):
    """Return every sentence of a verdict."""
    texts = [verdict.sentence, verdict.because]
    texts += [row.evidence for row in verdict.limits]
    texts += [one.text for one in (*verdict.causes, *verdict.remedies)]
    return texts


def of_cause(verdict):
    """Return what a verdict says of what is broken and why."""
    return " ".join([verdict.sentence, verdict.because, *(one.text for one in verdict.causes)])


# --- what meets, and what does not ---


@pytest.mark.parametrize("scheme", BASES)
def test_a_sample_that_has_not_settled_does_not_meet(scheme):
    """In all but a unit's first conversion: 199 of 200 are 99.5 %."""
    found = case_of(f"{scheme}, acquisition, outside")
    assert found.figures["short_acquisition"].value == pytest.approx(0.995)
    assert not found.verdict.meets
    assert "Meets" not in found.verdict.sentence
    assert "acquisition" in found.verdict.sentence


def test_a_serial_clock_that_the_part_does_not_take_does_not_meet():
    """10 ns a period, and the part needs 12."""
    changes = {"remote_clock.frequency": "100 MHz", "converter.data_valid": "2 ns",
               "converter.min_clock_period": "12 ns"}  # fmt: skip
    found = ran(changes).verdict
    assert not found.meets
    assert found.least.key == "clock_period"
    assert "Meets" not in found.sentence


@pytest.mark.parametrize(("latency", "per_cent"), [("1620 ns", 101), ("1800 ns", 110)])
def test_a_host_slower_than_the_triggers_does_not_meet_however_short_the_run(latency, per_cent):
    """A service and a read of 400 ns take 101 % or 110 % of 2000."""
    found = ran({"host.service_latency": latency, "conversions": 12})
    assert found.figures["overrun"].count == 0
    assert not found.verdict.meets
    assert found.verdict.least.key == "host_rate"
    assert f"{per_cent} %" in of_cause(found.verdict)


def test_how_soon_the_fifo_fills_is_as_soon_as_it_does():
    """10 ns more wait with each frame.

    The read of frame k ends at 850 + 2010 (k + 1), frame k takes its slot at 550 + 2000 k: the
    fourth ahead of it still has its own if 850 + 2010 (k - 3) > 550 + 2000 k, from k = 574 on.
    """
    overrun = simlink.running.run.run(
        made({"host.service_latency": "1610 ns", "conversions": 600}, BASES["remote_master"]),
        workers=1,
    )
    assert int((overrun.ledger.fate == "overrun").to_numpy().argmax()) == 574
    said = " ".join(said_by(case_of("remote_master, service, outside").verdict))
    soon = [int(n) for n in re.findall(r"(\d+) (?:conversions|frames|triggers)", said)]
    assert any(540 <= number <= 610 for number in soon), said


def test_a_line_of_packets_beyond_its_rate_does_not_meet():
    """(16 + 4 x 4) bits every 2000 ns on a line of 12 Mbit/s: 133 %."""
    found = case_of("remote_master, packets' overhead, outside")
    assert all(found.figures[name].count == 0 for name in ("overrun", "underrun", "timed_out"))
    assert not found.verdict.meets
    assert found.verdict.least.key == "packet_rate"
    assert "133 %" in of_cause(found.verdict)


def test_a_host_that_is_asleep_for_long_is_no_margin():
    """Half of the time is enough on average, and a wake-up of 8 ms fills 64 slots at 12 kHz."""
    loaded = simlink.load(SCENARIOS / "desktop-host.toml").scenario
    found = simlink.running.run.run(
        loaded.with_values({"trigger.rate": "12 kHz"}), workers=1, ledger=False
    )
    assert found.figures["overrun"].count > 0
    assert not found.verdict.meets
    assert found.verdict.least.key == "fifo_depth"
    assert "to spare" not in " ".join(said_by(found.verdict))
    # At 5 kHz the same wake-up fills more than half of it: the FIFO is what is nearest.
    found = simlink.running.run.run(loaded, workers=1, ledger=False).verdict
    assert found["fifo_depth"].share < found["host_rate"].share
    assert found.least.key == "fifo_depth"


def test_a_margin_is_never_a_negative_share_to_spare():
    for name in ("service", "host at 110 %", "acquisition", "packets", "timeout", "conversion"):
        verdict = case_of(f"remote_master, {name}, outside").verdict
        for text in said_by(verdict):
            assert not re.search(r"[-−]\s?[\d.]+ ?%", text), text
            assert "to spare" not in text, text
        assert re.search(r"[\d.]+ % over|[\d.]+ % short|broken", of_cause(verdict))


def test_none_seen_is_told_with_what_its_bound_assumes():
    """A latency without bound, and nothing lost in 400 words of 2 boards."""
    long = {"shape": "exponential", "mean": "100 ns"}
    found = ran({"host.service_latency": long, "fifo.depth": 8})
    assert found.figures["overrun"].count == 0
    row = found.verdict["fifo_depth"]
    assert row.known.value in ("not seen", "can be violated")
    assert "400 words" in row.evidence
    # Rule of three: 3 of 400 words, at 95 % confidence; 1 - 0.05^(1/2) = 78 % of boards.
    assert "0.0075" in row.evidence or "7.5e-3" in row.evidence or "0.75 %" in row.evidence
    assert "independent" in row.evidence
    assert re.search(r"78 % of (the )?boards", row.evidence)


def test_none_seen_is_bounded_on_the_side_that_holds_and_alike_everywhere():
    """1 - 0.05^(1/6) = 39.30 % of boards, 1 - 0.05^(1/1200) = 0.002494 of conversions."""
    long = {"shape": "exponential", "mean": "100 ns"}
    values = {"host.service_latency": long, "fifo.depth": 8, "trials": 6, "frame.lanes": 2}
    found = ran(values)
    assert (found.scenario.conversions, found.figures["overrun"].of) == (200, 2400)
    boards, conversions = found.figures["overrun"].bounds().split("; ")
    assert boards == "below 40 % of boards"
    assert conversions == "below 0.0025 if conversions are independent"
    evidence = found.verdict["fifo_depth"].evidence
    assert f"0 of 2400 words: {conversions}, {boards}" in evidence


# --- what is to blame ---


def test_one_slot_too_few_is_not_a_host_that_is_too_slow():
    for name in ("depth by one", "depth by one for all that wait", "a FIFO of one"):
        verdict = case_of(f"remote_master, {name}, outside").verdict
        assert verdict["host_rate"].holds
        assert "keep up" not in of_cause(verdict)
        assert "FIFO" in of_cause(verdict)


@pytest.mark.parametrize("depth", [4, 15, 60])
def test_edges_that_nobody_sees_are_not_blamed_on_the_depth(depth):
    changes = NAMED["remote_master, edge and synchroniser, outside"].changes
    found = ran(changes | {"fifo.depth": depth}).verdict
    assert not found.meets
    assert found.least.key == "interrupt"
    blamed = {one.key for one in found.causes if one.limit == "interrupt"}
    assert blamed
    assert "fifo.depth" not in blamed
    changed = {key for one in found.remedies for key, _ in one.changes}
    assert "fifo.depth" not in changed
    assert "too shallow" not in " ".join(said_by(found))


@pytest.mark.parametrize(
    "name",
    ["synchroniser", "burst", "Poisson triggers", "edge and synchroniser",
     "timeout and synchroniser", "conversion", "readout", "early read"],
)  # fmt: skip
def test_a_latency_that_does_no_harm_is_not_blamed(name):
    """Of 0 ns, 50 ns or 300 ns, and without it all would be as it is."""
    verdict = case_of(f"remote_master, {name}, outside").verdict
    assert "host.service_latency" not in {one.key for one in verdict.causes}
    assert "service latency (mean" not in of_cause(verdict)
    assert "mean 0 s" not in of_cause(verdict)


@pytest.mark.parametrize(
    "name", ["forwarded_clock, clock's pulse", "returned_clock, clock's pulse",
             "returned_clock, returned clock's pulse"],
)  # fmt: skip
def test_swallowed_pulses_are_no_late_bits(name):
    verdict = case_of(f"{name}, outside").verdict
    assert verdict["setup"].holds
    assert verdict.least.key == "pulse"
    assert "valid" not in of_cause(verdict)
    assert "pulse" in verdict.sentence


@pytest.mark.parametrize("name", ["stall", "stall of a FIFO of one"])
def test_a_master_that_is_held_back_names_the_fifo_that_holds_it(name):
    found = case_of(f"remote_master, {name}, outside")
    assert found.figures["missed_trigger"].count > 0
    assert "FIFO" in of_cause(found.verdict)
    assert found.verdict.least.key == "fifo_depth"


# --- budget and simulation ---


def test_the_strobe_fails_as_many_units_as_the_budget_says():
    """Lane and strobe are each up to 10 ns off, and may be 10 ns apart.

    Their difference is triangular over 20 ns either way: |d| > 10 ns in (10 / 20)^2 = 25 % of the
    units. 400 of them: a standard deviation of 8.7 about 100.
    """
    skew = {"shape": "uniform", "low": "-10 ns", "high": "10 ns"}
    changes = {"barrier.return.delay": "30 ns", "barrier.return.channel_skew": skew, "trials": 400,
               "conversions": 2}  # fmt: skip
    scenario = made(changes, BASES["remote_master"])
    found = simlink.running.run.run(scenario, workers=1)
    wrong = found.ledger.groupby("trial").fate.agg(lambda fates: (fates == "corrupted").any())
    assert abs(wrong.sum() - 100) < 4 * 8.7
    assert not found.verdict.meets
    share = budget(scenario, trials=20_000)["remote_master"].yields.share
    assert abs(share - 0.75) < 4 * (0.75 * 0.25 / 20_000) ** 0.5


LATENCIES = [
    # Half a period of the host's clock after its last capture: 10 + 500 + 12 + 300 + 1600 ns.
    ("returned_clock", {}, 2422),
    ("returned_clock", {"host.capture": "whole"}, 2444),
    # The last capture comes back later than the clock ends: 100 + 500 + 120 + 300 + 1550 + 220.
    ("returned_clock",
     {"barrier.forward.delay": "100 ns", "barrier.return.delay": "120 ns"}, 2790),
    ("forwarded_clock", {}, 2422),
    ("remote_master", {}, 1550),
    # 10 + 500 + 20 ns to the clock. Bits 3, 7, 11, 15 are captured 70, 150, 230, 310 ns later,
    # each packet takes 8 bits at 40 Mbit/s, 200 ns: the last bits are pushed 70 + 4 x 200 + 10 ns
    # after the clock starts, the sixth 70 + 2 x 200 + 10. A read takes 400 ns after 300, and the
    # last bit is captured at 1010 + 300 + 387.5 ns: late enough.
    ("remote_master", {"barrier.return.style": "packets", "barrier.return.packet_bits": 4,
                       "barrier.return.overhead_bits": 4,
                       "barrier.return.line_rate": "40 Mbit/s", "fifo.release_bits": 6}, 1710),
    # All of 16 bits in one packet of 24: released 310 + 600 + 10 ns after the clock starts,
    # though 6 bits would do.
    ("remote_master", {"barrier.return.style": "packets", "barrier.return.packet_bits": 16,
                       "barrier.return.overhead_bits": 8,
                       "barrier.return.line_rate": "40 Mbit/s", "fifo.release_bits": 6}, 2150),
]  # fmt: skip


@pytest.mark.parametrize(("scheme", "changes", "latency"), LATENCIES)
def test_the_budgets_latency_is_the_simulated_one(scheme, changes, latency):
    scenario = made(changes, BASES[scheme])
    figures = simlink.running.run.run(scenario, workers=1, ledger=False).figures
    assert figures["underrun"].count == 0
    assert figures["latency_read_largest_seen"].value == pytest.approx(latency * 1e-9)
    pieces = budget(scenario, trials=1)[scheme].latency
    assert float(sum(piece.largest for piece in pieces)) == pytest.approx(latency * 1e6)


@pytest.mark.parametrize("scheme", BASES)
def test_a_link_that_loses_nothing_delivers_what_is_offered(scheme):
    figures = ran(scheme=scheme).figures
    offered, delivered = figures["throughput_offered"], figures["throughput_delivered"]
    assert offered.value == pytest.approx(500e3 if scheme == "remote_master" else 250e3)
    assert delivered.value == pytest.approx(offered.value)
    assert delivered.low <= offered.value * (1 + 1e-9)
    assert delivered.high >= offered.value * (1 - 1e-9)


# --- searches and tables ---


def test_a_search_that_did_not_settle_names_no_smallest_depth():
    """Two frames of a host at half its load lose 2.51 %, too near 2.5 % for 40,000 conversions."""
    queue = queues.queue("periodic", queues.exponential(0.5), 2, conversions=2000)
    found = size(queue, "depth", at_most=0.025, budget=40_000)
    assert found.answer == 3
    assert not found.settled
    assert "The smallest" not in found.verdict


def test_a_release_is_proven_for_a_host_that_reads_on():
    """(r - 1) x 20 ns >= 17 x 20 - 17.5 x 12.5: 8 of 18 bits, and 2 lose words."""
    case = NAMED["remote_master, early read in the wake of another, outside"]
    found = size(case.scenario(), "release-bits", at_most=1e-2, budget=20_000)
    assert found.answer is not None
    assert found.answer > 2
    assert found.bound == 8
    assert case_of(case.name).figures["underrun"].count > 0


def test_a_rate_is_found_that_the_converter_keeps():
    """840 ns of conversion and readout: 1.19 MHz; the host's 700 would do more."""
    for scheme, most in (("remote_master", 1 / 840e-9), ("forwarded_clock", 1 / 2422e-9)):
        found = size(made({}, BASES[scheme]), "trigger-rate", at_most=1e-2)
        assert found.answer is not None
        assert 0.95 * most < found.answer <= most


def test_a_timing_table_says_what_it_was_measured_over(tmp_path):
    path = tmp_path / "base.toml"
    path.write_text(made({"conversions": 50}, BASES["remote_master"]).to_toml(), encoding="utf-8")
    table, picture = tmp_path / "table.md", tmp_path / "picture.svg"
    done = CliRunner().invoke(
        app, ["diagram", str(path), "--table", str(table), "--out", str(picture)]
    )
    assert done.exit_code == 0, done.output
    told = done.output + table.read_text()
    assert re.search(r"100 conversions|50 conversions", told), told
    assert "over the run" not in told


# --- the command ---


@pytest.mark.parametrize(
    "name", ["acquisition", "service", "packets", "depth by one", "edge and a long service"]
)
@pytest.mark.parametrize("side", ["inside", "outside"])
def test_the_exit_status_says_what_the_verdict_says(name, side, tmp_path):
    path = tmp_path / "case.toml"
    path.write_text(NAMED[f"remote_master, {name}, {side}"].scenario().to_toml(), encoding="utf-8")
    done = CliRunner().invoke(app, ["run", str(path), "--json"])
    found = json.loads(done.stdout)
    assert done.exit_code == (0 if side == "inside" else 1)
    assert found["meets_rate"] is (side == "inside")
    screen = CliRunner().invoke(app, ["run", str(path)]).stdout
    assert len(screen.splitlines()) <= 40
    assert ("Meets" in screen) == (side == "inside")
