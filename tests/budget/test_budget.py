"""Terms, margins, windows, signals, rates and verdicts, worked by hand."""

from __future__ import annotations

import json
import math
from fractions import Fraction

import numpy as np
import pytest

from simlink.base.errors import InputError
from simlink.budget import budget, dual_dirac, units
from simlink.budget.rates import latency
from simlink.budget.terms import Margin, Term, reach
from simlink.engines.event import EventEngine
from simlink.figures.cycle import cycles
from simlink.link import unit
from simlink.records import Fate
from simlink.scenario.distributions import Constant, Limits, Normal, Uniform
from simlink.scenario.writing import every_key
from tests.budget.budget_cases import SCHEMES, budget_of, clock_key, fixed, made

NS = 10**6


def term(law, enters="plus", **more):
    return Term("a term", "a.key", (law,), ("a.key",), enters, **more)


# Terms.


@pytest.mark.parametrize(
    ("enters", "nominal", "worst"), [("plus", 1, 5), ("minus", -1, 3), ("slower", 1, 5)]
)
def test_a_term_takes_its_worst_at_an_end_of_its_support(enters, nominal, worst):
    """Of -3 to 5 with a mean of 1: v, -v and max(0, v)."""
    one = term(Uniform(low=-3, high=5), enters)
    assert (one.nominal, one.worst) == (nominal, worst)


def test_the_faster_edge_counts_what_it_comes_early():
    one = term(Uniform(low=-3, high=5), "faster")
    assert (one.nominal, one.worst) == (0, 3)


def test_the_worst_lane_counts():
    laws = (Constant(value=2), Constant(value=-7), Constant(value=4))
    both = [Term("channel_skew", "k", laws, ("a", "b", "c"), way) for way in ("plus", "minus")]
    assert [one.worst for one in both] == [4, 7]
    assert [one.of({}) for one in both] == [4, 7]


def test_a_term_without_a_bound_has_no_worst_case():
    one = term(Normal(mean=0, sigma=3))
    margin = Margin("setup", "", Fraction(1), (one, term(Constant(value=5))))
    assert one.worst == math.inf
    assert margin.unbounded == [one]
    assert margin.reach(1e-12).short == math.inf
    assert margin.reach().highest == Fraction(10**15, 5)


# Which clocks keep a margin.


@pytest.mark.parametrize(
    ("periods", "fixed", "total", "highest", "lowest", "short"),
    [
        (1, 0, 40, Fraction(10**15, 40), None, None),
        (Fraction(1, 2), 0, 40, Fraction(10**15, 80), None, None),
        (1, 15, 40, Fraction(10**15, 25), None, None),
        (1, 0, -3, None, None, None),
        (0, 12, 10, None, None, None),
        (0, 0, 4, None, None, 4),
        # Half a period too many: the clock has to be at least so fast.
        (Fraction(-1, 2), 0, -30, None, Fraction(10**15, 60), None),
        (Fraction(-1, 2), 0, 2, None, None, 2),
    ],
)
def test_reach(periods, fixed, total, highest, lowest, short):
    found = reach(Fraction(periods), fixed, Fraction(total))
    assert (found.highest, found.lowest, found.short) == (highest, lowest, short)


def test_a_clock_that_is_fast_by_its_tolerance_has_less_time():
    found = reach(Fraction(1), 0, Fraction(40), off=10**10)  # 1 %
    assert found.highest == Fraction(10**15, 40) / Fraction(101, 100)


# Jitter.


def test_q_leaves_the_bit_error_ratio_in_one_tail():
    for ber in (1e-3, 1e-6, 1e-12, 1e-15):
        q = dual_dirac.q_factor(ber)
        assert dual_dirac.error_ratio(q, 1.0) == pytest.approx(ber, rel=1e-9)


@pytest.mark.parametrize("ber", [0.0, -1.0, 0.51, float("nan")])
def test_a_bit_error_ratio_that_is_none(ber):
    with pytest.raises(ValueError, match="bit-error ratio"):
        dual_dirac.q_factor(ber)


def test_random_jitter_adds_as_squares_and_bounded_jitter_arithmetically():
    """Two edges of sigma 3 and 4 ps with 10 ps peak to peak each: 10 ps and Q x 5 ps."""
    values = {
        "barrier.forward.jitter": mixture(5, 3),
        "barrier.return.jitter": mixture(5, 4),
        "host.setup": "1 ns",
    }
    setup = budget_of(values, ber=1e-9).margin("setup")
    q = dual_dirac.q_factor(1e-9)
    assert setup.rms_jitter == pytest.approx(5000)
    assert float(setup.worst(1e-9)) == pytest.approx(NS + 2 * 5000 + q * 5000, abs=1)
    assert float(setup.nominal) == NS


