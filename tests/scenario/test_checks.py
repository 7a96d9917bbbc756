from __future__ import annotations

import pytest

from simlink.scenario import loading

UNIFORM = {"shape": "uniform", "low": "-1 ns", "high": "1 ns"}


EXPONENTIAL = {"shape": "exponential", "mean": "1 ns"}


def spread(low, high):
    return {"shape": "uniform", "low": low, "high": high}


@pytest.mark.parametrize(
    ("values", "key", "said"),
    [
        ({"trigger": {}}, "trigger.rate", "missing"),
        ({"trigger": {"pattern": "poisson"}}, "trigger.rate", "missing"),
        ({"trigger__gap": "1 us"}, "trigger.gap", "only with trigger.pattern"),
        ({"check": {"width": 8}}, "check.width", "only with check.kind"),
        ({"check": {"kept_frames": 2}}, "check.kept_frames", "only with check.on_failure"),
        ({"check": {"kind": "crc", "polynomial": 7}}, "check.width", "missing; kind"),
        ({"check": {"kind": "crc", "width": 3}}, "check.polynomial", "missing; kind"),
        (
            {"check": {"kind": "crc", "width": 3, "polynomial": 8}},
            "check.polynomial", "a whole number up to 7, of 3 bits (check.width)",
        ),
        (
            {"check": {"kind": "crc", "width": 3, "polynomial": 7, "init": 8}},
            "check.init", "up to 7",
        ),
        (
            {"check": {"kind": "crc", "width": 3, "polynomial": 7, "xor_out": 9}},
            "check.xor_out", "up to 7",
        ),
        ({"check": {"sequence_bits": 17}}, "check.sequence_bits", "from 0 to 16"),
        ({"check": {"kind": "parity", "over": "packet"}}, "check.over", "needs barrier.return.st"),
        ({"check": {"on_failure": "drop"}}, "check.on_failure", "only with check.kind"),
        ({"check": {"on_failure": "repeat"}}, "check.on_failure", "only with check.kind"),
        ({"host__realign": "sequence"}, "host.realign", "needs check.sequence_bits of 1 or more"),
        ({"require": {"dropped": {"at_most": 0.1}}}, "require.dropped", "only with check.kind"),
        (
            {"check": {"kind": "parity"}, "require": {"repeated": {"at_most": 0.1}}},
            "require.repeated", 'only with check.on_failure = "repeat"',
        ),
        ({"trigger__burst_length": 3}, "trigger.burst_length", "only with trigger.pattern"),
        (
            {"trigger": {"pattern": "burst", "rate": "1 MHz", "burst_length": 3}},
            "trigger.gap", "missing",
        ),
        (
            {"trigger": {"pattern": "burst", "rate": "1 MHz", "gap": "1 us"}},
            "trigger.burst_length", "missing",
        ),
        ({"trigger": {"pattern": "after_read"}, "host__timeout": "1 us"}, "trigger.gap", "missing"),
        (
            {"trigger": {"pattern": "after_read", "gap": "1 us"}},
            "host.timeout", "missing; pattern = \"after_read\" needs a fixed duration",
        ),
        (
            {
                "trigger": {"pattern": "after_read", "gap": "1 us", "rate": "1 MHz"},
                "host__timeout": "9 us",
            },
            "trigger.rate", "only with trigger.pattern",
        ),
        (
            {
                "trigger": {"pattern": "after_read", "gap": "1 us", "tolerance": "1 ppm"},
                "host__timeout": "9 us",
            },
            "trigger.tolerance", "only with trigger.pattern",
        ),
        (
            {
                "trigger": {"pattern": "after_read", "gap": "1 us", "source": "remote"},
                "host__timeout": "9 us",
            },
            "trigger.source", 'needs source = "host"',
        ),
        (
            {"trigger__source": "remote", "host__timeout": "9 us"},
            "host.timeout", 'only with trigger.source = "host"',
        ),
        ({"fifo__release_bits": 17}, "fifo.release_bits", "from 1 to 16"),
        ({"host__watermark": 5}, "host.watermark", "from 1 to 4"),
        (
            {"barrier__return__channel_skew": ["1 ns", "2 ns"]},
            "barrier.return.channel_skew", "each of the 1 lanes",
        ),
        ({"barrier__return__packet_bits": 8}, "barrier.return.packet_bits", "only with"),
        ({"barrier__return__overhead_bits": 0}, "barrier.return.overhead_bits", "only with"),
        (
            {"barrier__return": {"style": "packets", "line_rate": "100 Mbps"}},
            "barrier.return.packet_bits", "missing",
        ),
        (
            {"barrier__return": {"style": "packets", "packet_bits": 8}},
            "barrier.return.line_rate", "missing",
        ),
        (
            {"barrier__return__line_rate": "49.9 Mbps"},
            "barrier.return.line_rate", "need at least 50 Mbit/s",
        ),
        ({"barrier__line_rate": "1 Mbps"}, "barrier.line_rate", "need at least 50 Mbit/s"),
        (
            {"barrier__return": {"style": "packets", "packet_bits": 8, "line_rate": "1 Gbps",
                                 "strobe": False}},
            "barrier.return.strobe", 'only with barrier.return.style = "bits"',
        ),
        ({"barrier__return": {"strobe": "no"}}, "barrier.return.strobe", "true or false"),
        (
            {"remote_clock__capture": "whole", "remote_clock__hold": "3 ns",
             "converter__data_hold": "1 ns"},
            "remote_clock.hold", "2 ns short of a hold of 3 ns",
        ),
        (
            {"remote_clock__capture": "whole", "remote_clock__hold": spread("1 ns", "3 ns"),
             "converter__data_hold": spread("2.5 ns", "9 ns")},
            "remote_clock.hold", "a race that no clock cures",
        ),
        ({"remote_clock__hold": "10.5 ns"}, "remote_clock.hold", "500 ps short"),
        (
            {"remote_clock__hold": "13 ns", "converter__data_hold": spread("0 ns", "2 ns")},
            "remote_clock.hold", "gone 12 ns after its capture",
        ),
        ({"barrier__forward__part_to_part_skew": "-1 ps"}, "barrier.forward.delay",
         "before it was sent"),
        (
            {"barrier__return__delay": "3 ns", "barrier__return__part_to_part_skew": "-1 ns",
             "barrier__channel_skew": UNIFORM,
             "barrier__return__jitter": spread("-1001 ps", "0 ps"),
             "barrier__forward__delay": "9 ns"},
            "barrier.return.delay", "come to -1 ps at the least",
        ),
        (
            {"barrier__return__channel_skew": ["1 ns", "-1 ns"], "frame__lanes": 2},
            "barrier.return.delay", "come to -1 ns",
        ),
        # Held at 1 ns, of which a jitter of 1001 ps is more.
        (
            {"barrier__delay_covers": ["part_to_part_skew"],
             "barrier__return__delay": spread("1 ns", "3 ns"),
             "barrier__return__part_to_part_skew": "-9 ns", "barrier__return__jitter": "-1001 ps"},
            "barrier.return.delay", "come to -1 ps at the least",
        ),
        (
            {"barrier__delay_covers": ["part_to_part_skew"],
             "barrier__return__delay": spread("1 ns", "3 ns"),
             "barrier__return__channel_skew": ["-1001 ps"]},
            "barrier.return.delay", "come to -1 ps at the least",
        ),
        (
            {"barrier__delay_covers": ["channel_skew"], "barrier__forward__delay": EXPONENTIAL},
            "barrier.delay_covers", "only where barrier.forward.delay has an upper limit",
        ),
        (
            {"barrier__return__delay_covers": ["channel_skew"],
             "barrier__return__delay": EXPONENTIAL},
            "barrier.return.delay_covers", "only where barrier.return.delay has an upper limit",
        ),
        ({"barrier__delay_covers": ["jitter"]}, "barrier.delay_covers[0]", 'any of "part_to'),
        ({"barrier__delay_covers": ["skew"]}, "barrier.delay_covers[0]", '"channel_skew" now'),
        ({"barrier__delay_covers": ["chanel_skew"]}, "barrier.delay_covers[0]", '"channel_skew"?'),
        ({"barrier__delay_covers": 2 * ["channel_skew"]}, "barrier.delay_covers[1]", "each once"),
        ({"barrier__delay_covers": "channel_skew"}, "barrier.delay_covers", "a list of any of"),
        ({"barrier__delay_covers": [3]}, "barrier.delay_covers[0]", "got 3; a list of any of"),
        # Limits that differ by 1 ns leave a distortion of 1.
        ({"conversions": 10**10}, "conversions", "2.5 h is the most"),
        ({"trigger__rate": "0.1 Hz"}, "trigger.rate", "2.5 h is the most"),
        ({"trigger": {"pattern": "poisson", "rate": "0.125 Hz"}}, "trigger.rate", "2.5 h is"),
        (
            {"trigger": {"pattern": "burst", "rate": "1 Hz", "burst_length": 10, "gap": "2 min"}},
            "trigger.gap", "2.5 h is the most",
        ),
        (
            {"trigger": {"pattern": "after_read", "gap": "1 s"}, "host__timeout": "9 s"},
            "trigger.gap", "2.5 h is the most",
        ),
        (
            {"barrier": {"pulse_width_distortion": "-2 ns", "return": {"delay": "2 ns"}}},
            "barrier.forward.delay", "a falling edge would arrive before it was sent",
        ),
        (
            {"barrier__return": {"delay": "2 ns", "pulse_width_distortion": spread("-3 ns", "0 ns"),
             "jitter": {"shape": "normal", "mean": "0 s", "sigma": "1 ps"}}},
            "barrier.return.delay", "distortion and jitter come to -1 ns at the least",
        ),
        ({"host__service_latency": "1 h"}, "host.service_latency", "2.5 h is the most"),
        (
            {"remote_clock__frequency": "1e-999 Hz", "barrier__slew_immunity": "9 kV/us",
             "transient": [{"kind": "at", "times": ["1 us"], "slew": "9 kV/us", "swing": "9 V"}]},
            "remote_clock.frequency", "2.5 h is the most",
        ),
    ],
)  # fmt: skip
def test_what_does_not_fit_together_is_refused(complaint, values, key, said):
    line = complaint(**values)
    assert line.startswith(f"<text>: {key}: ")
    assert said in line


