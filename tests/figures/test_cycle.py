"""What each side needs for a frame and has for it, worked by hand."""

import math
from fractions import Fraction

import pytest

from simlink.figures.cycle import (
    Cycle,
    Piece,
    arrivals,
    crossing,
    cycles,
    late_jitter,
    periods,
    shortest_spacing,
    trigger_jitter,
)
from simlink.scenario.distributions import Constant, Exponential
from simlink.scenario.loading import from_dict

NS = 10**6


def scenario(**changes):
    raw = {
        "link": {"scheme": "remote_master"},
        "trigger": {"rate": "1 MHz"},
        "frame": {"word_bits": 8},
        "converter": {"conversion_time": "200 ns"},
        "remote_clock": {"frequency": "50 MHz"},
        "fifo": {"depth": 4},
        "host": {"clock": "40 MHz", "service_latency": "700 ns"},
    }
    return from_dict(raw).with_values({key.replace("__", "."): v for key, v in changes.items()})


def told(cycle):
    return [(piece.name, float(piece.mean / NS)) for piece in cycle.pieces]


def test_the_sides_of_a_remote_master():
    """200 and 8 bits at 50 MHz, 160 ns; 700 and 8 bits at 40 MHz, 200 ns."""
    converter, host = cycles(scenario())
    assert (converter.side, host.side) == ("converter", "host")
    assert told(converter) == [("conversion", 200), ("readout", 160)]
    assert told(host) == [("service latency", 700), ("read", 200)]
    assert (converter.mean, converter.slack) == (360 * NS, 640 * NS)
    assert (host.mean, host.slack) == (900 * NS, 100 * NS)
    assert (converter.buffered, host.buffered) == (False, True)


def test_what_is_left_of_the_acquisition_counts():
    """It runs beside start delay and readout, 12 + 160 ns: 300 leaves 128, 172 nothing."""
    some = {"remote_clock__start_delay": "12 ns"}
    first, _ = cycles(scenario(converter__acquisition_time="300 ns", **some))
    assert told(first)[1:] == [
        ("start delay", 12), ("readout", 160), ("rest of acquisition", 128),
    ]  # fmt: skip
    assert first.mean == 500 * NS
    first, _ = cycles(scenario(converter__acquisition_time="172 ns", **some))
    assert told(first)[1:] == [("start delay", 12), ("readout", 160)]
    # At the most 400 ns against 12 + 160, though it is less than that on average.
    limits = {"shape": "limits", "low": "10 ns", "typical": "12 ns", "high": "400 ns"}
    first, _ = cycles(scenario(converter__acquisition_time=limits, **some))
    assert (first.mean, first.largest) == (372 * NS, 600 * NS)


def test_a_slow_remote_clock_makes_the_readout_longer():
    """1 % slow: 160 ns / 0.99; the mean is that of the clock as it is named."""
    off = {"shape": "uniform", "low": "-1 %", "high": "0.5 %"}
    converter, _ = cycles(scenario(remote_clock__tolerance=off))
    assert converter.mean == 360 * NS
    assert converter.largest == (200 + Fraction(16000, 99)) * NS


def test_the_time_for_a_frame():
    assert periods(scenario()) == (1000 * NS, 1000 * NS)
    off = {"shape": "uniform", "low": "-1 %", "high": "3 %"}
    timer = scenario(trigger__tolerance=off)
    assert periods(timer) == (Fraction(100_000, 101) * NS,) * 2
    assert periods(timer, fastest=True) == (Fraction(100_000, 103) * NS,) * 2
    for scheme in ("remote_master", "forwarded_clock"):
        one = cycles(timer, scheme)[0]
        assert one.period == Fraction(100_000, 101) * NS
        assert one.shortest == Fraction(100_000, 103) * NS
    # Five triggers, four times 1 us and 6 us apart: 2 us each on average.
    burst = scenario(trigger__pattern="burst", trigger__burst_length=5, trigger__gap="6 us")
    assert periods(burst) == (1000 * NS, 2000 * NS)
    converter, host = cycles(burst)
    assert (converter.period, host.period) == (1000 * NS, 2000 * NS)
    assert (converter.slack, host.slack) == (640 * NS, 1100 * NS)


def test_triggers_that_wait_for_the_host_leave_no_period():
    loop = scenario(
        trigger__pattern="after_read", trigger__gap="1 us", trigger__rate=None,
        host__timeout="90 us", host__drain=True,
    )  # fmt: skip
    assert periods(loop) == (None, None)
    converter, host = cycles(loop)
    assert converter.period is converter.slack is host.slack is None
    assert host.mean == 900 * NS