def mixture(half, sigma):
    parts = [
        {
            "weight": 1,
            "of": {"shape": "normal", "mean": f"{way * half} ps", "sigma": f"{sigma} ps"},
        }
        for way in (-1, 1)
    ]
    return {"shape": "mixture", "parts": parts}


def test_bounded_jitter_takes_its_end_and_no_q():
    jitter = {"shape": "uniform", "low": "-200 ps", "high": "300 ps"}
    one = budget_of({"barrier.return.jitter": jitter, "barrier.return.delay": "1 ns"})
    setup, hold = one.margin("setup"), one.margin("hold")
    assert setup.random(1e-12) == 0
    assert (setup.worst(1e-12), hold.worst(1e-12)) == (NS + 300_000, -NS + 200_000)


def test_jitter_that_is_neither_bounded_nor_normal_is_refused():
    jitter = {"shape": "exponential", "mean": "20 ps"}
    scenario = made({"barrier.return.jitter": jitter})
    with pytest.raises(InputError, match=r"^barrier.return.jitter: got exponential; .*dual-Dirac"):
        budget(scenario).to_dict()


# The chains.

PARTS = {
    "converter.data_valid": {"shape": "limits", "low": "2 ns", "typical": "5 ns", "high": "8 ns"},
    "converter.data_hold": {"shape": "uniform", "low": "1 ns", "high": "2 ns"},
    "converter.msb_valid": "3 ns",
    "barrier.forward.delay": "11 ns",
    "barrier.forward.part_to_part_skew": {"shape": "uniform", "low": "-1 ns", "high": "2 ns"},
    "barrier.return.delay": "12 ns",
    "barrier.return.part_to_part_skew": {"shape": "uniform", "low": "-3 ns", "high": "1 ns"},
    "barrier.channel_skew": {"shape": "uniform", "low": "-400 ps", "high": "500 ps"},
    "barrier.forward.pulse_width_distortion": {"shape": "uniform", "low": "-1 ns", "high": "2 ns"},
    "barrier.return.pulse_width_distortion": {"shape": "uniform", "low": "-3 ns", "high": "4 ns"},
    "barrier.forward.min_pulse": "5 ns",
    "barrier.return.min_pulse": "6 ns",
    "fifo.sync_delay": "4 ns",
    "host.setup": "2 ns",
    "host.hold": "1 ns",
    "remote_clock.start_delay": {"shape": "uniform", "low": "1 ns", "high": "2 ns"},
    "remote_clock.setup": "1.5 ns",
    "remote_clock.hold": "700 ps",
}


@pytest.mark.parametrize(
    ("scheme", "margin", "interval", "worst"),
    [
        # 11 + 2 + .5 + 2 + 8 + 12 + 1 + .5 + 4 + 2 of half a period.
        ("forwarded_clock", "setup", 25, 43),
        # 1 - (11 - 1 - .4 - 1 + 1 + 12 - 3 - .4 - 3): half a period and all this.
        ("forwarded_clock", "hold", 25, -14.2),
        ("forwarded_clock", "forward clock, high pulse", 25, 6),
        ("forwarded_clock", "forward clock, low pulse", 25, 7),
        # 3 + .5 + .4 + 3 - 4 - 300 + 2.
        ("forwarded_clock", "first bit", 25, -295.1),
        # 2 + 8 + .5 + .4 + 4 + 2.
        ("returned_clock", "setup", 25, 16.9),
        # 1 - 1 + .4 + .5 + 3 + 1.
        ("returned_clock", "hold", 25, 4.9),
        # 3 + .5 + .4 - 10 + .4 - 9 + .4 + 3 - 4 - 300 + 2.
        ("returned_clock", "first bit", 25, -313.3),
        # Distortion adds from both crossings: 1 + 3 + 6 and 2 + 4 + 6.
        ("returned_clock", "returned clock, high pulse", 25, 10),
        ("returned_clock", "returned clock, low pulse", 25, 12),
        ("remote_master", "setup", 25, 9.5),
        ("remote_master", "hold", 25, -0.3),
        # 3 + 1.5 - 1.
        ("remote_master", "first bit", 25, 3.5),
        # The strobe beside the data: .5 + .4 + 4 and .4 + .5 + 3.
        ("remote_master", "lane to strobe, setup", 25, 4.9),
        ("remote_master", "lane to strobe, hold", 25, 3.9),
        ("remote_master", "strobe, high pulse", 25, 9),
    ],
)
def test_the_worst_case_of_each_chain(scheme, margin, interval, worst):
    """Worked by hand from the ends of the laws, in ns, half-period capture at 20 MHz."""
    found = budget(made(PARTS), trials=1)[scheme].margin(margin)
    assert float(found.interval(Fraction(20 * 10**6))) == interval * NS
    assert float(found.worst(1e-12)) == pytest.approx(worst * NS)