@pytest.mark.parametrize(
    "values",
    [
        {"trigger": {"pattern": "after_read", "gap": "1 us", "jitter": UNIFORM},
         "host.timeout": "9 us"},
        {"trigger": {"pattern": "burst", "rate": "1 MHz", "gap": "1 us", "burst_length": 3,
                     "source": "remote"}},
        {"fifo.release_bits": 16, "host.watermark": 4},
        {"fifo.release_bits": 1},
        {"barrier.return.line_rate": "50 Mbps"},
        {"barrier.forward.line_rate": "1 Mbps"},
        {"barrier": {"line_rate": "1 Mbps", "return": {"line_rate": "50 Mbps"}}},
        {"barrier.return": {"style": "packets", "packet_bits": 8, "line_rate": "1 Mbps"}},
        {"barrier": {"line_rate": "9 Mbps", "return": {"style": "packets", "packet_bits": 99}}},
        {"barrier.min_pulse": "10 ns"},
        # What the strobe's pulses come to is judged, and not refused.
        {"barrier": {"min_pulse": "9 ns", "pulse_width_distortion": "-2 ns",
                     "forward": {"delay": "2 ns"}, "return": {"delay": "2 ns"}}},
        {"barrier.pulse_width_distortion": "11 ns"},
        {"barrier.return": {"strobe": False, "line_rate": "50 Mbps"}},
        {"barrier": {"min_pulse": "30 ns", "return": {"min_pulse": "1 ns"}}},
        {"barrier": {"min_pulse": "30 ns", "return": {"style": "packets", "packet_bits": 8,
                                                      "line_rate": "1 Mbps"}}},
        {"barrier.pulse_width_distortion": {"shape": "normal", "mean": "0 s", "sigma": "1 ns"}},
        {"remote_clock": {"frequency": "50 MHz", "capture": "whole", "hold": "3 ns"},
         "converter.data_hold": "3 ns"},
        {"remote_clock.hold": "10 ns"},
        {"remote_clock.hold": spread("9 ns", "99 ns")},
        {"remote_clock.hold": "12 ns", "converter.data_hold": spread("0 ns", "2 ns")},
        {"barrier.forward": {"delay": "1 ns", "part_to_part_skew": UNIFORM}},
        {"barrier.forward.jitter": {"shape": "normal", "mean": "0 s", "sigma": "1 ps"}},
        {"barrier.return": {"channel_skew": ["-1 ns", "2 ns"], "delay": "1 ns"}, "frame.lanes": 2},
        {"conversions": 8 * 10**9},
        {"barrier": {"delay_covers": ["part_to_part_skew", "channel_skew"],
                     "channel_skew": UNIFORM, "return": {
            "delay": spread("1 ns", "3 ns"), "part_to_part_skew": "-9 ns", "jitter": "-1 ns"}}},
        # 3 more than the least, of limits 2 apart: 3 ns, as much as the jitter takes.
        {"barrier.return": {"delay_covers": ["part_to_part_skew"], "delay": spread("1 ns", "3 ns"),
                            "part_to_part_skew": "3 ns", "jitter": "-3 ns"}},
        {"barrier": {"delay_covers": [], "forward": {"delay": EXPONENTIAL}}},
        {"barrier": {"delay_covers": ["channel_skew"], "forward": {
            "delay": EXPONENTIAL, "delay_covers": []}}},
        {"barrier": {"min_pulse": "9 ns", "pulse_width_distortion": "2 ns", "return": {
            "delay_covers": ["pulse_width_distortion"], "delay": spread("5 ns", "6 ns")}}},
        {"trigger": {"pattern": "poisson", "rate": "0.2 Hz"}},
        {"conversions": 10**7, "trigger": {"pattern": "after_read", "gap": "1 us"},
         "host.timeout": "50 us"},
        # A rare long stall may not count as if it came every time.
        {"conversions": 10**6, "trigger": {"pattern": "after_read", "gap": {"shape": "mixture",
         "parts": [{"weight": 0.999999, "of": "1 us"}, {"weight": 1e-6, "of": "1 s"}]}},
         "host.timeout": "50 us"},
    ],
)  # fmt: skip
def test_what_just_fits_is_accepted(scenario, values):
    changed = scenario.with_values(values)
    assert loading.loads(changed.to_toml()) == changed


