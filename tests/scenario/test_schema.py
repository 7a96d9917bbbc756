from __future__ import annotations

import pickle
from fractions import Fraction

import numpy as np
import pytest

from simlink.base.errors import InputError
from simlink.scenario import loading
from simlink.scenario.distributions import Constant, Normal, Uniform
from simlink.scenario.require import Require, kind_of_key
from simlink.scenario.schema import Scenario
from simlink.scenario.sections import UNSIMULATED
from simlink.scenario.writing import ONLY_WITH, every_key

ZERO = Constant(value=0)

FULL = """\
title = "every key"
seed = 7
trials = 20
conversions = 500

[link]
scheme = "remote_master"

[trigger]
pattern = "burst"
rate = "0.5 MHz"
gap = { shape = "uniform", low = "5 us", high = "9 us" }
burst_length = 8
jitter = { shape = "normal", mean = "0 ps", sigma = "3 ps" }
source = "host"
tolerance = { shape = "uniform", low = "-50 ppm", high = "50 ppm" }

[frame]
lanes = 2
words_per_lane = 3
word_bits = 20
content = "random"

[converter]
conversion_time = { shape = "limits", low = "480 ns", typical = "500 ns", high = "520 ns" }
busy_delay = "10 ns"
msb_valid = "2 ns"
data_valid = "6 ns"
data_hold = "3 ns"
acquisition_time = "300 ns"
aperture_jitter = { shape = "normal", mean = "0 ps", sigma = "2 ps" }
min_clock_period = "12 ns"
min_clock_high = "5 ns"
min_clock_low = { shape = "uniform", low = "4 ns", high = "5 ns" }

[remote_clock]
frequency = "50 MHz"
tolerance = { shape = "normal", mean = "0 ppm", sigma = "10 ppm", low = "-30 ppm", high = "30 ppm" }
start_delay = "20 ns"
setup = "2 ns"
hold = "1 ns"
capture = "whole"

[barrier]
slew_immunity = "50 kV/us"
recovery = "20 ns"
upset = 0.5
false_edge = 0
channel_skew = "1 ns"
pulse_width_distortion = "0.5 ns"
delay_covers = ["part_to_part_skew", "pulse_width_distortion", "channel_skew"]
min_pulse = "4 ns"
line_rate = "150 Mbps"
channels = 9

[barrier.forward]
delay = "14 ns"
part_to_part_skew = "1 ns"
jitter = { shape = "uniform", low = "-100 ps", high = "100 ps" }
channel_skew = "2 ns"
pulse_width_distortion = "1 ns"
delay_covers = []
min_pulse = "5 ns"
line_rate = "100 Mbps"
slew_immunity = "60 kV/us"

[barrier.return]
delay = "13 ns"
part_to_part_skew = "2 ns"
jitter = "0 ps"
channel_skew = ["-1 ns", "1.5 ns"]
pulse_width_distortion = "-1 ns"
delay_covers = ["channel_skew"]
min_pulse = "6 ns"
line_rate = "200 Mbps"
slew_immunity = { shape = "uniform", low = "40 kV/us", high = "60 kV/us" }
style = "packets"
packet_bits = 16
overhead_bits = 8
header_bits = 3
check = "none"

[fifo]
depth = 6
release_bits = 30
when_full = "stall"
realign = "never"
realign_gap = "50 ns"
credit_refresh = true
sync_delay = "8 ns"

[host]
clock = "25 MHz"
service_latency = { shape = "exponential", mean = "2 us", offset = "1 us" }
drain = true
watermark = 2
interrupt = "edge"
timeout = "50 us"
setup = "1 ns"
hold = "1 ns"
realign = "idle"
capture = 3

[check]
over = "frame"
kind = "none"
sequence_bits = 2
on_failure = "flag"

[fault]
threshold = "40 kV/us"
response = "100 ns"
hold = "1 us"

[analog]
tone = "10 kHz"
coherent = "as_given"
amplitude = 0.9
second_tone = "12 kHz"
second_amplitude = 0.01
phase = 0.25
offset = -0.1
full_scale = "5 V"
noise = "0.1 mV"
inl = [0.0, 0.5, 1]
inl_table = [0, 1.5, 0]
average = 4
converter_tones = ["10 kHz", "10 kHz", "11 kHz", "10 kHz", "10 kHz", "10 kHz"]
converter_gains = [1, 0.5, 1, 1, 1, 2]
converter_offsets = [0, 0.01, 0, 0, 0, -0.5]
sampling_skew = ["0 ps", "80 ps", "0 ps", "0 ps", "-5 ps", "0 ps"]
gaps = "cut"

[names.host]
fault = "FLT"
trigger = "CNV"
busy = "IRQ"
service = "task"
read = "frame"
clock = "SCK_H"
returned = "SCK_R"
data = "SDI"
capture = "RX"

[names.fifo]
push = "WR"
strobe = "STB"
level = "USED"

[names.remote]
trigger = "START"
busy = "BUSY"
clock = "SCK"
data = ["SDOA", "SDOB"]
credit = "GO"

[dump]
host_trigger = "D0"
host_busy = "!D1"
host_clock = "D2"
host_returned = "D3"
host_data = "D4"
remote_trigger = "D5"
remote_busy = "D6"
remote_clock = "D7"
remote_data = ["top.D8", "top.D9"]

[[transient]]
kind = "at"
times = ["1 us", "3 us"]
slew = "80 kV/us"
swing = "400 V"

[[transient]]
kind = "locked"
offset = "-20 ns"
first = 1
every = 2
slew = "80 V/ns"
swing = "0.4 kV"

[[transient]]
kind = "switching"
frequency = "100 kHz"
tolerance = "10 ppm"
jitter = { shape = "uniform", low = "-1 ns", high = "1 ns" }
duty = 0.3
dead_time = "40 ns"
phase = "1 us"
slew = "80 kV/us"
swing = "400 V"

[[transient]]
kind = "poisson"
rate = "1 kHz"
slew = { shape = "uniform", low = "30 kV/us", high = "80 kV/us" }
swing = "400 V"

[[transient]]
kind = "eft"
peak = "2 kV"
coupling = 0.1
repetition = "100 kHz"
start = "1 ms"

[require]
""" + "".join(
    # Each complaint gives an example.
    f"{name} = {kind_of_key(name).allowed.partition('such as ')[2]}\n"
    for name in Require.model_fields
    if name != "repeated"  # only with check.on_failure = "repeat"
)