@pytest.mark.parametrize(
    ("scheme", "capture", "margin", "interval", "worst"),
    [
        # Nothing of the forward distortion; 8 + .5 + .4 + 3 + 2.
        ("returned_clock", "whole", "setup", 50, 13.9),
        # 1 - 1 + .4 + .5 + 4: a race in which the clock has no part.
        ("returned_clock", "whole", "hold", 0, 4.9),
        # Captured at a falling edge, which comes early by 1 + 3 at the worst.
        ("returned_clock", "whole", "first bit", 50, -309.3),
        ("forwarded_clock", "whole", "setup", 50, 43),
        ("forwarded_clock", "whole", "hold", 0, -14.2),
        ("forwarded_clock", 3, "setup", 75, 43),
        ("forwarded_clock", 3, "hold", -25, -14.2),
        ("forwarded_clock", "44 ns", "setup", 44, 43),
        ("forwarded_clock", "44 ns", "hold", 6, -14.2),
    ],
)
def test_other_captures(scheme, capture, margin, interval, worst):
    found = budget(made(PARTS | {"host.capture": capture}), trials=1)[scheme].margin(margin)
    assert float(found.interval(Fraction(20 * 10**6))) == interval * NS
    assert float(found.worst(1e-12)) == pytest.approx(worst * NS)


@pytest.mark.parametrize(
    ("scheme", "capture", "margin", "late"),
    [
        ("forwarded_clock", "half", "setup", 500),
        ("forwarded_clock", "half", "hold", 150),
        ("forwarded_clock", "half", "first bit", 400),
        ("forwarded_clock", "half", "forward clock, high pulse", 250),
        ("forwarded_clock", "half", "forward clock, low pulse", 250),
        # The launching and the capturing edge cross forward at different times.
        ("returned_clock", "half", "setup", 650),
        ("returned_clock", "half", "hold", 650),
        ("returned_clock", "half", "first bit", 550),
        ("returned_clock", "whole", "setup", 650),
        # The edge that captures is the one that launches the next bit.
        ("returned_clock", "whole", "hold", 400),
        ("returned_clock", "whole", "returned clock, high pulse", 650),
        ("returned_clock", "whole", "returned clock, low pulse", 650),
        ("remote_master", "half", "setup", 0),
        ("remote_master", "half", "lane to strobe, setup", 400),
        ("remote_master", "half", "lane to strobe, hold", 400),
        ("remote_master", "half", "strobe, high pulse", 400),
        ("remote_master", "half", "strobe, low pulse", 400),
    ],
)
def test_each_edge_jitters_by_itself(scheme, capture, margin, late):
    """Forward -50 to 200 ps and return -100 to 300 ps: what the worst ends add, in ps."""
    jitter = {
        "barrier.forward.jitter": {"shape": "uniform", "low": "-50 ps", "high": "200 ps"},
        "barrier.return.jitter": {"shape": "uniform", "low": "-100 ps", "high": "300 ps"},
    }
    values = PARTS | {"host.capture": capture}
    still, moving = (
        budget(made(parts), trials=1)[scheme].margin(margin) for parts in (values, values | jitter)
    )
    assert moving.worst(1e-12) - still.worst(1e-12) == late * 1000


def test_every_term_comes_from_a_key_of_the_scenario_and_the_rows_add_up():
    scenario = made(PARTS | {"barrier.return.jitter": normal_jitter("50 ps")})
    known = set(every_key())
    for one in budget(scenario, trials=1).values():
        rows = list(one.rows())
        for margin in one.margins:
            mine = [row for row in rows if row["margin"] == margin.name]
            total = math.fsum(row["worst"] for row in mine)
            left = float(margin.left_at_worst(one.clock, one.ber)) / 1e15
            assert float(margin.interval(one.clock, margin.worst_off)) / 1e15 - total == (
                pytest.approx(left, abs=1e-18)
            )
            assert {row["from"] for row in mine[: len(margin.terms)]} <= known


def normal_jitter(sigma):
    return {"shape": "normal", "mean": "0 ps", "sigma": sigma}


def test_a_list_of_skews_names_the_lanes_alone():
    values = {"frame.lanes": 2, "barrier.return.channel_skew": ["-300 ps", "700 ps"]}
    values["barrier.return.delay"] = "1 ns"
    one = budget_of(values | {"link.scheme": "returned_clock"})
    assert float(one.margin("setup").worst(1e-12)) == 700_000
    assert float(one.margin("hold").worst(1e-12)) == 300_000
    own = [term for term in one.margin("setup").terms if term.name == "returned clock skew"]
    assert own[0].worst == 0


# Signals and channels.


