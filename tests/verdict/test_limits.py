"""Rows of the table of limits, each worked by hand one unit either side of its limit."""

import re
from fractions import Fraction

import pytest

from simlink.running.run import run
from simlink.verdict.limit import KEYS, Known
from tests.engines.chain import chain
from tests.engines.host_clocked_scenarios import serial

NS = Fraction(1, 10**9)
FS = Fraction(1, 10**15)


def judged(scenario, conversions=12, trials=3):
    return run(scenario.with_(conversions=conversions, trials=trials), workers=1).verdict


BURST = {
    "trigger.pattern": "burst", "trigger.rate": "4 MHz", "trigger.burst_length": 3,
    "trigger.gap": "10 us", "converter.conversion_time": "150 ns",
}  # fmt: skip
QUICK = {"host.clock": "100 MHz", "host.service_latency": "0 ns"}
PACKETS = {"barrier.return.style": "packets", "barrier.return.packet_bits": 4}

# key, scenario, what holds, what just does not, the limit that both have or None, and by how much
# the second misses it.
CASES = [
    # 1 us less a conversion of 200 ns.
    ("acquisition", {}, {"converter.acquisition_time": "800 ns"},
     {"converter.acquisition_time": "800.000001 ns"}, -FS),
    # 915 + 5 ns and four bits at 50 MHz.
    ("period", {}, {"converter.conversion_time": "915 ns"},
     {"converter.conversion_time": "915.000001 ns"}, -FS),
    # Half a period is 10 ns.
    ("setup", {"remote_clock.setup": "3 ns"}, {"converter.data_valid": "7 ns"},
     {"converter.data_valid": "7.000001 ns"}, -FS),
    # The first bit comes with busy, 5 ns ahead of the clock.
    ("first_bit", {"remote_clock.setup": "3 ns"}, {"converter.msb_valid": "12 ns"},
     {"converter.msb_valid": "12.000001 ns"}, -FS),
    # A lane half a period behind its strobe.
    ("strobe_setup", {}, {"barrier.return.channel_skew": ["10 ns"]},
     {"barrier.return.channel_skew": ["10.000001 ns"]}, -FS),
    ("strobe_hold", {}, {"barrier.return.channel_skew": ["-10 ns"]},
     {"barrier.return.channel_skew": ["-10.000001 ns"]}, -FS),
    # A strobe of 50 MHz asks for 100 Mbit/s.
    ("line_rate", {"barrier.line_rate": "100 Mbit/s"}, {"remote_clock.tolerance": "0 ppm"},
     {"remote_clock.tolerance": "1 ppm"}, -100),
    # Trigger, data and strobe.
    ("channels", {}, {"barrier.channels": 3}, {"barrier.channels": 2}, -1),
    # Four bits a microsecond.
    ("packet_rate", PACKETS, {"barrier.return.line_rate": "4 Mbit/s"},
     {"barrier.return.line_rate": "3.2 Mbit/s"}, Fraction(-1, 4)),
    # A read of 160 ns; a femtosecond more than the period is too much in the long run.
    ("host_rate", {}, {"host.service_latency": "840 ns"},
     {"host.service_latency": "840.000001 ns"}, -FS * 10**6),
    # A frame holds its slot for 66 + 100 + 160 ns, and the next one comes 250 ns after it; then
    # every 260 ns one goes and every 250 ns one comes.
    ("fifo_depth", BURST, {"fifo.depth": 2}, {"fifo.depth": 1}, -1),
    # Released after two bits, bit 3 is in 40 ns later and taken after 6 + 35 ns.
    ("early_read", QUICK, {"fifo.release_bits": 2}, {"fifo.release_bits": 1}, None),
    # 10 + 200 + 5 + 70 + 15 + 6 ns.
    ("timeout", {}, {"host.timeout": "306 ns"}, {"host.timeout": "305.999999 ns"}, -FS),
    # 700 ns of synchroniser put the release at the next trigger.
    ("interrupt", {"host.interrupt": "edge"}, {"fifo.sync_delay": "700 ns"},
     {"fifo.sync_delay": "700.000001 ns"}, -FS),
]  # fmt: skip