@pytest.mark.parametrize(
    "values",
    [
        {"converter__conversion_time": {"shape": "normal", "mean": "3 us", "sigma": "1 ns"}},
        {"host__service_latency": {"shape": "normal", "mean": "3 us", "sigma": "1 ns",
                                   "low": "-1 ns"}},
    ],
)  # fmt: skip
def test_a_duration_that_may_fall_below_zero_has_to_be_clipped(complaint, values):
    assert 'may not reach below zero; ask for clipping: low = "0 ns"' in complaint(**values)


def test_durations_below_zero_are_refused_wherever_they_come_from(complaint):
    assert "reaches down to -1 ns" in complaint(host__service_latency="-1 ns")
    assert "reaches down to -1 ns" in complaint(fifo__sync_delay=UNIFORM)
    mixture = {"shape": "mixture", "parts": [{"weight": 1, "of": "1 ns"},
                                             {"weight": 1, "of": "-2 ns"}]}  # fmt: skip
    assert "reaches down to -2 ns" in complaint(barrier__forward__delay=mixture)


def test_tolerances_stay_within_ten_percent(complaint, scenario):
    for key in ("trigger__tolerance", "remote_clock__tolerance"):
        assert "within -10 % and 10 %" in complaint(**{key: "10.1 %"})
        assert "within -10 % and 10 %" in complaint(**{key: spread("-11 %", "0 %")})
        normal = {"shape": "normal", "mean": "0 ppm", "sigma": "1 ppm"}
        assert "ask for clipping" in complaint(**{key: normal})
    scenario.with_value("trigger.tolerance", "-10 %")