@pytest.mark.parametrize(
    ("changed", "counts"),
    [
        ({}, (4, 5, 3)),
        ({"frame.lanes": 4}, (7, 8, 6)),
        ({"trigger.source": "remote"}, (3, 4, 2)),
        ({"fifo.when_full": "stall"}, (4, 5, 4)),
    ],
)
def test_signals(changed, counts):
    found = budget(made(changed), trials=1)
    assert tuple(found[scheme].signals.count for scheme in SCHEMES) == counts


def test_packets_and_a_self_clocking_line_need_no_strobe():
    packets = {
        "link.scheme": "remote_master",
        "barrier.return.style": "packets",
        "barrier.return.packet_bits": 5,
        "barrier.return.line_rate": "50 Mbit/s",
    }
    for values in (packets, {"barrier.return.strobe": False}):
        one = budget(made(values), trials=1)["remote_master"]
        assert one.signals.back == {"data": 1}
        assert not any("strobe" in margin.name for margin in one.margins)


def test_too_few_channels_at_hand():
    found = budget(made({"barrier.channels": 4}), trials=1)
    assert "5 channels and barrier.channels is 4, 1 too few" in found.sentence
    (said,) = found["returned_clock"].refusals()
    assert said == "5 isolation channels are 1 more than barrier.channels = 4"


def test_a_clock_above_a_channels_rate_says_what_it_asks_and_by_how_much():
    scenario = made({"barrier.line_rate": "50 Mbit/s"})
    found = budget(scenario, trials=1)["returned_clock"]
    assert found.worst.highest == 25 * 10**6
    assert found.worst.by == "line rate of the clock"
    said = found.refusals(Fraction(40 * 10**6))
    for name in ("the clock", "the returned clock"):
        expected = f"{name} at 40 MHz asks for 80 Mbit/s, 30 Mbit/s more than barrier.line_rate"
        assert expected in said
    with pytest.raises(InputError, match=r"barrier.line_rate: .*30 Mbit/s more"):
        scenario.with_value("host.clock", "40 MHz")


def test_a_swallowed_pulse_names_the_term_at_fault():
    parts = {"barrier.forward.min_pulse": "24 ns", "barrier.pulse_width_distortion": "2 ns"}
    (said,) = [one for one in budget_of(parts).refusals() if "pulse" in one]
    assert said.startswith(
        "forward clock, low pulse is 1 ns short at 20 MHz: shortest pulse "
        "(barrier.forward.min_pulse) takes 24 ns of 26 ns; a pulse of the clock is too short"
    )


def test_a_hold_that_no_clock_cures_says_so():
    parts = {"link.scheme": "returned_clock", "host.capture": "whole", "host.hold": "3 ns"}
    one = budget_of(parts | {"converter.data_hold": "1 ns", "host.clock": "1 MHz"})
    (said,) = one.refusals()
    assert said.startswith("hold is 2 ns short at 1 MHz, and no clock cures it: host hold")
    assert one.used is None
    assert one.sample_rate is None
    assert not one.worst.is_open


# Rates and latency.


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("capture", ["half", "whole"])
def test_latency_is_that_of_the_simulation(scheme, capture):
    section = "remote_clock" if scheme == "remote_master" else "host"
    parts = {
        "link.scheme": scheme,
        f"{section}.capture": capture,
        "barrier.forward.delay": "11 ns",
        "barrier.return.delay": "7 ns",
        "barrier.forward.pulse_width_distortion": "1 ns",
        "barrier.return.pulse_width_distortion": "500 ps" if section == "host" else "0 ps",
        "barrier.forward.channel_skew": fixed("300 ps"),
        "barrier.return.channel_skew": ["200 ps"],
        "fifo.sync_delay": "21 ns",
        "remote_clock.start_delay": "5 ns",
        "converter.data_hold": "2 ns",
        # A host's read that ends after the returned clock's last edge is back.
        "host.clock": "5 MHz" if scheme == "remote_master" else "16 MHz",
    }
    one = budget_of(parts)
    (block,) = EventEngine().run(one.scenario, range(1), words=False)
    assert (block.fate == Fate.DELIVERED).all()
    seen = int(block.read_end[0, 0] - block.trigger[0, 0])
    span = sum(span.mean for span in one.latency)
    assert abs(seen - span) <= 3
    assert abs(seen - sum(span.largest for span in one.latency)) <= 3


@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_highest_sample_rate_is_where_the_simulation_misses_its_first_trigger(scheme):
    parts = {
        "link.scheme": scheme,
        "conversions": 40,
        "barrier.forward.delay": "11 ns",
        "barrier.return.delay": "7 ns",
        "barrier.forward.pulse_width_distortion": "1 ns",
        "fifo.sync_delay": "21 ns",
        "fifo.depth": 40,
        "remote_clock.start_delay": "5 ns",
        "converter.data_hold": "2 ns",
        "host.clock": "10 MHz",
        "host.service_latency": "30 ns",
        "remote_clock.frequency": "3 MHz" if scheme == "remote_master" else "20 MHz",
    }
    rate = budget_of(parts).sample_rate
    for ratio, kept in ((0.9995, True), (1.0005, False)):
        scenario = made(parts | {"trigger.rate": f"{round(float(rate) * ratio)} Hz"})
        (block,) = EventEngine().run(scenario, range(1), words=False)
        assert bool((block.fate == Fate.DELIVERED).all()) == kept


