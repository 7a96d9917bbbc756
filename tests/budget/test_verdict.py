"""Which scheme meets the rate, in whole sentences worked by hand."""

import re
from fractions import Fraction

import pytest

from simlink.budget import budget, rates
from simlink.budget.verdict import sentence
from simlink.engines.event import EventEngine
from simlink.records import Fate
from tests.budget.budget_cases import SCHEMES, budget_of, made

#: Captured 1 1/2 periods after the launch, half a period before the next bit may come: 10 ns there,
#: 10 back, 4 until the data change, 3 of them asked for, so that 21 ns are over half a period.
HOLDS = {
    "host.capture": 3,
    "barrier.forward.delay": "10 ns",
    "barrier.return.delay": "10 ns",
    "converter.data_hold": "4 ns",
    "converter.data_valid": "6 ns",
    "host.hold": "3 ns",
}


def alone(values):
    return sentence([budget_of(values)])


def test_a_lowest_clock_is_rounded_up():
    """42 ns are 23.8095 MHz, and 23.80 MHz would not do; 20 MHz have half a period of 25 ns."""
    assert alone(HOLDS) == (
        "No scheme meets 20 kHz; the forwarded clock does not: it needs at least 23.81 MHz: "
        "hold is 4 ns short at 20 MHz."
    )


def test_no_clock_is_slow_enough_and_fast_enough():
    """1 1/2 periods of 96 ns: 10 there, 30 back at most, 50 until valid, 6 asked for."""
    back = {"shape": "uniform", "low": "10 ns", "high": "30 ns"}
    parts = {"barrier.return.delay": back, "converter.data_valid": "50 ns", "host.setup": "6 ns"}
    # 1 / 64 ns is 15.625 MHz, where hold has 21 ns and needs 32.
    assert alone(HOLDS | parts) == (
        "No scheme meets 20 kHz; the forwarded clock does not: no clock is slow enough for setup "
        "and fast enough for hold: hold is 11 ns short at 15.62 MHz."
    )


def test_no_clock_cures_a_hold_that_does_not_depend_on_it():
    """Captured as the next bit is launched, which holds for 1 ns, and 3 are asked for."""
    values = {"link.scheme": "returned_clock", "host.capture": "whole", "host.hold": "3 ns",
              "converter.data_hold": "1 ns"}  # fmt: skip
    assert alone(values) == (
        "No scheme meets 20 kHz; the returned clock does not: hold is 2 ns short at any clock: "
        "host hold (host.hold) takes 3 ns."
    )


def test_where_a_spread_has_no_bound_a_clock_may_be_too_slow_for_the_wanted_share_of_boards():
    """21 ns with a sigma of 1 ns, of which 3 sigma leave 18: half a period of 27.778 MHz."""
    spread = {"shape": "normal", "mean": "0 ps", "sigma": "1 ns"}
    values = HOLDS | {"barrier.forward.part_to_part_skew": spread}
    slow = budget_of(values, wanted_yield=0.998650102)
    assert sentence([slow]) == (
        "No scheme meets 20 kHz; the forwarded clock does not: no clock up to 20 MHz lets 99.87 % "
        "of boards work; hold is 7 ns short there, and forward part-to-part skew "
        "(barrier.forward.part_to_part_skew) has no bound."
    )
    for clock, works in (("27.77 MHz", False), ("27.78 MHz", True)):
        one = budget_of(values | {"host.clock": clock}, wanted_yield=0.998650102)
        assert one.used == (one.clock if works else None)


def test_of_triggers_at_random_it_is_told_how_many_come_too_soon():
    """500 ns and 5 bits at 20 MHz, 750 ns; ten times a millisecond: 1 - exp(-0.0075) is 0.747 %."""
    values = {"link.scheme": "remote_master", "trigger.rate": "10 kHz"}
    said = alone(values | {"trigger.pattern": "poisson"})
    (share,) = re.findall(r"about ([\d.]+) % come within 750 ns of the one before", said)
    assert float(share) == pytest.approx(0.747, abs=0.01)


def test_of_a_cycle_that_is_too_long_the_share_that_fits_is_told():
    """Of conversions of 400 to 800 ns those up to 750 leave 250 of 1000 ns, 5 bits at 20 MHz."""
    conversion = {"shape": "uniform", "low": "400 ns", "high": "800 ns"}
    values = {"link.scheme": "remote_master", "trigger.rate": "1 MHz"}
    said = alone(values | {"converter.conversion_time": conversion})
    (share,) = re.findall(r"1\.05 us, 50 ns longer .* \(([\d.]+) % of cycles fit\)", said)
    # Of 65536 drawn: 4 standard errors.
    assert float(share) == pytest.approx(87.5, abs=0.6)