@pytest.mark.parametrize(("key", "base", "holds", "breaks", "over"), CASES)
def test_a_remote_masters_limits_to_the_unit(key, base, holds, breaks, over):
    inside, outside = judged(chain(base | holds)), judged(chain(base | breaks))
    assert inside[key].holds
    assert inside[key].margin in (None, 0) or key == "early_read"
    assert inside.meets, inside.sentence
    assert outside[key].known is Known.VIOLATED
    assert outside[key].margin == pytest.approx(over, rel=1e-6) if over else True
    assert not outside.meets
    assert [one.key for one in outside.limits if not one.holds] == [key]
    assert outside.least.key == key
    assert outside.sentence.startswith("Does not meet ")
    assert outside[key].what in outside.sentence


# Two periods of 20 ns after the launch, 10 ns out and 12 ns back; the host's setup is 3 ns.
SERIAL_CASES = [
    ("setup", {}, {"converter.data_valid": "15 ns"}, {"converter.data_valid": "15.000001 ns"}),
    # The next launch is back, with 1 ns of data hold, 3 ns after the capture.
    ("hold", {}, {"host.hold": "3 ns"}, {"host.hold": "3.000001 ns"}),
    ("pulse", {}, {"barrier.min_pulse": "10 ns"}, {"barrier.min_pulse": "10.000001 ns"}),
    # Busy and data cross alike; it is captured 6 + 100 + 40 ns later.
    ("first_bit", {}, {"converter.msb_valid": "143 ns"}, {"converter.msb_valid": "143.000001 ns"}),
]


@pytest.mark.parametrize(("key", "base", "holds", "breaks"), SERIAL_CASES)
def test_a_host_clocks_captures_to_the_femtosecond(key, base, holds, breaks):
    inside, outside = judged(serial(base | holds)), judged(serial(base | breaks))
    assert inside[key].known is Known.PROVEN
    assert inside[key].margin == 0
    assert inside.meets, inside.sentence
    assert outside[key].known is Known.VIOLATED
    assert outside[key].margin == -FS
    assert not outside.meets
    assert key in [one.key for one in outside.limits if one.known is Known.VIOLATED]
    assert "wrong bits in" in outside[key].evidence


def test_a_host_that_reads_the_converter_has_to_be_done_before_the_next_trigger():
    """200 + 12 + 6 + 100 + 10 ns and three bits at 50 MHz come to 388 ns."""
    holds = judged(serial({"host.service_latency": "712 ns"}))
    assert holds["period"].worst == holds["period"].limit == 1000 * NS
    assert holds["period"].known is Known.PROVEN
    late = judged(serial({"host.service_latency": "712.000001 ns"}))
    assert late["period"].known is Known.VIOLATED
    assert late["period"].margin == -FS


def test_every_row_has_a_place_and_every_key_is_known():
    found = judged(chain(PACKETS | {"barrier.return.line_rate": "4 Mbit/s"}))
    places = [KEYS.index(one.key) for one in found.limits]
    assert places == sorted(set(places))
    assert all(one.keys and one.evidence and one.what for one in found.limits)
    with pytest.raises(KeyError):
        found["strobe_setup"]


def test_a_limit_that_no_bounded_draw_breaks_is_proven_and_one_that_some_draw_breaks_is_possible():
    """Of 10 ns of half a period setup and data valid take 9 ns, or 11 ns at the most."""
    law = {"shape": "limits", "low": "1 ns", "typical": "2 ns", "high": "6 ns"}
    proven = judged(chain({"remote_clock.setup": "3 ns", "converter.data_valid": law}))["setup"]
    assert (proven.known, proven.margin) == (Known.PROVEN, NS)
    rare = law | {"high": "7.01 ns"}
    found = judged(chain({"remote_clock.setup": "3 ns", "converter.data_valid": rare}))
    assert found["setup"].known is Known.POSSIBLE
    assert found["setup"].margin == -NS / 100
    assert not found.meets
    assert found.sentence == (
        "May not meet 1 MHz: the limit of converter-side setup can be violated, 0.1 % over "
        "(10.01 ns of 10 ns)."
    )


def test_what_has_no_bound_is_not_seen_or_possible_but_never_proven():
    law = {"shape": "gamma", "mean": "2 ns", "sigma": "500 ps"}
    found = judged(chain({"converter.data_valid": law}))
    assert found["setup"].known is Known.NOT_SEEN
    assert "no bound" in found["setup"].evidence
    assert found["setup"].evidence.startswith("0 of 36 words: below ")
    assert "of boards" in found["setup"].evidence
    wide = judged(chain({"converter.data_valid": law | {"sigma": "3 ns"}}), trials=1)
    assert wide["setup"].known in (Known.POSSIBLE, Known.VIOLATED)