def test_every_default(scenario):
    assert (scenario.title, scenario.seed, scenario.trials, scenario.conversions) == (
        "",
        1,
        1,
        1000,
    )
    trigger = scenario.trigger
    assert (trigger.pattern, trigger.source) == ("periodic", "host")
    assert (trigger.gap, trigger.burst_length) == (None, None)
    assert trigger.jitter == trigger.tolerance == ZERO
    frame = scenario.frame
    assert (frame.lanes, frame.words_per_lane, frame.word_bits) == (1, 1, 16)
    converter = scenario.converter
    for key in (
        "busy_delay", "msb_valid", "data_valid", "data_hold", "acquisition_time", "aperture_jitter",
        "min_clock_period", "min_clock_high", "min_clock_low",
    ):  # fmt: skip
        assert getattr(converter, key) == ZERO, key
    clock = scenario.remote_clock
    assert clock.tolerance == clock.start_delay == clock.setup == clock.hold == ZERO
    assert clock.capture == "half"
    barrier = scenario.barrier
    assert barrier.channel_skew == barrier.pulse_width_distortion == barrier.min_pulse == ZERO
    assert barrier.line_rate is None
    for name in ("forward", "return"):
        way = barrier.direction(name)
        assert way.delay == way.part_to_part_skew == way.jitter == way.channel_skew == ZERO
        assert way.pulse_width_distortion == way.min_pulse == ZERO
        assert way.delay_covers == ()
        assert way.line_rate is None
        assert way.lane_skews(3) == (ZERO,) * 3
    back = barrier.return_
    assert (back.style, back.packet_bits, back.overhead_bits) == ("bits", None, 0)
    fifo = scenario.fifo
    assert (fifo.depth, fifo.release_bits, fifo.when_full) == (4, 16, "drop_new")
    assert fifo.sync_delay == ZERO
    host = scenario.host
    assert (host.drain, host.watermark, host.interrupt, host.timeout) == (False, 1, "level", None)
    assert host.setup == host.hold == ZERO
    assert not scenario.is_random
    assert scenario.notes == []