@pytest.mark.parametrize("sigma", ["0 ps", "1 ps"])
def test_a_line_that_holds_the_clock_down_is_named_whether_or_not_spreads_have_bounds(sigma):
    """Each clock has two symbols: 10 MHz of 20 Mbit/s, and 20 MHz would do otherwise."""
    spread = {"shape": "normal", "mean": "0 ps", "sigma": sigma}
    values = {"barrier.line_rate": "20 Mbit/s", "barrier.forward.part_to_part_skew": spread,
              "link.scheme": "remote_master", "remote_clock.frequency": "10 MHz"}  # fmt: skip
    assert sentence([budget(made(values), trials=1)["forwarded_clock"]]).startswith(
        "The forwarded clock meets 20 kHz slowed to 10 MHz by line rate of the clock"
    )


def test_each_scheme_is_told_of_and_the_sentence_begins_and_ends_as_one():
    found = budget(made({"barrier.channels": 4}), trials=1)
    assert found.sentence == (
        "The forwarded clock meets 20 kHz at 20 MHz; the remote master meets 20 kHz at 20 MHz "
        "(the FIFO's depth is judged by a run); the returned clock does not: it takes 5 channels "
        "and barrier.channels is 4, 1 too few."
    )


BURSTS = {
    "trigger.pattern": "burst", "trigger.rate": "800 kHz", "trigger.burst_length": 6,
    "trigger.gap": "500 ns",
}  # fmt: skip


@pytest.mark.parametrize(
    ("values", "said"),
    [
        # The next burst begins after 500 ns; 500 of conversion, 300 of service, 250 of the read.
        (BURSTS, "the converter's cycle takes 1.05 us, 550 ns longer than the 500 ns that the "
         "closest triggers leave; "),
        # Busy comes 5 ns later, and may be 3 ns late, which the gap has to leave, too.
        (BURSTS | {"barrier.return.jitter": {"shape": "uniform", "low": "-3 ns", "high": "3 ns"},
                   "barrier.return.delay": "5 ns"},
         "the converter's cycle takes 1.055 us, 558 ns longer than the 497 ns that the closest "
         "triggers leave; "),
        # Five of 1.25 us and a gap of 750 ns, 7 us for six: 1.167; a service of 1.25 us and 250 ns.
        (BURSTS | {"link.scheme": "remote_master", "host.service_latency": "1.25 us",
                   "trigger.gap": "750 ns"},
         "the host's read takes 1.5 us, 333.3 ns longer than the 1.167 us between triggers on "
         "average; "),
        # A timer that may be 1 % fast: 990.1 ns.
        ({"trigger.rate": "1 MHz",
          "trigger.tolerance": {"shape": "uniform", "low": "-1 %", "high": "1 %"}},
         "the converter's cycle takes 1.05 us, 59.9 ns longer than the shortest trigger period; "),
        ({"trigger.rate": "1 MHz"},
         "the converter's cycle takes 1.05 us, 50 ns longer than the trigger period; "),
    ],
)  # fmt: skip
def test_it_is_named_which_interval_a_cycle_exceeds(values, said):
    assert said in alone(values)


def test_where_triggers_wait_for_the_host_no_rate_is_asked_for():
    """500 ns of conversion, 300 of service, 5 bits at 20 MHz: one in 1050 ns, 952.38 kHz."""
    values = {"trigger.pattern": "after_read", "trigger.rate": None,
              "trigger.gap": "0 ns", "host.timeout": "50 us"}  # fmt: skip
    assert alone(values) == (
        "No rate is asked for, since triggers wait for the host; "
        "the forwarded clock works: one trigger in 1.05 us on average, 952.3 kHz, at 20 MHz."
    )
    assert alone(values | {"barrier.channels": 3}) == (
        "No rate is asked for, since triggers wait for the host; the forwarded clock does not: "
        "it takes 4 channels and barrier.channels is 3, 1 too few."
    )