def test_the_host_limits_a_remote_master_on_average():
    """A service and a read of 5 bits at 10 MHz take 800 ns; the converter 750 ns."""
    values = {"link.scheme": "remote_master", "host.clock": "10 MHz"}
    assert budget_of(values).sample_rate == Fraction(10**15, 800 * NS)
    shared = budget_of(values | {"host.watermark": 2})
    assert shared.sample_rate == Fraction(10**15, 750 * NS)


def test_packets_have_to_fit_the_line():
    values = {
        "link.scheme": "remote_master",
        "barrier.return.style": "packets",
        "barrier.return.packet_bits": 5,
        "barrier.return.overhead_bits": 5,
        "barrier.return.line_rate": "5 Mbit/s",
    }
    one = budget_of(values)
    assert one.sample_rate == 500 * 10**3
    found = budget(made(values | {"trigger.rate": "600 kHz"}), trials=1)
    assert (
        "the remote master does not: the return line takes 2 us, 333.3 ns longer than the "
        "trigger period" in found.sentence
    )


PACKETS = {
    "link.scheme": "remote_master",
    "barrier.return": {
        "delay": "7 ns", "style": "packets", "packet_bits": 2, "overhead_bits": 3,
        "line_rate": "40 Mbit/s",
    },
    "host.clock": "5 MHz",
}  # fmt: skip


def test_a_crossing_of_the_way_counts_its_latest_edge():
    """9 ns and jitter from -1 to 3 ns, 1 on average."""
    jitter = {"shape": "uniform", "low": "-1 ns", "high": "3 ns"}
    scenario = made({"barrier.forward.delay": "9 ns", "barrier.forward.jitter": jitter})
    first = latency(scenario, "remote_master", Fraction(20 * 10**6))[0]
    assert (first.mean, first.largest) == (10 * NS, 12 * NS)


@pytest.mark.parametrize(
    ("frequency", "release", "clocking", "waiting"),
    [
        # Captured at 25, 75 ... 225 ns at 20 MHz; 2, 2 and 1 bits are full at 75, 175 and 225,
        # and take 125, 125 and 100 ns of the line: it is free at 200, 325 and 425.
        ("20 MHz", 5, 225, 200),
        ("20 MHz", 3, 125, 200),
        ("20 MHz", 1, 25, 175),
        # At 4 MHz the line waits for the bits: full at 375, 875 and 1125.
        ("4 MHz", 4, 875, 125),
        ("4 MHz", 5, 1125, 100),
    ],
)
def test_a_packet_is_filled_and_waits_for_the_line(frequency, release, clocking, waiting):
    clock = {"remote_clock.frequency": frequency, "fifo.release_bits": release}
    one = budget_of(PACKETS | clock)
    spans = {piece.name: piece for piece in one.latency}
    assert spans["clock up to the release bit"].mean == clocking * NS
    assert spans["packet filling and line"].mean == waiting * NS
    (block,) = EventEngine().run(one.scenario, range(1), words=False)
    seen = int(block.read_end[0, -1] - block.trigger[0, -1])
    assert seen == sum(piece.mean for piece in one.latency)


def test_a_slow_clock_fills_packets_later():
    """1 % slow: full at 225 ns / 0.99, or held up by the line all the same."""
    off = {"shape": "uniform", "low": "-1 %", "high": "0 %"}
    values = PACKETS | {"remote_clock.tolerance": off, "fifo.release_bits": 5}
    spans = {piece.name: piece for piece in budget_of(values).latency}
    clocking, waiting = spans["clock up to the release bit"], spans["packet filling and line"]
    assert abs(clocking.largest - Fraction(22500, 99) * NS) <= 1
    # The first packet is full at 75 / 0.99, from where the line is taken for 350 ns.
    assert abs(clocking.largest + waiting.largest - (350 + Fraction(7500, 99)) * NS) <= 1


def test_run_and_budget_agree_on_the_host():
    """Reads end at 2625, 2750 and 2875 ns, before the fourth frame: 2500 ns serve three."""
    values = {
        "link.scheme": "remote_master", "trigger.rate": "1 MHz", "host.drain": True,
        "host.service_latency": "2500 ns", "fifo.depth": 4,
    }  # fmt: skip
    one = budget_of(values | {"host.clock": "40 MHz"})
    host = one.cycles()[-1]
    assert (host.pieces[0].name, host.mean) == ("service latency / 3", Fraction(2875, 3) * NS)
    # The converter's 750 ns are longer than the 656.25 ns at which the FIFO would overrun.
    assert float(host.least_period) == pytest.approx((2500 + 125) / 4 * NS, rel=1e-6)
    assert one.sample_rate == Fraction(10**15, 750 * NS)
    found = budget(made(values | {"host.service_latency": "4500 ns"}), trials=1)
    assert "the host's read takes" in found.sentence