def test_every_key_is_read():
    scenario = loading.loads(FULL)
    assert scenario.trigger.rate.value == 500_000
    assert scenario.trigger.gap == Uniform(low=5 * 10**9, high=9 * 10**9)
    assert scenario.trigger.tolerance == Uniform(low=-50_000_000, high=50_000_000)
    assert scenario.converter.aperture_jitter == Normal(mean=0, sigma=2000)
    assert scenario.remote_clock.frequency.value == Fraction(50_000_000)
    assert scenario.host.timeout.constant_value == 50 * 10**9
    assert scenario.data_bits_per_lane == 60
    assert scenario.bits_per_lane == 62
    assert scenario.words == 6
    assert scenario.fifo.release_bits == 30
    assert scenario.host.drain is True
    assert scenario.is_random
    assert scenario.analog.noise == Fraction(100)
    assert scenario.analog.full_scale == Fraction(5_000_000)
    assert scenario.analog.inl == (0.0, 0.5, 1.0)
    assert [one.value for one in scenario.analog.sampling_skew][:2] == [0, 80_000]
    assert scenario.names.pins()["remote.data[1]"] == "SDOB"
    assert scenario.dump.host_busy == "!D1"
    assert scenario.dump.host_data == ("D4",)
    assert scenario.dump.remote_data == ("top.D8", "top.D9")
    # Nothing was left out, so nothing was assumed; and the text above names every key.
    assert scenario.assumed == []
    written = loading.loads(FULL)._raw
    for key in every_key():
        if key.startswith("analog.waveform"):
            # In place of a tone of its own; see tests/analog/test_waveform.py.
            continue
        elsewhere = ("barrier.return.strobe", "require.repeated")
        if key in elsewhere or ONLY_WITH.get(key, ("",))[0].startswith("check."):
            # For another style or check; see test_checks.
            continue
        value = written
        for step in key.split("."):
            value = value[step]


def test_a_direction_wins_over_the_barrier():
    barrier = loading.loads(FULL).barrier
    forward, back = barrier.direction("forward"), barrier.direction("return")
    assert forward.channel_skew == Uniform(low=0, high=2_000_000)
    assert (forward.delay_covers, back.delay_covers) == ((), ("channel_skew",))
    assert forward.line_rate.value == 100_000_000
    assert forward.min_pulse.constant_value == 5_000_000
    assert back.pulse_width_distortion.constant_value == -1_000_000
    assert back.lane_skews(2) == (Constant(value=-1_000_000), Constant(value=1_500_000))
    assert back.line_rate.value == 200_000_000


def test_a_direction_takes_the_barriers_own(scenario):
    barrier = (
        scenario.with_value("barrier.channel_skew", "1 ns")
        .with_value("barrier.line_rate", "100 Mbps")
        .with_value("barrier.min_pulse", "3 ns")
        .with_value("barrier.forward.channel_skew", "2 ns")
        .barrier
    )
    assert barrier.direction("forward").channel_skew == Uniform(low=0, high=2_000_000)
    assert barrier.direction("return").channel_skew == Uniform(low=0, high=1_000_000)
    for name in ("forward", "return"):
        assert barrier.direction(name).line_rate.value == 100_000_000
        assert barrier.direction(name).min_pulse.constant_value == 3_000_000


@pytest.mark.parametrize("words", [1, 3])
@pytest.mark.parametrize("bits", [1, 18, 64])
def test_the_whole_frame_is_released_unless_told(scenario, words, bits):
    changed = scenario.with_value("frame", {"words_per_lane": words, "word_bits": bits})
    assert changed.fifo.release_bits == changed.bits_per_lane == words * bits


def test_what_was_assumed_is_listed_in_order(scenario):
    assumed = {one.key: one.value for one in scenario.assumed}
    assert assumed["fifo.release_bits"] == 16
    assert assumed["host.timeout"] == "none"
    assert assumed["barrier.channel_skew"] == "0 s"
    assert assumed["remote_clock.capture"] == "half"
    assert all(one.why for one in scenario.assumed)
    order = list(every_key())
    places = [order.index(key) for key in assumed]
    assert places == sorted(places)
    given = {"link.scheme", "trigger.rate", "remote_clock.frequency", "host.clock"}
    no_matter = {"barrier.return.packet_bits", "barrier.return.overhead_bits", "host.setup",
                 "trigger.gap", "trigger.burst_length", "barrier.forward.channel_skew"}  # fmt: skip
    assert not (given | no_matter) & set(assumed)