def test_every_fault_is_told_in_the_order_of_the_file(complaint):
    first, second, third = complaint(
        host__clock="x", converter__data_hold=3, fifo__depth=0
    ).splitlines()
    # The tables of the minimal scenario stand first, then those that were added.
    assert first.startswith("<text>: converter.data_hold: got 3;")
    assert second.startswith('<text>: host.clock: got "x";')
    assert third.startswith("<text>: fifo.depth: got 0;")
    trigger, host = complaint(
        trigger={"rate": "1 MHz", "tolerence": "1 ppm"}, host={"clock": "25 MHz"}
    ).splitlines()
    assert trigger.startswith("<text>: trigger.tolerence")
    assert host.startswith("<text>: host.service_latency: missing")
    lines = complaint(fifo__release_bits=99, host__watermark=9).splitlines()
    assert [line.split(": ")[1] for line in lines] == ["host.watermark", "fifo.release_bits"]


def test_very_many_faults_are_told_in_part_and_counted(complaint):
    lines = complaint(barrier={f"k{number}": 1 for number in range(30)}).splitlines()
    assert len(lines) == 21
    assert lines[-1] == "<text>: 10 more faults like these"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("10 nS", 'did you mean "10 ns"?'),
        ("3 NS", 'did you mean "3 ns"?'),
        ("10 MHz", "the period of 10 MHz is 100 ns"),
        ("3 kHz", "the period of 3 kHz is 333.33 us"),
        ("0 Hz", None),
        ("-1 MHz", None),
        ("10 m", None),
    ],
)
def test_a_unit_that_does_not_fit_is_asked_about(complaint, text, said):
    line = complaint(converter__data_valid=text)
    assert f'got "{text}"; a duration with a unit' in line
    assert (said in line) if said else line.endswith('such as "14 ns"')


