"""The highest trigger rate, against the cycles of converter, line and host worked by hand."""

import math
from pathlib import Path

import pytest

import simlink
from simlink.figures.cycle import cycles
from simlink.records import Fate
from simlink.scenario.loading import load
from simlink.studies.size import size
from simlink.studies.sizing_rates import Rates, keeps_all
from tests.outside import queues
from tests.proofs.test_bounds import count, scenario

SCENARIOS = Path(simlink.__file__).parents[1] / "scenarios"
CLOCKED = {"host__service_latency": "100 ns", "host__clock": "40 MHz"}
FORWARDED = {
    "link__scheme": "forwarded_clock", **CLOCKED,
    "barrier__forward": {"delay": "5 ns"}, "barrier__return_": {"delay": "5 ns"},
}  # fmt: skip


def down(period):
    """Return the rate in Hz of a period in ns, rounded down to four digits."""
    rate = 1e9 / period
    unit = 10.0 ** (math.floor(math.log10(rate)) - 3)
    return math.floor(rate / unit) * unit


# 8 bits: 160 ns by the remote clock of 50 MHz, 200 ns by the host's of 40 MHz.
DESIGNS = {
    "host": ({}, 700 + 200),
    "converter": ({"converter__conversion_time": "900 ns", **CLOCKED}, 900 + 160),
    "start": ({"converter__conversion_time": "900 ns", "remote_clock__start_delay": "55 ns",
               **CLOCKED}, 900 + 55 + 160),
    "slow converter": ({"converter__conversion_time": "500 us"}, 500_000 + 160),
    "acquisition": ({"converter__conversion_time": "900 ns",
                     "converter__acquisition_time": "410 ns", **CLOCKED}, 900 + 410),
    "tolerance": ({"converter__conversion_time": "900 ns", "trigger__tolerance":
                   {"shape": "uniform", "low": "0 ppm", "high": "1000 ppm"}, **CLOCKED},
                  1060 * 1.001),
    "stall": ({"converter__conversion_time": "900 ns", "fifo__when_full": "stall", **CLOCKED},
              900 + 160),
    "draining": ({"host__drain": True, "converter__conversion_time": "300 ns",
                  "fifo__depth": 9}, 300 + 160),
    "burst": ({"trigger__pattern": "burst", "trigger__burst_length": 5, "trigger__gap": "9 us",
               "converter__conversion_time": "900 ns", **CLOCKED}, 900 + 160),
    # The host needs 5 x 900 ns for a burst and its gap of 1500 ns: 4 x 750 ns are left within.
    "burst and host": ({"trigger__pattern": "burst", "trigger__burst_length": 5,
                        "trigger__gap": "1500 ns"}, 750),
    # Busy crosses, the host waits and clocks, the clock crosses: 200 + 5 + 100 + 5 + 200.
    "forwarded": (FORWARDED, 510),
    "returned": ({**FORWARDED, "link__scheme": "returned_clock"}, 510),
    # Packets of 8 and 12 more bits at 20 Mbit/s.
    "line": ({"barrier__return_": {"delay": "10 ns", "style": "packets", "packet_bits": 8,
                                   "overhead_bits": 12, "line_rate": "20 Mbit/s"},
              **CLOCKED}, 1000),
}  # fmt: skip


@pytest.mark.parametrize("name", DESIGNS)
def test_the_answer_is_the_closed_form_where_that_decides(name):
    changes, period = DESIGNS[name]
    tried = scenario(conversions=400, **changes)
    found = size(tried, "trigger-rate", at_most=1e-3, beyond_proof=True, workers=1)
    assert found.answer == pytest.approx(down(period), rel=1e-9), found.verdict
    assert found.settled


@pytest.mark.parametrize(("conversion", "kept"), [("840 ns", True), ("840.000001 ns", False)])
def test_a_cycle_may_be_as_long_as_the_time_between_triggers(conversion, kept):
    """840 + 160 ns, a trigger a microsecond."""
    assert keeps_all(scenario(converter__conversion_time=conversion, **CLOCKED)) == kept


def test_triggers_that_jitter_may_bring_together_leave_a_lower_rate():
    """One may be 30 ns late and the next 20 ns early: 50 ns more than 900 + 160."""
    jitter = {"shape": "uniform", "low": "-20 ns", "high": "30 ns"}
    tried = scenario(converter__conversion_time="900 ns", trigger__jitter=jitter, **CLOCKED)
    assert float(Rates(tried, 1e-3).rate(0)) == pytest.approx(down(1110), rel=1e-9)