def test_what_is_given_is_not_assumed(scenario):
    changed = scenario.with_value("fifo.depth", 4).with_value(
        "barrier.forward.channel_skew", "1 ns"
    )
    keys = {one.key for one in changed.assumed}
    assert "fifo.depth" not in keys
    assert "barrier.channel_skew" in keys  # the return direction still takes it
    changed = changed.with_value("barrier.return.channel_skew", "1 ns")
    assert "barrier.channel_skew" not in {one.key for one in changed.assumed}


def test_overhead_is_assumed_for_packets_only(scenario):
    changed = scenario.with_value(
        "barrier.return", {"style": "packets", "packet_bits": 8, "line_rate": "100 Mbps"}
    )
    assumed = {one.key: one.value for one in changed.assumed}
    assert assumed["barrier.return.overhead_bits"] == 0
    assert "barrier.return.style" not in assumed
    assert "barrier.line_rate" not in assumed


def test_a_remote_timer_has_no_timeout_to_assume(scenario):
    changed = scenario.with_value("trigger.source", "remote")
    assert "host.timeout" not in {one.key for one in changed.assumed}


def test_a_plain_skew_is_the_largest_difference_of_two_channels(scenario):
    """Each channel draws its share; a shape is what each draws, and none is none."""
    for said, law in (
        ("3 ns", Uniform(low=0, high=3_000_000)),
        ("-3 ns", Uniform(low=-3_000_000, high=0)),
        ("0 ns", ZERO),
        ({"shape": "constant", "value": "3 ns"}, Constant(value=3_000_000)),
        ({"shape": "uniform", "low": "1 ns", "high": "3 ns"}, Uniform(low=10**6, high=3 * 10**6)),
    ):
        for key in (
            "barrier.channel_skew",
            "barrier.forward.channel_skew",
            "barrier.return.channel_skew",
        ):
            changed = scenario.with_value("barrier.forward.delay", "9 ns")
            changed = changed.with_value("barrier.return.delay", "9 ns").with_value(key, said)
            way = "forward" if key == "barrier.forward.channel_skew" else "return"
            assert changed.barrier.direction(way).lane_skews(2) == (law, law)
            told = isinstance(said, str) and said != "0 ns"
            assert len(changed.notes) == told
            assert loading.loads(changed.to_toml()) == changed
    noted = scenario.with_value("barrier.channel_skew", "3 ns").notes
    assert noted == [
        "barrier.channel_skew: 3 ns is taken as the largest difference between any two channels of "
        "a direction: each draws its share, from 0 s to 3 ns, once a board"
    ]


def test_a_delay_of_one_value_makes_what_it_covers_vanish_and_says_so(scenario):
    covered = scenario.with_values(
        {
            "barrier.delay_covers": ["channel_skew", "part_to_part_skew"],
            "barrier.return.delay": "9 ns",
        }
    )
    assert covered.notes == []
    changed = covered.with_value("barrier.return.part_to_part_skew", "1 ns")
    assert changed.notes == [
        "barrier.return.delay: one value that is said to contain part_to_part_skew: every crossing "
        "takes it, "
        "and they change nothing; give its limits"
    ]
    limits = {"shape": "limits", "low": "8 ns", "typical": "9 ns", "high": "12 ns"}
    assert changed.with_value("barrier.return.delay", limits).notes == []