def test_acquisition_may_be_what_the_converter_waits_for():
    one = budget_of({"converter.acquisition_time": "2 us", "link.scheme": "remote_master"})
    # 500 ns, then 2 us of which the readout of 5 bits at 20 MHz fills 250 ns.
    named = [(piece.name, piece.mean) for piece in one.cycles()[0].pieces]
    assert named == [
        ("conversion", 500 * NS),
        ("readout", 250 * NS),
        ("rest of acquisition", 1750 * NS),
    ]
    assert one.sample_rate == Fraction(10**15, 2500 * NS)


def test_a_latency_without_a_bound_counts_by_the_share_of_cycles_that_fit():
    latency = {"shape": "exponential", "mean": "300 ns"}
    values = {"host.service_latency": latency, "trigger.rate": "500 kHz"}
    scenario = made(values)
    found = budget(scenario, trials=1)
    # 500 + latency + 250 ns of 2 us: 1 - exp(-1250 / 300) fit.
    cycle = cycles(scenario, "forwarded_clock", Fraction(20 * 10**6))[0]
    share = cycle.in_time(Fraction(2000 * NS), seed=1)
    expected = 1 - math.exp(-1250 / 300)
    assert abs(share - expected) < 4 * math.sqrt(expected * (1 - expected) / 2**16)
    assert found.meets["forwarded_clock"] is False
    assert "service latency has no bound" in found.sentence


# Units.

NORMALS = {
    "seed": 5,
    "barrier.forward.delay": "14 ns",
    "barrier.return.delay": "14 ns",
    "converter.data_valid": "9 ns",
    "host.setup": "3 ns",
    "barrier.forward.part_to_part_skew": {"shape": "normal", "mean": "0 ps", "sigma": "600 ps"},
    "barrier.return.part_to_part_skew": {"shape": "normal", "mean": "100 ps", "sigma": "700 ps"},
    "barrier.channel_skew": {"shape": "normal", "mean": "0 ps", "sigma": "300 ps"},
    "barrier.forward.pulse_width_distortion": {
        "shape": "normal",
        "mean": "-100 ps",
        "sigma": "200 ps",
    },
    "host.capture": "whole",
}


@pytest.mark.parametrize("deviations", [-1.0, 0.5, 2.0])
@pytest.mark.parametrize("lanes", [1, 4])
def test_yield_agrees_with_the_normal_tail(deviations, lanes):
    """All spreads normal: units that keep setup, against Phi of the margin over its sigma."""
    from scipy.integrate import quad
    from scipy.stats import norm

    sigma = math.sqrt(600**2 + 700**2 + 300**2 + 200**2)
    interval = 40_000 + deviations * sigma
    scenario = made(NORMALS | {"frame.lanes": lanes})
    count = 3000
    one = budget(scenario, trials=count)["forwarded_clock"]
    clock = Fraction(10**15) / Fraction(interval * 1000)
    found = one.yield_at(clock)

    def kept(common):
        return norm.pdf(common) * norm.cdf((deviations * sigma - sigma * common) / 300) ** lanes

    expected = norm.cdf(interval - 40_000, scale=math.hypot(sigma, 300))
    if lanes > 1:
        expected = quad(kept, -8, 8)[0]
    assert found.exact
    assert found.normal["setup"] == pytest.approx(expected, abs=1e-9)
    lost = abs(found.working - count * expected)
    assert lost < 4 * math.sqrt(count * expected * (1 - expected))
    assert found.low < found.share < found.high


def test_the_statistical_clock_has_the_yield_that_was_asked_for():
    one = budget(made(NORMALS), trials=1, wanted_yield=0.99)["forwarded_clock"]
    assert not one.has_worst_case
    assert one.worst.highest is None
    assert one.yield_at(one.statistical).normal_least == pytest.approx(0.99, abs=2e-4)
    assert one.yield_at(one.statistical * Fraction(101, 100)).normal_least < 0.99
    assert one.used == min(one.clock, one.statistical)


def test_a_clock_for_a_share_of_boards_may_lie_between_too_slow_and_too_fast():
    """A period has to be 40 ns at least, 25 MHz, and half of one 22 ns at the most, 22.7 MHz."""
    fast = Margin("setup", "", Fraction(1), (term(Constant(value=40 * NS)),))
    slow = Margin("hold", "", Fraction(-1, 2), (), fixed=22 * NS)
    found = units.clock_for_yield([fast, slow], 0.5, 1e-12, Fraction(20 * 10**6))
    assert 25e6 * (1 - 1e-4) <= found <= 25e6