def test_a_duration_for_a_frequency_is_told_what_it_would_be(complaint):
    assert "one turn in 40 ns is 25 MHz" in complaint(host__clock="40 ns")
    # mHz and MHz differ by case alone, and only one of them is a unit here.
    assert 'did you mean "25 MHz"?' in complaint(host__clock="25 mhz")


@pytest.mark.parametrize(
    "value", ["0 s", "-1 us", "0.4 fs", {"shape": "constant", "value": "1 us"}]
)
def test_a_timeout_is_fixed_and_above_zero(complaint, value):
    assert "a fixed duration above zero" in complaint(host__timeout=value)


@pytest.mark.parametrize("key", ["barrier__return__channel_skew", "dump__host_data"])
@pytest.mark.parametrize("many", [0, 65])
def test_a_list_has_one_value_a_lane(complaint, key, many):
    line = complaint(**{key: ["1 ns"] * many})
    assert "a list of 1 to 64 values, one a lane" in line


def test_what_stands_beside_the_data_counts_as_bits_of_the_frame(scenario):
    """Four bits of a counter and a CRC of 8 behind 16 bits of data; packets keep their own."""
    values = {"check.sequence_bits": 4, "check.kind": "crc", "check.width": 8}
    found = scenario.with_values(values | {"check.polynomial": 7})
    bits = scenario.bits_per_lane
    assert (found.bits_per_lane, found.data_bits_per_lane) == (bits + 12, bits)
    assert found.fifo.release_bits == bits + 12
    assert f"release_bits = {bits + 12}" in found.to_toml()
    with pytest.raises(Exception, match=f"a whole number from 1 to {bits + 12}, the bits of"):
        found.with_value("fifo.release_bits", bits + 13)
    keys = {one.key for one in found.assumed}
    assert {"check.on_failure", "check.over", "check.init"} <= keys
    assert not any(one.key.startswith("check") for one in scenario.assumed)