def test_low_ends_that_nobody_gave_are_assumed(scenario):
    """8 is as far below 11 as 14 is above; 4 and 9 leave nothing below zero."""
    changed = scenario.with_values(
        {
            "barrier.return.delay": {"shape": "limits", "typical": "11 ns", "high": "14 ns"},
            "remote_clock.tolerance": {"shape": "limits", "typical": "-5 ppm", "high": "20 ppm"},
            "host.service_latency": {
                "shape": "mixture",
                "parts": [
                    {"weight": 1, "of": "3 us"},
                    {"weight": 1, "of": {"shape": "limits", "typical": "4 us", "high": "9 us"}},
                ],
            },
            "converter.data_valid": {
                "shape": "two_state", "spacing": 3, "normal": "1 ns",
                "stalled": {"shape": "limits", "typical": "3 ns", "high": "6 ns"},
            },
            # Given, and so not assumed; and of no matter to a remote master.
            "converter.msb_valid": {
                "shape": "limits", "low": "1 ns", "typical": "3 ns", "high": "4 ns",
            },
            "host.setup": {"shape": "limits", "typical": "3 ns", "high": "4 ns"},
        }
    )  # fmt: skip
    found = [(one.key, one.value) for one in changed.assumed if one.key.endswith(".low")]
    assert found == [
        ("converter.data_valid.stalled.low", "0 s"),
        ("remote_clock.tolerance.low", "-30 ppm"),
        ("barrier.return.delay.low", "8 ns"),
        ("host.service_latency.parts[1].of.low", "0 s"),
    ]
    why = {one.key: one.why for one in changed.assumed}
    mirrored = "low end taken as far below typical as high is above, since none is given"
    assert why["converter.data_valid.stalled.low"] == mirrored  # 3 and 6 leave just zero
    assert why["barrier.return.delay.low"] == mirrored
    assert why["host.service_latency.parts[1].of.low"] == (
        "low end taken as zero, since none is given"
    )


def test_fixed_tolerances_are_noted(scenario):
    changed = scenario.with_value("remote_clock.tolerance", "50 ppm")
    assert changed.notes == [
        "remote_clock.tolerance: fixed at +50 ppm on every board; for ±50 ppm write "
        '{ shape = "uniform", low = "-50 ppm", high = "50 ppm" }'
    ]
    changed = scenario.with_value("trigger.tolerance", "-0.5 ppm")
    assert changed.notes[0].startswith("trigger.tolerance: fixed at -0.5 ppm")
    wide = {"shape": "uniform", "low": "-50 ppm", "high": "50 ppm"}
    assert scenario.with_value("remote_clock.tolerance", wide).notes == []


@pytest.mark.parametrize(("rate", "more"), [("50 Mbps", "50 Mbit/s"), ("99.9 Mbps", "100 kbit/s")])
def test_a_line_too_slow_for_the_strobe_is_noted(scenario, rate, more):
    changed = scenario.with_value("barrier.return.line_rate", rate)
    assert changed.notes == [
        f"barrier.return.line_rate: the strobe asks for 2 f = 100 Mbit/s, {more} more than "
        f"the line has; lanes that are self-clocked have barrier.return.strobe = false"
    ]
    assert changed.with_value("barrier.return.strobe", False).notes == []
    of_both = scenario.with_value("barrier.line_rate", rate)
    assert of_both.notes[0].startswith("barrier.line_rate: the strobe asks")


def test_a_line_that_takes_the_strobe_is_not_noted(scenario):
    assert scenario.with_value("barrier.return.line_rate", "100 Mbps").notes == []


def test_randomness(scenario):
    assert scenario.with_value("trigger.pattern", "poisson").is_random
    one = {"shape": "uniform", "low": "1 ns", "high": "1 ns"}
    assert not scenario.with_value("host.service_latency", one).is_random
    two = {"shape": "uniform", "low": "1 ns", "high": "2 ns"}
    assert scenario.with_value("host.service_latency", two).is_random
    assert scenario.with_value("barrier.return.part_to_part_skew", two).is_random


def test_checked_copies(scenario):
    changed = scenario.with_(seed=9, trials=3, conversions=77)
    assert (changed.seed, changed.trials, changed.conversions) == (9, 3, 77)
    assert (scenario.seed, scenario.trials, scenario.conversions) == (1, 1, 1000)
    assert scenario.with_(seed=0).seed == 0
    assert scenario.with_() == scenario
    with pytest.raises(InputError, match="seed: got -1; a whole number from 0"):
        scenario.with_(seed=-1)
    with pytest.raises(InputError, match="trials"):
        scenario.with_(trials=10**8)