def test_a_limit_of_a_unit_that_takes_no_bit_is_told_with_the_units():
    """One lane of a list, 5 ns and more behind a strobe of 100 MHz, breaks it on every board."""
    skews = {"barrier.return.channel_skew": ["6 ns"], "remote_clock.frequency": "100 MHz"}
    found = judged(chain(skews))
    assert found["strobe_setup"].known is Known.VIOLATED
    assert "3 of 3 boards break it" in found["strobe_setup"].evidence
    single = judged(chain(skews), trials=1)
    assert "1 of 1 board breaks it" in single["strobe_setup"].evidence


def test_a_jitter_that_counts_at_no_bit_error_ratio_proves_nothing():
    """Half a period of 10 ns less a lane's delay that an exponential jitter lengthens."""
    law = {"shape": "exponential", "mean": "1 ns"}
    found = judged(serial({"barrier.return.jitter": law}))
    assert found["setup"].known is Known.NOT_SEEN
    assert "barrier.return.jitter has neither bounds nor a normal law" in found["setup"].evidence
    wild = judged(serial({"barrier.return.jitter": law | {"mean": "30 ns"}}))
    assert not wild.meets
    assert wild.least.key == "setup"
    assert "Wrong bits in" in wild.because


def _strobed(conversions, sigma, **more):
    """A strobe that rises 10 ns after its bit and 10 ns ahead of the bit's end, and falls 10 ns
    later; all edges jitter, so that of each 10 ns two edges take sqrt(2) sigma."""
    law = {"shape": "normal", "mean": "0 ps", "sigma": sigma, **more}
    values = {"barrier.return.strobe": True, "barrier.return.jitter": law}
    return judged(chain(values), conversions, trials=1)


def test_jitter_that_is_sure_to_have_broken_several_limits_is_laid_to_each():
    """10 ns are sqrt(2) sigmas of 7.07 ns: 0.0786 of the edges, and three bits a frame at the
    least, of 128 frames more than 30 bits."""
    found = _strobed(128, "5 ns")
    for key in ("strobe_setup", "strobe_hold", "pulse"):
        assert found[key].known is Known.VIOLATED, key
        assert re.search(r"^wrong bits in \d+ of 128 words; other limits took", found[key].evidence)


def test_what_wrong_bits_do_not_tell_is_not_denied():
    """Of 12 frames it is less than three bits for each of the three limits."""
    found = _strobed(12, "5 ns")
    assert found["strobe_setup"].known is Known.VIOLATED
    for key in ("strobe_hold", "pulse"):
        assert found[key].known is Known.POSSIBLE
        assert found[key].evidence == (
            "the worst case breaks it; wrong bits do not tell whether any of 1 board did"
        )


def test_jitter_within_bounds_is_laid_to_the_nearest_limit_and_not_denied_of_the_others():
    """Between 11 ns early and 11 ns late: how often two edges take 10 ns no law of tails says."""
    found = _strobed(128, "5 ns", low="-11 ns", high="11 ns")
    known = [found[key].known for key in ("strobe_setup", "strobe_hold", "pulse")]
    assert known == [Known.VIOLATED, Known.POSSIBLE, Known.POSSIBLE]
    assert "none of" not in found["strobe_hold"].evidence


def test_where_no_bit_is_wrong_no_board_broke_it():
    """10 ns are 4.7 sigmas of 2.1 ns: one edge in a million."""
    found = _strobed(36, "1.5 ns")
    for key in ("strobe_setup", "strobe_hold", "pulse"):
        assert found[key].evidence == "the worst case breaks it, none of 1 board did"


def test_a_conversion_without_a_bound_may_outlast_the_period():
    """The readout alone is longer than acquisition takes, however late it begins."""
    law = {"shape": "exponential", "mean": "400 ns"}
    changes = {"converter.conversion_time": law, "converter.acquisition_time": "1 ns"}
    acquisition = judged(chain(changes))["acquisition"]
    assert acquisition.known is Known.PROVEN
    assert acquisition.evidence == "for every draw within the given laws"
    longer = {**changes, "converter.acquisition_time": "10 us"}
    acquisition = judged(chain(longer))["acquisition"]
    assert acquisition.known is not Known.PROVEN