def test_the_units_are_those_that_a_run_builds():
    scenario = made(
        PARTS
        | {"trials": 8, "frame.lanes": 3, "remote_clock.tolerance": ratio(), "host.setup": wide()}
    )
    built = units.BuiltUnits(scenario.seed, 8)
    for one in budget(scenario, trials=8).values():
        for margin in one.margins:
            drawn = built.values(t for t in margin.terms if t.drawn == "unit")
            if margin.tolerance is not None:
                drawn = built.values([margin.tolerance])
    run = unit.build(scenario, range(8))
    assert np.array_equal(drawn["converter.data_hold"], run.data_hold)
    assert np.array_equal(drawn["host.setup"], run.host_setup)
    clock = drawn["barrier.forward.spread"] + drawn["barrier.forward.skew clock"] + 11 * NS
    assert np.array_equal(clock, run.clock)
    shared = drawn["barrier.return.spread"] + 12 * NS
    assert np.array_equal(shared + drawn["barrier.return.skew clock"], run.returned)
    assert np.array_equal(shared + drawn["barrier.return.skew busy"], run.busy)
    for name in ("returned_distortion", "busy_distortion"):
        longer = drawn["barrier.return.pulse_width_distortion"]
        assert np.array_equal(longer, getattr(run, name))
    for lane in range(3):
        assert np.array_equal(
            shared + drawn[f"barrier.return.skew lane {lane}"], run.lanes[:, lane]
        )


def ratio():
    return {"shape": "uniform", "low": "-100 ppm", "high": "100 ppm"}


def wide():
    return {"shape": "uniform", "low": "1 ns", "high": "3 ns"}


def test_moments_of_a_term_that_enters_crooked():
    """max(0, v) of v uniform on -1 ... 1: mean 1/4, variance 1/6 - 1/16."""
    law = Uniform(low=-(10**6), high=10**6)
    margin = Margin("setup", "", Fraction(1), (term(law, "slower"),))
    found = units.moments(margin, 1e-12)
    assert found.taken == pytest.approx(0.25e6, rel=0.02)
    assert found.variance == pytest.approx((1 / 6 - 1 / 16) * 1e12, rel=0.02)
    assert not found.exact


def test_a_clock_that_is_off_by_what_each_board_draws_leaves_no_normal_spread():
    """The time that it has goes with 1 / (1 + t): moments alone are known of that."""
    own = term(Normal(mean=0, sigma=1000))
    for off, exact in ((Constant(value=10**8), True), (Normal(mean=0, sigma=10**8), False)):
        margin = Margin("setup", "", Fraction(1), (own,), tolerance=term(off))
        assert units.moments(margin, 1e-12).at(Fraction(10**7)).exact == exact


# Verdicts.


def test_the_sentence_names_who_meets_the_rate_and_what_is_at_fault_elsewhere():
    parts = {
        "trigger.rate": "900 kHz",
        "barrier.forward.delay": "20 ns",
        "barrier.return.delay": "18 ns",
        "converter.data_valid": "4 ns",
        "remote_clock.frequency": "50 MHz",
        "fifo.sync_delay": "20 ns",
    }
    found = budget(made(parts), trials=1)
    assert found.sentence == (
        "The returned clock meets 900 kHz at 20 MHz; the remote master meets 900 kHz at 50 MHz "
        "(the FIFO's depth is judged by a run); "
        "the forwarded clock does not: held to 11.9 MHz by setup (forward delay "
        "(barrier.forward.delay) takes 20 ns of 42 ns), the converter's cycle takes 1.278 us, "
        "166.9 ns longer than the trigger period; conversion is the most of it, 500 ns."
    )
    assert found.meets == {"forwarded_clock": False, "returned_clock": True, "remote_master": True}


def test_a_slower_clock_may_still_meet_the_rate():
    parts = {"barrier.forward.delay": "20 ns", "barrier.return.delay": "20 ns"}
    found = budget(made(parts), trials=1)
    assert found.meets["forwarded_clock"]
    assert "forwarded clock meets 20 kHz slowed to 12.5 MHz by setup" in found.sentence


def test_no_rate_is_asked_for_when_triggers_wait_for_the_host():
    loop = {"trigger.pattern": "after_read", "trigger.gap": "1 us", "trigger.rate": None}
    found = budget(made(loop | {"host.timeout": "50 us"}), trials=1)
    assert found.sentence.startswith("No rate is asked for")
    assert set(found.meets.values()) == {None}


def test_a_late_capture_wants_a_clock_that_is_fast_enough():
    parts = {"host.capture": 3, "barrier.forward.delay": "20 ns", "barrier.return.delay": "20 ns"}
    one = budget_of(parts | {"host.clock": "5 MHz"})
    assert one.worst.lowest == Fraction(10**15, 2 * 40 * NS)
    assert one.used is None
    (said,) = one.refusals()
    assert said.startswith("hold is 60 ns short at 5 MHz, and a faster clock is needed")