def test_copies_with_one_value(scenario):
    deeper = scenario.with_value("fifo.depth", np.int64(8))
    assert deeper.fifo.depth == 8
    assert scenario.fifo.depth == 4
    assert deeper.with_value("fifo.depth", 4) == scenario
    # Left out again, the release follows the frame.
    wide = scenario.with_value("fifo.release_bits", 8).with_value("fifo.release_bits", None)
    assert wide.fifo.release_bits == 16
    table = {"shape": "uniform", "low": "1 us", "high": "2 us"}
    changed = scenario.with_value("host.service_latency", table)
    table["high"] = "0 us"
    assert changed.with_value("host.service_latency.high", "3 us").host.service_latency == Uniform(
        low=10**9, high=3 * 10**9
    )


@pytest.mark.parametrize(
    ("key", "value", "said"),
    [
        ("fifo.dept", 8, 'did you mean "depth"'),
        ("fifo", 8, "a table is wanted"),
        ("nothing.at.all", 8, "unknown key"),
        ("fifo.depth", 8.0, "whole number"),
        ("fifo.depth.more", 8, "fifo.depth is no table"),
        ("host.service_latency.mean", "1 us", "is no table"),
    ],
)
def test_copies_that_make_no_sense(scenario, key, value, said):
    changed = scenario.with_value("fifo.depth", 5)
    with pytest.raises(InputError) as caught:
        changed.with_value(key, value)
    assert said in str(caught.value)
    assert str(caught.value).startswith("<text>: ")


@pytest.mark.parametrize(
    "values",
    [
        {},
        {"trigger": {"pattern": "after_read", "gap": "1 us"}, "host.timeout": "50 us"},
        {"trigger": {"pattern": "burst", "gap": "1 us", "rate": "1 MHz", "burst_length": 3}},
        {"barrier.return": {"style": "packets", "packet_bits": 8, "line_rate": "90 Mbps"}},
        {
            "host.service_latency": {
                "shape": "mixture",
                "parts": [
                    {"weight": 1e-06, "of": "1 ms"},
                    {
                        "weight": 1,
                        "of": {
                            "shape": "two_state",
                            "normal": "1 us",
                            "stalled": {"shape": "gamma", "mean": "9 us", "sigma": "3 us"},
                            "spacing": {"shape": "geometric", "mean": 12.5},
                        },
                    },
                ],
            }
        },
        {"title": 'quotes " \\ and\nlines\x7f, ünïcode'},
    ],
)
def test_written_and_read_back_it_is_equal(scenario, values):
    changed = scenario.with_values(values)
    back = loading.loads(changed.to_toml())
    assert back == changed
    assert back.to_toml() == changed.to_toml()
    assert {one.key for one in back.assumed} <= {"host.timeout", "barrier.line_rate"}


def test_every_key_written_has_the_text_of_the_user():
    scenario = loading.loads(FULL)
    text = scenario.to_toml()
    assert loading.loads(text) == scenario
    for line in FULL.splitlines():
        assert line in text.splitlines()


def test_scenarios_differ_by_their_values(scenario, minimal):
    assert loading.loads(minimal.replace("2 us", "2000 ns")) == scenario
    assert loading.loads(minimal.replace("2 us", "3 us")) != scenario
    assert loading.loads(minimal.replace("25 MHz", "26 MHz")) != scenario
    assert scenario != "scenario"
    with pytest.raises(TypeError):
        hash(scenario)


def test_scenarios_are_frozen(scenario):
    assert isinstance(scenario, Scenario)
    with pytest.raises(ValueError, match="frozen"):
        scenario.seed = 3
    with pytest.raises(ValueError, match="frozen"):
        scenario.fifo.depth = 3


def test_a_file_and_its_name(tmp_path, minimal):
    path = tmp_path / "link.toml"
    path.write_bytes(b"\xef\xbb\xbf" + minimal.encode())
    scenario = loading.load(path)
    assert scenario == loading.loads(minimal) == loading.load(str(path))
    assert scenario.name == str(path)
    assert scenario.base == tmp_path


@pytest.mark.parametrize("key", UNSIMULATED)
def test_what_is_known_but_not_simulated_is_refused_by_name(scenario, key):
    for value in ("crc8", 3, [{"kind": "at"}], {"tone": "1 kHz"}):
        with pytest.raises(InputError) as caught:
            scenario.with_value(key, value)
        line = str(caught.value)
        assert line.startswith(f"<text>: {key}: ")
        assert line.endswith("known to the scenario format, but this version does not simulate it")
    for value in UNSIMULATED[key]:
        # What a host does of a check's failure needs something that fails.
        scenario.with_values({"check.sequence_bits": 1, key: value})


