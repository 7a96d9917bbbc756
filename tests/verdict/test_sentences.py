"""Sentences of the verdict on scenarios built to make them false."""

from fractions import Fraction
from pathlib import Path

import pytest

import simlink
from simlink.running.run import run
from simlink.verdict.limit import Known, Limit
from simlink.verdict.wording import margin_text, value_text
from tests.engines.chain import chain
from tests.engines.host_clocked_scenarios import serial
from tests.proofs.test_bounds import scenario

SCENARIOS = Path(simlink.__file__).parents[1] / "scenarios"


def judged(scenario, conversions=60, trials=3):
    return run(scenario.with_(conversions=conversions, trials=trials), workers=1).verdict


def shipped(name, **values):
    changed = {key.replace("__", "."): value for key, value in values.items()}
    return simlink.load(SCENARIOS / f"{name}.toml").scenario.with_values(changed)


def broken(verdict):
    return [one.key for one in verdict.limits if one.known is Known.VIOLATED]


@pytest.mark.parametrize(
    ("latency", "said", "soon"),
    [
        # A read of 160 ns and 850 ns or 940 ns, of 1 us; the FIFO holds two frames.
        ("850 ns", "1 % over (101 % of 100 %)", "after about 101 conversions, 101 us"),
        ("940 ns", "10 % over (110 % of 100 %)", "after about 11 conversions, 11 us"),
    ],
)
def test_a_host_that_lags_does_not_meet_its_rate_however_short_the_run(latency, said, soon):
    found = run(chain({"host.service_latency": latency, "conversions": 8}), workers=1)
    assert found.figures["overrun"].count == 0
    assert not found.verdict.meets
    assert found.verdict.sentence == (
        f"Does not meet 1 MHz: the limit of mean host load is broken, {said}."
    )
    assert soon in found.verdict.because


@pytest.mark.parametrize(("depth", "after"), [(2, 11), (5, 44), (20, 209)])
def test_a_fifo_is_full_about_when_the_verdict_says(depth, after):
    """A tenth of a frame more a conversion, one of ``depth`` slots being read."""
    made = chain({"host.service_latency": "940 ns", "conversions": 400, "fifo.depth": depth})
    found = run(made, workers=1)
    assert f"after about {after} conversions" in found.verdict.because
    first = int((found.ledger.fate == "overrun").to_numpy().argmax())
    assert abs(first - after) <= 2


def test_packets_that_take_longer_than_a_frame_lets_them_do_not_meet_the_rate():
    packets = {"barrier.return.style": "packets", "barrier.return.packet_bits": 4,
               "barrier.return.line_rate": "3 Mbit/s"}  # fmt: skip
    found = judged(chain(packets))
    assert broken(found) == ["packet_rate"]
    assert "33 % over (133 % of 100 %)" in found.sentence
    # Four bits at 3 Mbit/s are 1333.3 ns of 1 us.
    assert "each frame comes 333.3 ns later than the one before" in found.because


def test_a_rare_long_latency_breaks_the_depth_and_not_the_rate():
    found = run(shipped("desktop-host", trigger__rate="12 kHz"), workers=1).verdict
    assert broken(found) == ["fifo_depth"]
    assert found["host_rate"].known is Known.PROVEN
    assert 0.3 < found["host_rate"].share < 0.6
    assert "of FIFO depth is broken" in found.sentence


@pytest.mark.parametrize("depth", [2, 15, 50])
def test_frames_that_no_edge_tells_of_are_not_blamed_on_the_depth(depth):
    """Released 800 ns after the next trigger, so that busy never falls between two."""
    late = {"host.interrupt": "edge", "fifo.depth": depth, "fifo.sync_delay": "1500 ns"}
    found = judged(chain(late))
    assert broken(found) == ["interrupt"]
    assert found.least.key == "interrupt"


def test_a_few_unnoticed_frames_break_the_notice_before_anything_is_lost():
    """One release in ten comes after the next trigger; its frame stays for good."""
    law = {"shape": "mixture", "parts": [
        {"weight": 9, "of": "6 ns"}, {"weight": 1, "of": "800 ns"}]}  # fmt: skip
    made = chain({"host.interrupt": "edge", "fifo.depth": 100, "fifo.sync_delay": law})
    found = run(made.with_(conversions=60, trials=3), workers=1)
    assert found.figures["overrun"].count == 0
    assert found.figures["in_flight"].count > 0
    assert broken(found.verdict) == ["interrupt"]
    assert "stay in the FIFO" in found.verdict["interrupt"].evidence


def test_edges_that_are_all_noticed_do_not_shield_a_depth_that_is_too_small():
    stalls = {"shape": "two_state", "normal": "100 ns", "stalled": "5 us",
              "spacing": {"shape": "geometric", "mean": 20}}  # fmt: skip
    made = {"host.service_latency": stalls, "fifo.depth": 2}
    assert broken(judged(chain(made))) == ["fifo_depth"]
    # Beside the frame that is being read there is one more, and its edge is remembered.
    assert broken(judged(chain(made | {"host.interrupt": "edge"}))) == ["fifo_depth"]
    # Of two that wait one edge is remembered, and what is left is never caught up.
    found = judged(chain(made | {"host.interrupt": "edge", "fifo.depth": 3}))
    assert set(broken(found)) == {"fifo_depth", "interrupt"}