def test_packets_take_their_line_time():
    """3, 3 and 2 bits with 3 more at 50 Mbit/s: 120, 120 and 100 ns."""
    packets = {"style": "packets", "packet_bits": 3, "overhead_bits": 3, "line_rate": "50 Mbit/s"}
    made = scenario(barrier={"return": packets})
    _, line, _ = cycles(made)
    assert (line.side, line.mean, line.largest) == ("return line", 340 * NS, 340 * NS)
    # Captured 10, 30 ... 150; full at 50, 110 and 150; the line is free at 170, 290, 390.
    captured, arrived = arrivals(made, Fraction(50 * 10**6))
    assert (captured // NS).tolist() == [10, 30, 50, 70, 90, 110, 130, 150]
    assert (arrived // NS).tolist() == [170, 170, 170, 290, 290, 290, 390, 390]
    # At 10 MHz full at 250, 550, 750: the line waits for the bits.
    _, arrived = arrivals(made, Fraction(10 * 10**6))
    assert (arrived // NS).tolist() == [370, 370, 370, 670, 670, 670, 850, 850]


def test_bits_pass_as_they_are_captured():
    made = scenario(remote_clock__capture="whole")
    captured, arrived = arrivals(made, Fraction(50 * 10**6))
    assert (captured // NS).tolist() == [20, 40, 60, 80, 100, 120, 140, 160]
    assert arrived.tolist() == captured.tolist()


@pytest.mark.parametrize(
    ("host", "name", "mean", "largest", "least"),
    [
        ({"host__watermark": 2}, "service latency / 2", 350, 350, 550),
        # Frame 1 comes after the first read has ended, which it begins at 900.
        ({"host__drain": True}, "service latency", 700, 700, 225),
        # 2500 ns serve 4 frames, of which no more than 4 wait.
        ({"host__drain": True, "host__service_latency": "2500 ns"},
         "service latency / 4", 625, 625, 675),
        # 5500 ns: at 4000 and 5000 no slot is free. Reads 0 to 3 end at 5700 ... 6300, so that
        # of 6000 is read too, by 6500.
        ({"host__drain": True, "host__service_latency": "5500 ns"},
         "service latency / 5", 1100, 1100, 1425),
    ],
)  # fmt: skip
def test_a_latency_that_several_frames_share(host, name, mean, largest, least):
    *_, cycle = cycles(scenario(**host))
    service, read = cycle.pieces
    assert (service.name, service.mean, service.largest) == (name, mean * NS, largest * NS)
    assert read.mean == 200 * NS
    assert float(cycle.least_period) == pytest.approx(least * NS, rel=1e-6)


FIXED = {"shape": "constant", "value": "1 ns"}


def test_a_converter_that_the_host_reads():
    """200 conversion, 9 + 2 + 1 + 3 busy, 20 synchroniser, 700 latency, 11 + 1 clock, 200 read."""
    parts = {
        "link": {"scheme": "forwarded_clock"},
        "barrier": {
            "forward": {"delay": "11 ns", "pulse_width_distortion": "1 ns"},
            "return": {
                "delay": "9 ns", "part_to_part_skew": "2 ns", "channel_skew": FIXED,
                "pulse_width_distortion": "3 ns",
            },
        },
        "fifo": {"sync_delay": "20 ns"},
    }  # fmt: skip
    (cycle,) = cycles(scenario(**parts))
    assert cycle.side == "converter and host"
    assert told(cycle) == [
        ("conversion", 200), ("busy crossing", 15), ("synchroniser", 20),
        ("service latency", 700), ("clock crossing", 12), ("read", 200),
    ]  # fmt: skip
    assert (cycle.mean, cycle.largest, cycle.slack) == (1147 * NS, 1147 * NS, -147 * NS)
    # At another clock, 8 bits at 80 MHz; in another scheme, its own converter and host.
    (fast,) = cycles(scenario(**parts), clock=Fraction(80 * 10**6))
    assert fast.mean == 1047 * NS
    assert len(cycles(scenario(**parts), "remote_master")) == 2


UNIFORM = {"shape": "uniform", "low": "0 ns", "high": "6 ns"}


@pytest.mark.parametrize(
    ("skew", "none", "channel", "lanes"),
    [
        # Of a plain duration each channel has a share, none to all of it.
        ("4 ns", (10, 10), (12, 14), (12, 14)),
        ({"shape": "constant", "value": "4 ns"}, (10, 10), (14, 14), (14, 14)),
        (UNIFORM, (10, 10), (13, 16), (13, 16)),
        # Those of a list are the lanes' own, of which the worst counts.
        (["1 ns", "3 ns"], (10, 10), (10, 10), (13, 13)),
    ],
)
def test_a_crossing_counts_the_skew_that_its_channel_has(skew, none, channel, lanes):
    """Delay 9 and jitter of -1 to 3, 1 on average; a falling edge has 2 ns of distortion more."""
    jitter = {"shape": "uniform", "low": "-1 ns", "high": "3 ns"}
    back = {
        "delay": "9 ns",
        "channel_skew": skew,
        "jitter": jitter,
        "pulse_width_distortion": "2 ns",
    }
    made = scenario(frame__lanes=2, barrier={"return": back})
    for kind, (mean, largest) in {"none": none, "channel": channel, "lanes": lanes}.items():
        rising = crossing(made, "data", "return", skew=kind)
        assert (rising.name, rising.mean, rising.largest) == ("data", mean * NS, largest * NS)
        falling = crossing(made, "data", "return", skew=kind, falling=True)
        assert (falling.mean, falling.largest) == ((mean + 2) * NS, (largest + 2) * NS)
    assert crossing(made, "data", "return") == crossing(made, "data", "return", skew="none")


@pytest.mark.parametrize(
    ("covers", "rising", "falling"),
    [
        # Means 11 + 1 + 2 and 1 more; at the most 14 + 4 + 4 and 2 more.
        ([], (14, 22), (15, 24)),
        (["part_to_part_skew"], (14, 18), (15, 20)),
        (["channel_skew", "part_to_part_skew"], (14, 14), (15, 16)),
        (["pulse_width_distortion"], (14, 22), (15, 22)),
        (["part_to_part_skew", "channel_skew", "pulse_width_distortion"], (14, 14), (14, 14)),
    ],
)
def test_a_crossing_is_held_within_the_delay_that_covers_it(covers, rising, falling):
    """Delay 8 to 14, spread -2 to 4, skew 0 to 4, distortion 0 to 2; no jitter."""
    back = {
        "delay": {"shape": "uniform", "low": "8 ns", "high": "14 ns"},
        "part_to_part_skew": {"shape": "uniform", "low": "-2 ns", "high": "4 ns"},
        "channel_skew": "4 ns",
        "pulse_width_distortion": {"shape": "uniform", "low": "0 ns", "high": "2 ns"},
        "delay_covers": covers,
    }
    made = scenario(barrier={"return": back})
    for falls, (mean, largest) in ((False, rising), (True, falling)):
        found = crossing(made, "data", "return", skew="lanes", falling=falls)
        assert (found.mean, found.largest) == (mean * NS, largest * NS)


def test_what_is_covered_is_held_though_nothing_bounds_it():
    endless = {"shape": "normal", "mean": "0 ns", "sigma": "1 ns"}
    back = {
        "delay": {"shape": "uniform", "low": "8 ns", "high": "14 ns"},
        "part_to_part_skew": endless, "channel_skew": endless,
        "delay_covers": ["part_to_part_skew"],
    }  # fmt: skip
    made = scenario(barrier={"return": back})
    assert crossing(made, "data", "return").largest == 14 * NS
    assert crossing(made, "data", "return", skew="lanes").largest == math.inf


def test_the_longest_cycle():
    exponential = {"shape": "exponential", "mean": "700 ns"}
    _, host = cycles(scenario(host__service_latency=exponential))
    assert host.mean == 900 * NS
    assert math.isinf(host.largest)
    assert host.unbounded == ["service latency"]
    (cycle,) = cycles(scenario(host__service_latency=exponential), "forwarded_clock")
    assert cycle.decisive == cycle.mean


def test_the_share_of_cycles_in_time():
    """Conversion 200, then the longer of an exponential latency plus 100 and an acquisition.

    2000 ns leave 1800 ns: 1 - exp(-1700 / 500) fit; an acquisition of 1900 lets none.
    """
    pieces = [
        Piece("conversion", Fraction(200), 200),
        Piece("service latency", Fraction(500), math.inf, Exponential(mean=500)),
        Piece("read", Fraction(100), 100),
        Piece("rest of acquisition", Fraction(900), 900),
    ]
    share = Cycle("converter", pieces, acquisition=Constant(value=1500)).in_time(Fraction(2000), 1)
    expected = 1 - math.exp(-1700 / 500)
    assert abs(share - expected) < 4 * math.sqrt(expected * (1 - expected) / 2**16)
    late = Cycle("converter", pieces, acquisition=Constant(value=1900))
    assert late.in_time(Fraction(2000), 1) == 0


BURST = {"trigger__pattern": "burst", "trigger__burst_length": 5}
WAITS = {
    "trigger__pattern": "after_read", "trigger__gap": "1 us", "trigger__rate": None,
    "host__timeout": "90 us", "host__drain": True,
}  # fmt: skip
BETWEEN = {"shape": "uniform", "low": "600 ns", "high": "6 us"}


@pytest.mark.parametrize(
    ("changes", "spacing"),
    [
        ({}, 1000),
        # A timer 10 % fast at the most: 1000 / 1.1.
        (
            {"trigger__tolerance": {"shape": "uniform", "low": "-1 %", "high": "10 %"}},
            Fraction(10_000, 11),
        ),
        ({"trigger__pattern": "poisson"}, 0),
        (WAITS, None),
        # A gap shorter than the spacing within the burst counts, and a longer one does not.
        (BURST | {"trigger__gap": "6 us"}, 1000),
        (BURST | {"trigger__gap": BETWEEN}, 600),
        # Bursts of one have nothing but gaps.
        (BURST | {"trigger__burst_length": 1, "trigger__gap": "6 us"}, 6000),
        # One trigger may be 30 late and the next 20 early; none leaves before the one ahead.
        ({"trigger__jitter": {"shape": "uniform", "low": "-20 ns", "high": "30 ns"}}, 950),
        ({"trigger__jitter": {"shape": "uniform", "low": "-900 ns", "high": "900 ns"}}, 0),
        ({"trigger__jitter": {"shape": "exponential", "mean": "1 ns"}}, -math.inf),
    ],
)
def test_the_least_time_between_two_triggers(changes, spacing):
    found = shortest_spacing(scenario(**changes))
    assert found == (spacing if spacing is None else spacing * NS)


def test_so_many_standard_deviations_of_jitter_bring_triggers_together():
    """2 ns either way at 3 sigmas, 12 ns in all; 28 ns either way, 56, at the 14 that occur."""
    made = scenario(trigger__jitter={"shape": "normal", "mean": "0 ns", "sigma": "2 ns"})
    assert trigger_jitter(made, 3) == 12 * NS
    assert shortest_spacing(made, 3) == 988 * NS
    assert (trigger_jitter(made), shortest_spacing(made)) == (56 * NS, 944 * NS)


def test_the_barrier_s_jitter_moves_the_triggers_that_cross_it():
    """5 ns on the way out; a timer behind the barrier sends none across it."""
    jitter = {"shape": "uniform", "low": "0 ns", "high": "5 ns"}
    own = {"shape": "uniform", "low": "0 ns", "high": "2 ns"}
    back = {"jitter": {"shape": "uniform", "low": "0 ns", "high": "90 ns"}}
    made = scenario(trigger__jitter=own, barrier={"forward": {"jitter": jitter}, "return": back})
    assert trigger_jitter(made) == 7 * NS
    assert trigger_jitter(made.with_value("trigger.source", "remote")) == 2 * NS


def test_how_much_later_than_on_average_busy_and_the_clock_cross():
    """Jitter up to 5, 2 on average, and up to 4, 1 on average; pulses up to 3 ns shorter."""
    ways = {
        "forward": {
            "delay": "9 ns",
            "jitter": {"shape": "uniform", "low": "-1 ns", "high": "5 ns"},
        },
        "return": {
            "delay": "9 ns",
            "jitter": {"shape": "uniform", "low": "-2 ns", "high": "4 ns"},
            "pulse_width_distortion": {"shape": "constant", "value": "-3 ns"},
        },
    }
    made = scenario(barrier=ways)
    # 3 and 3 above the means of 2 and 1.
    assert late_jitter(made, "forwarded_clock") == (3 + 3 + 3) * NS
    assert late_jitter(made, "remote_master") == 0
    # A longer pulse keeps the edges apart.
    longer = made.with_value("barrier.return.pulse_width_distortion", "3 ns")
    assert late_jitter(longer, "forwarded_clock") == 6 * NS
    normal = {"shape": "normal", "mean": "0 ns", "sigma": "1 ns"}
    assert late_jitter(scenario(barrier={"return": {"jitter": normal}}), "forwarded_clock", 3) == (
        3 * NS
    )
    endless = scenario(barrier={"return": {"jitter": {"shape": "exponential", "mean": "1 ns"}}})
    assert late_jitter(endless, "forwarded_clock") == math.inf