@pytest.mark.parametrize(
    ("text", "complaint"),
    [
        ('kind = "at"', 'transient[0].times: missing; kind = "at" needs a list of fixed'),
        ('kind = "att"', 'transient[0].kind: got "att"; one of "at", "locked", "poisson"'),
        ("", 'transient[0].kind: missing; one of "at"'),
        ('kind = "eft"\npeak = "2 kV"\nslew = "1 kV/us"',
         'transient[0].slew: got "1 kV/us"; only with kind = "at" or "locked" or "poisson" or '),
        ('kind = "eft"\npeak = "0 V"', 'transient[0].peak: got "0 V"; a voltage above zero'),
        ('kind = "eft"\npeak = "2 kV"\ncoupling = 0', "coupling: got 0; a number above 0 to 1"),
        ('kind = "eft"\npeak = "2 kV"\nrepetition = "6 kHz"', 'one of "5 kHz", "100 kHz"'),
        ('kind = "eft"\npeek = "2 kV"', 'transient[0].peek: got "2 kV"; unknown key; did you mean'),
        ('kind = "at"\ntimes = ["1 us", "-1 us"]\nslew = "1 kV/us"\nswing = "1 V"',
         'transient[0].times[1]: got "-1 us"; a duration may not reach below zero'),
        ('kind = "at"\ntimes = "1 us"\nslew = "1 kV/us"\nswing = "1 V"', "a list of 1 to 10000"),
        ('kind = "poisson"\nrate = "1 Hz"\nslew = "1 kV"\nswing = "1 V"', "a slew with a unit"),
    ],
)  # fmt: skip
def test_complaints_about_transients(minimal, text, complaint):
    with pytest.raises(InputError) as caught:
        loading.loads(f"{minimal}[[transient]]\n{text}\n", name="a.toml")
    assert complaint in str(caught.value)
    assert all(line.startswith("a.toml: ") for line in str(caught.value).split("\n"))


def test_no_trigger_of_a_loop_is_due_ahead(scenario):
    source = {"kind": "locked", "offset": "1 us", "slew": "1 kV/us", "swing": "1 V"}
    loop = {"trigger": {"pattern": "after_read", "gap": "1 us"}, "host.timeout": "50 us"}
    with pytest.raises(InputError, match=r"transient\[0\].kind: .*nothing is due ahead"):
        scenario.with_values({**loop, "transient": [source]})


def test_transients_are_assumed_written_and_changed(scenario):
    values = {"kind": "switching", "frequency": "20 kHz", "slew": "80 kV/us", "swing": "400 V"}
    changed = scenario.with_values(
        {"transient": [values, values], "barrier.slew_immunity": "50 kV/us"}
    )
    assumed = {one.key: one.value for one in changed.assumed}
    assert assumed["transient[1].duty"] == 0.5
    assert (assumed["barrier.upset"], assumed["barrier.recovery"]) == (1, "0 s")
    assert "barrier.upset" not in {one.key for one in scenario.assumed}
    assert "upset" not in scenario.to_toml()
    assert changed.is_random
    assert loading.loads(changed.to_toml()) == changed
    other = changed.with_value("transient[1].slew", "90 kV/us")
    assert [one.slew.constant_value for one in other.transient] == [80 * 10**9, 90 * 10**9]
    assert changed.notes == []
    (note,) = changed.with_value("barrier.slew_immunity", None).notes
    assert note.startswith("barrier.slew_immunity: not given, so that no transient upsets any")
    for key in ("transient[2].slew", "transient[x].slew", "seed[0]", "transient.slew"):
        with pytest.raises(InputError):
            changed.with_value(key, "90 kV/us")


def test_a_scenario_goes_to_another_process_and_back():
    scenario = loading.loads(FULL)
    there = pickle.loads(pickle.dumps(scenario))
    assert there == scenario
    assert there.with_value("fifo.depth", 9).fifo.depth == 9
    assert there.to_toml() == scenario.to_toml()