def test_a_master_that_a_full_fifo_stalls_is_laid_to_the_fifo():
    stalls = {"shape": "two_state", "normal": "100 ns", "stalled": "5 us",
              "spacing": {"shape": "geometric", "mean": 20}}  # fmt: skip
    made = {"host.service_latency": stalls, "fifo.depth": 2, "fifo.when_full": "stall"}
    found = judged(chain(made))
    assert broken(found) == ["fifo_depth"]
    assert "while a full FIFO holds the remote clock back" in found.because
    # Where the converter is too slow by itself as well, both are told.
    late = {"shape": "uniform", "low": "200 ns", "high": "960 ns"}
    slow = judged(chain(made | {"converter.conversion_time": late}))
    assert set(broken(slow)) == {"period", "fifo_depth"}


def test_swallowed_clock_pulses_are_no_late_bits():
    width = {"shape": "uniform", "low": "-1 ns", "high": "1 ns"}
    made = {"barrier.min_pulse": "9.5 ns", "barrier.pulse_width_distortion": width}
    found = judged(serial(made), trials=20)
    assert broken(found) == ["pulse"]
    assert "clock pulse" in found.sentence


def test_an_acquisition_that_is_too_short_is_never_met():
    law = {"shape": "uniform", "low": "190 ns", "high": "210 ns"}
    made = {"converter.conversion_time": law, "converter.acquisition_time": "809 ns"}
    found = run(chain(made).with_(conversions=400, trials=3), workers=1)
    assert found.figures["short_acquisition"].value > 0.9
    assert found.figures["delivered"].count == found.figures["delivered"].of
    assert not found.verdict.meets
    assert broken(found.verdict) == ["acquisition"]
    assert found.verdict.sentence == (
        "Does not meet 1 MHz: the limit of acquisition is broken, 2.3 % short (790 ns for 809 ns)."
    )


def test_a_lost_conversion_that_is_given_up_is_not_laid_to_the_timeout():
    lost = {"host.service_latency": "940 ns", "host.timeout": "500 ns"}
    found = run(chain(lost).with_(conversions=80, trials=2), workers=1)
    assert found.figures["timed_out"].count > 0
    assert broken(found.verdict) == ["host_rate"]
    assert "lost before" in found.verdict["timeout"].evidence


def test_a_loop_keeps_itself_or_does_not():
    loop = {"trigger.pattern": "after_read", "trigger.gap": "1 us", "trigger.rate": None}
    assert judged(chain(loop | {"host.timeout": "9 us"})).sentence.startswith("Keeps its loop: all")
    late = judged(chain(loop | {"host.timeout": "300 ns"}))
    assert late.sentence.startswith("Does not keep its loop: the limit of timeout is broken")
    assert broken(late) == ["timeout"]


@pytest.mark.parametrize(("pattern", "said"), [("poisson", "on average"), ("burst", "in bursts")])
def test_patterns_are_named(pattern, said):
    burst = {"trigger.burst_length": 2, "trigger.gap": "5 us"} if pattern == "burst" else {}
    found = judged(chain({"trigger.pattern": pattern, **burst}))
    assert f"1 MHz {said}: " in found.sentence


def test_a_service_that_is_too_long_can_break_a_depth_that_no_word_has_found_too_small():
    """One service in 400 is held up for 6 to 14 us, of which frames come every 2 us."""
    found = run(shipped("shallow-fifo").with_(trials=3, conversions=60), workers=1)
    assert found.figures["overrun"].count == 0
    assert found.verdict["fifo_depth"].known is Known.POSSIBLE
    assert not found.verdict.meets
    assert (
        found.verdict.sentence == "May not meet 500 kHz: the limit of FIFO depth can be violated."
    )
    # A uniform 6 to 14 us is more than 2 x 5 - 0.5 us in (14 - 9.5) / 8 of the stalls.
    share = 0.5625 / 401 * 100
    said = float(found.verdict.because.split(" %")[0])
    assert abs(said - share) < 4 * (share / 100 / 65536) ** 0.5 * 100
    deep = run(shipped("shallow-fifo", fifo__depth=12).with_(trials=3, conversions=60), workers=1)
    assert deep.verdict["fifo_depth"].known is Known.NOT_SEEN
    assert ", FIFO depth as far as was seen; the nearest is " in deep.verdict.sentence