#: 10 ns each way: 700 ns of conversion, 16 bits at 40 MHz of which the last is captured after
#: 387.5 ns and read after 400, and a service of 1 us; released after 1107.5 ns.
LOOP = {
    "link.scheme": "remote_master", "trigger.pattern": "after_read", "trigger.rate": None,
    "trigger.gap": "1 ns", "host.timeout": "2 us", "frame.word_bits": 16,
    "converter.conversion_time": "700 ns", "remote_clock.frequency": "40 MHz",
    "host.clock": "40 MHz", "host.service_latency": "1 us",
    "barrier.forward.delay": "10 ns", "barrier.return.delay": "10 ns",
}  # fmt: skip


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({}, "works: one trigger in 2.508 us on average, 398.6 kHz, at 40 MHz."),
        ({"trigger.gap": "1 us", "converter.acquisition_time": "1 us"},
         "works: one trigger in 3.508 us on average, 285.1 kHz, at 40 MHz."),
        ({"host.timeout": "1107 ns"},
         "does not: a frame is released up to 1.108 us after its trigger, and the host "
         "gives it up after 1.107 us (host.timeout), at 40 MHz."),
        ({"host.watermark": 2, "fifo.depth": 2},
         "does not: the host triggers again once it has read, and reads once 2 frames "
         "wait, so that the loop stops at its first trigger, at 40 MHz."),
        # The next trigger comes 397.5 ns after busy fell, with 1000, 400, 1 and 10 more: 1808.5.
        ({"converter.acquisition_time": "1809 ns"},
         "does not: the converter is ready up to 1.809 us after its conversion, and the "
         "next trigger may come 1.808 us after it, at 40 MHz."),
        ({"converter.acquisition_time": "1808 ns"},
         "works: one trigger in 2.508 us on average, 398.6 kHz, at 40 MHz."),
        # Of the forwarded clock: 16 bits at 20 MHz take 800 ns.
        ({"link.scheme": "forwarded_clock", "host.clock": "20 MHz"},
         "works: one trigger in 2.521 us on average, 396.6 kHz, at 20 MHz."),
    ],
)  # fmt: skip
def test_a_loop_is_as_fast_as_all_that_it_waits_for(values, said):
    one = budget_of(LOOP | values)
    assert sentence([one]) == (
        f"No rate is asked for, since triggers wait for the host; the {one.name} {said}"
    )
    (block,) = EventEngine().run(made(LOOP | values | {"conversions": 9}), range(1), words=False)
    if "works" in said:
        assert not block.short_acquisition.any()
        assert (block.trigger[0, -1] - block.trigger[0, 0]) / 8 == 10**15 / one.sample_rate
    else:
        assert one.sample_rate is None
        lost = (block.fate != Fate.DELIVERED).any() or block.timed_out.any()
        assert lost or block.short_acquisition.any()


def test_the_trigger_of_a_loop_must_not_overtake_the_last_clock_edge():
    """Each may be 1 ns early or late, and the clock 3 ns later by skew and 2 by distortion."""
    late = {
        "link.scheme": "forwarded_clock", "host.clock": "10 MHz",
        "barrier.forward.jitter": {"shape": "uniform", "low": "-1 ns", "high": "1 ns"},
        "barrier.forward.channel_skew": {"shape": "uniform", "low": "0 ns", "high": "3 ns"},
        "barrier.forward.pulse_width_distortion": {"shape": "uniform", "low": "0 ns",
                                                   "high": "2 ns"},
    }  # fmt: skip
    assert "works" in alone(LOOP | late | {"trigger.gap": "7 ns"})
    assert (
        "does not: the next trigger may come up to 100 ps before the last edge of the "
        "serial clock has fallen at the converter, at 10 MHz."
        in alone(LOOP | late | {"trigger.gap": "6.9 ns"})
    )


@pytest.mark.parametrize(
    ("source", "scheme", "expected"),
    [
        # A trigger at most 3 ns late before one 1 ns early; 5 against -2 of the crossing; the
        # last clock edge 3.5 ns after its mean, and busy 2.
        ("host", "forwarded_clock", "16.5"),
        ("host", "returned_clock", "16.5"),
        ("host", "remote_master", "11"),
        ("remote", "forwarded_clock", "9.5"),
        ("remote", "remote_master", "4"),
    ],
)
def test_what_jitter_takes_of_the_time_between_two_triggers(source, scheme, expected):
    def between(low, high):
        return {"shape": "uniform", "low": f"{low} ns", "high": f"{high} ns"}

    scenario = made({"trigger.jitter": between(-1, 3), "trigger.source": source,
                     "barrier.forward.delay": "9 ns", "barrier.return.delay": "9 ns",
                     "barrier.forward.jitter": between(-2, 5),
                     "barrier.return.jitter": between(-3, 1)})  # fmt: skip
    found = rates.shortfall_of_jitter(scenario, scheme, 1e-12)
    assert found == Fraction(expected) * 10**6


def test_each_scheme_has_the_key_of_the_clock_that_reads():
    keys = [budget(made(), trials=1)[scheme].clock_key for scheme in SCHEMES]
    assert keys == ["host.clock", "host.clock", "remote_clock.frequency"]