@pytest.mark.parametrize(
    ("forward", "back", "most"),
    [
        (10, 30, "return delay (barrier.return.delay) gives 30 ns"),
        (30, 10, "forward delay (barrier.forward.delay) gives 30 ns"),
    ],
)
def test_what_gives_the_most_to_a_margin_is_named_where_nothing_takes(forward, back, most):
    """T / 2 of 5 MHz is 100 ns, and 40 ns of round trip leave the hold 60 short."""
    parts = {"barrier.forward.delay": f"{forward} ns", "barrier.return.delay": f"{back} ns"}
    one = budget_of(parts | {"host.capture": 3, "host.clock": "5 MHz"})
    assert one.fault(one.margin("hold")) == most


def test_every_budget_is_json_and_a_table():
    for scheme in SCHEMES:
        found = budget(made(NORMALS | {"link.scheme": scheme}), trials=3)
        again = json.loads(found.to_json())
        assert list(again) == [
            "title", "scheme", "rate", "seed", "bit_error_ratio", "q", "wanted_yield", "verdict",
            "meets_rate", "schemes", "cautions",
        ]  # fmt: skip
        assert (again["scheme"], again["seed"]) == (scheme, 5)
        assert list(again["schemes"]) == list(SCHEMES)
        assert again["cautions"]
        frame = found.to_pandas()
        assert list(frame.columns) == ["scheme", "margin", "term", "nominal", "worst", "from"]
        assert set(frame["scheme"]) == set(SCHEMES)
        assert found._repr_html_() == f"<p><b>{found.sentence}</b></p>{frame.to_html()}"


def test_limits_have_a_worst_and_a_typical_value():
    one = term(Limits(low=1, typical=2, high=9))
    assert (one.nominal, one.worst) == (4, 9)
    assert clock_key("remote_master") == "remote_clock.frequency"


def test_a_returned_clock_that_is_soon_back_ends_with_the_host_s_own():
    """Half a period of 62.5 ns is longer than the way out and back: 5 periods from the start."""
    near = {"link.scheme": "returned_clock", "host.clock": "8 MHz", "barrier.return.delay": "20 ns"}
    for way, longer in (("20 ns", 62.5), ("50 ns", 70.0)):
        one = budget_of(near | {"barrier.forward.delay": way})
        back = next(span for span in one.latency if span.name.startswith("clock out and back"))
        assert float(back.mean) == float(back.largest) == longer * 10**6
        (block,) = EventEngine().run(one.scenario, range(1), words=False)
        seen = int(block.read_end[0, 0] - block.trigger[0, 0])
        assert seen == sum(span.largest for span in one.latency)


def test_a_frame_waits_for_the_line_that_the_one_ahead_keeps():
    """Bits of 20 ns, each a packet of 100 ns; a trigger each 400 ns.

    Four bits keep the line for just as long as it has; six never let it be free again. Ten bits in
    1 us, and an eleventh 20 ns after them, are gone before the first ten of the next 1.1 us later.
    """
    packets = {
        "link.scheme": "remote_master",
        "remote_clock.frequency": "50 MHz",
        "converter.conversion_time": "100 ns",
        "trigger.rate": "2.5 MHz",
        "frame.word_bits": 4,
        "barrier.return.style": "packets",
        "barrier.return.packet_bits": 1,
        "barrier.return.line_rate": "10 Mbit/s",
    }

    def waits(values):
        found = budget_of(packets | values).latency
        return next(span.largest for span in found if span.name.startswith("line taken"))

    assert waits({}) == 0
    assert waits({"frame.word_bits": 6}) == float("inf")
    late = {"frame.word_bits": 11, "barrier.return.packet_bits": 10, "trigger.rate": "900 kHz"}
    assert waits(late | {"barrier.return.line_rate": "10 Mbit/s"}) == 0


def test_triggers_at_random_are_met_by_no_cycle_that_lasts():
    found = budget(made({"trigger.pattern": "poisson"}), trials=1)
    assert set(found.meets.values()) == {False}
    assert "triggers at random come arbitrarily close together" in found.sentence


def test_jitter_shortens_the_time_between_triggers():
    """50 us, less 20 either side: 10 us are left for a cycle of 750 ns and not for one of 11."""
    jitter = {"shape": "uniform", "low": "-20 us", "high": "20 us"}
    parts = {"link.scheme": "remote_master", "trigger.jitter": jitter}
    for conversion, meets in (("9 us", True), ("11 us", False)):
        found = budget(made(parts | {"converter.conversion_time": conversion}), trials=1)
        assert found.meets["remote_master"] is meets