def test_what_there_is_one_of_is_told_in_the_singular():
    """Poisson triggers 1 ms apart, of a host that has read each after 1 us: nothing is proven."""
    tried = scenario(trigger__rate="1 kHz", trigger__pattern="poisson", fifo__depth=1)
    (one,) = (
        limit
        for limit in run(tried.with_(trials=1, conversions=1), workers=1).verdict.limits
        if limit.key == "fifo_depth"
    )
    assert one.evidence.startswith("0 of 1 word: below ")
    assert "; at most 1 of 1 slot was seen taken; not proven: " in one.evidence


def test_triggers_at_random_may_always_come_too_close():
    """A cycle of 285 ns and a mean spacing of 10 ms: three in 100,000 are missed."""
    found = judged(chain({"trigger.pattern": "poisson", "trigger.rate": "100 Hz"}), trials=1)
    assert found["period"].known is Known.POSSIBLE
    assert "about 0.0028 % come within 285 ns of the one before" in found["period"].evidence
    assert found.sentence.startswith("May not meet 100 Hz on average: the limit of conversion and")


def test_all_limits_hold_and_the_nearest_is_named():
    found = judged(chain())
    assert found.meets
    assert found.sentence == (
        f"Meets 1 MHz: all {len(found.limits)} limits hold; the nearest is FIFO depth, 50 % margin "
        "(1 of 2 frames)."
    )
    assert found.because.startswith("That limit rests on fifo.depth, ")


def row(limit, worst, unit="s", margin=None):
    margin = limit - worst if margin is None else margin
    return Limit("setup", "setup", unit, limit, worst, margin, Known.PROVEN, "")


@pytest.mark.parametrize(
    ("one", "said"),
    [
        (row(Fraction(100), Fraction(88)), "12 % margin"),
        (row(Fraction(100), Fraction(140)), "40 % over"),
        # What there has to be at the least, and is not.
        (row(Fraction(100), Fraction(60), margin=Fraction(-40)), "40 % short"),
        (row(Fraction(100), Fraction(160), margin=Fraction(60)), "60 % margin"),
        (row(Fraction(100), Fraction(100)), "no margin"),
        (row(Fraction(1), Fraction(-20)), "> 1000 % margin"),
        (row(Fraction(0), Fraction(3, 10**9), margin=Fraction(3, 10**9)), "3 ns margin"),
        (row(Fraction(0), Fraction(3, 10**9), margin=Fraction(-3, 10**9)), "3 ns over"),
        (Limit("pulse", "", "s", None, None, None, Known.VIOLATED, ""), ""),
    ],
)
def test_margins_are_told_plainly(one, said):
    assert margin_text(one) == said


@pytest.mark.parametrize(
    ("value", "unit", "said"),
    [
        (Fraction(25, 10**10), "s", "2.5 ns"), (Fraction(4, 3), "1", "133 %"),
        (Fraction(1), "frames", "1 frame"), (Fraction(12), "bits", "12 bits"),
        (Fraction(8 * 10**7), "bit/s", "80 Mbit/s"), (None, "s", "-"),
    ],
)  # fmt: skip
def test_values_have_their_units(value, unit, said):
    assert value_text(value, unit) == said


def test_a_depth_that_lets_a_latency_serve_too_few_is_told_however_short_the_run():
    """A latency of 950 ns and reads of 160 ns: two slots hold the frame that comes meanwhile."""
    reads_on = {"host.service_latency": "950 ns", "host.drain": True, "conversions": 1}
    found = run(chain(reads_on | {"fifo.depth": 1}), workers=1).verdict
    assert broken(found) == ["fifo_depth"]
    assert "On average a frame takes 1.11 us of 1 us" in found.because
    assert "fifo_depth" not in broken(run(chain(reads_on), workers=1).verdict)
    # And it loses them in a longer one.
    longer = run(chain(reads_on | {"fifo.depth": 1, "conversions": 40}), workers=1)
    assert longer.figures["overrun"].count > 0
    assert run(chain(reads_on | {"conversions": 40}), workers=1).figures["overrun"].count == 0


def test_a_clock_held_back_that_loses_nothing_is_no_proof_and_no_loss():
    """Triggers every 1000 ns, two slots, latencies of 1799 to 1800 ns and reads of 200.

    Frame 0 is released at 1370 and read by 3370. The clock of frame 2 could start at 3200, waits
    170 ns for the slot, and ends 160 ns after that: before the trigger at 4000.
    """
    law = {"shape": "uniform", "low": "1799 ns", "high": "1800 ns"}
    made = {"trials": 2, "conversions": 100, "fifo__when_full": "stall", "fifo__depth": 2,
            "host__drain": True, "host__service_latency": law}  # fmt: skip
    found = run(scenario(**made), workers=1).verdict
    assert found.meets
    row = found["fifo_depth"]
    assert row.known is Known.NOT_SEEN
    assert "3 are proven enough never to hold the remote clock back" in row.evidence
    assert "ends before the next trigger, of which there is no proof" in row.evidence
    # With a slot more it is proven.
    deeper = run(scenario(**made | {"fifo__depth": 3}), workers=1).verdict
    assert deeper["fifo_depth"].known is Known.PROVEN