@pytest.mark.parametrize("name", ["converter", "acquisition", "forwarded", "returned", "host"])
def test_it_is_proven_there_and_the_next_rate_fails(name):
    changes, period = DESIGNS[name]
    tried = scenario(conversions=400, **changes)
    found = size(tried, "trigger-rate", at_most=1e-3, workers=1)
    assert (found.answer, found.known) == (pytest.approx(down(period), rel=1e-9), "proven")
    assert f"Proven to lose nothing: {found.text_of(found.answer)}." not in found.verdict
    faster = tried.with_value("trigger.rate", f"{1.003 * found.answer:.9g} Hz")
    again = size(faster, "trigger-rate", at_most=1e-3, workers=1)
    # The rate of the scenario itself makes no difference.
    assert again.answer == found.answer


def test_poisson_triggers_by_the_dead_time():
    """Share lost r T / (1 + r T), Knoll (from memory): 1060 ns and 0.02 make 19.25 kHz."""
    tried = scenario(conversions=4000, trigger__pattern="poisson", fifo__depth=50,
                     converter__conversion_time="900 ns", **CLOCKED)  # fmt: skip
    found = size(tried, "trigger-rate", at_most=0.02, budget=4_000_000, workers=1)
    assert found.units == "trials"
    assert found.answer == pytest.approx(0.02 / 0.98 / 1060e-9, rel=0.045)
    assert found.answer <= 0.02 / 0.98 / 1060e-9


def test_words_read_early_leave_no_rate():
    tried = scenario(conversions=400, fifo__release_bits=1, host__service_latency="0 ns",
                     host__clock="200 MHz")  # fmt: skip
    found = size(tried, "trigger-rate", at_most=1e-3, workers=1)
    assert found.answer is None
    assert found.none_will
    assert found.verdict.startswith("No trigger rate has a loss of at most 0.001: even at ")


SHIPPED = ["bench-supply", "desktop-host", "early-release", "kiln-recorder", "phase-monitor",
           "shallow-fifo", "three-ways", "winding-tester"]  # fmt: skip


@pytest.mark.parametrize("name", SHIPPED)
def test_of_shipped_scenarios(name):
    """An answer lies between what is proven and what the shortest cycle allows."""
    tried = load(SCENARIOS / f"{name}.toml")
    # A real computer's rare stalls take more boards than a test has.
    target = 0.3 if name == "desktop-host" else 0.05
    found = size(tried, "trigger-rate", at_most=target, budget=60_000, workers=1,
                 beyond_proof=True)  # fmt: skip
    if name == "early-release":
        assert found.none_will
        return
    assert found.meets, found.verdict
    converter = cycles(tried)[0]
    least = sum(p.mean if p.law is None else p.law.support[0] for p in converter.pieces)
    assert found.answer <= 1e15 / float(least) / (1 - target)
    if found.bound is not None:
        assert found.answer >= found.bound


def test_no_rate_is_tried_above_the_converters_own():
    rates = Rates(scenario(**DESIGNS["converter"][0]), 1e-3)
    assert (rates.low, float(rates.rate(rates.low))) == (0, down(1060))
    assert rates.proven == 0
    queue = queues.queue("periodic", queues.exponential(0.4), 1, conversions=4000)
    assert float(Rates(queue, 1e-3).rate(Rates(queue, 1e-3).low)) < 1e6


def test_a_cut_acquisition_is_a_loss():
    tried = scenario(conversions=400, **DESIGNS["acquisition"][0])
    short = tried.with_value("trigger.rate", "900 kHz")
    assert not count(short, Fate.MISSED_TRIGGER) + count(short, Fate.OVERRUN)
    found = size(short, "trigger-rate", at_most=1e-3, beyond_proof=True, workers=1)
    assert found.answer < 900e3


def test_each_rate_of_the_ladder_is_two_per_cent_below_the_one_before():
    """From the closed form on, 900 and 160 ns, each rounded down to four digits."""
    rates = Rates(scenario(converter__conversion_time="900 ns", **CLOCKED), 1e-3)
    found = [float(rates.rate(at)) for at in (-1, 0, 1, 2, 40)]
    assert found == [down(1060 * 1.02**at) for at in (-1, 0, 1, 2, 40)]
