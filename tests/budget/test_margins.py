"""Which quantities each margin holds and how.

The table was printed by the code; its signs were then checked against what travels where, so it
guards against change more than it proves the terms.

In front: ``+`` what uses the margin up, ``-`` what gives to it, ``s`` what the slower of a line's
two edges comes late, ``f`` what its faster one comes early. Data that comes late takes from setup
and gives to hold, a capture that comes late the other way round. Behind: the streams that a unit
draws it from, or ``edge`` or ``conversion`` for what is drawn anew for each.
"""

import pytest

from simlink.budget.channels import rules
from simlink.budget.schemes import margins
from simlink.scenario.writing import every_key
from tests.budget.budget_cases import made

SIGNS = {"plus": "+", "minus": "-", "slower": "s", "faster": "f"}

FORWARDED = """
setup: 1/2 T
  + forward delay | barrier.forward.delay
  + forward part-to-part skew | barrier.forward.spread
  + clock channel skew | barrier.forward.skew clock
  + forward distortion, launching edge | barrier.forward.pulse_width_distortion
  + jitter, launching edge | edge
  + data valid | converter.data_valid
  + return delay | barrier.return.delay
  + return part-to-part skew | barrier.return.spread
  + lane skew | barrier.return.skew lane 0
  s return distortion, slower data edge | barrier.return.pulse_width_distortion
  + jitter, data edge | edge
  + host setup | host.setup
hold: 1/2 T
  - forward delay | barrier.forward.delay
  - forward part-to-part skew | barrier.forward.spread
  - clock channel skew | barrier.forward.skew clock
  - forward distortion, launching edge | barrier.forward.pulse_width_distortion
  - jitter, launching edge | edge
  - data hold | converter.data_hold
  - return delay | barrier.return.delay
  - return part-to-part skew | barrier.return.spread
  - lane skew | barrier.return.skew lane 0
  f return distortion, faster data edge | barrier.return.pulse_width_distortion
  - jitter, data edge | edge
  + host hold | host.hold
first bit: 1/2 T
  + first bit valid | converter.msb_valid
  + lane skew | barrier.return.skew lane 0
  - busy channel skew | barrier.return.skew busy
  f return distortion, busy against data | barrier.return.pulse_width_distortion
  + jitter, data edge | edge
  - jitter, busy edge | edge
  - busy synchroniser | conversion
  - service latency | conversion
  + host setup | host.setup
forward clock, high pulse: 1/2 T
  - forward distortion, high pulse | barrier.forward.pulse_width_distortion
  + jitter, forward rising edge | edge
  - jitter, forward falling edge | edge
  + shortest pulse | barrier.forward.min_pulse
forward clock, low pulse: 1/2 T
  + forward distortion, low pulse | barrier.forward.pulse_width_distortion
  + jitter, forward falling edge | edge
  - jitter, forward rising edge | edge
  + shortest pulse | barrier.forward.min_pulse
"""

RETURNED = """
setup: 1/2 T
  + forward distortion, launching edge | barrier.forward.pulse_width_distortion
  + jitter, launching edge | edge
  - jitter, capturing rising edge | edge
  + data valid | converter.data_valid
  + lane skew | barrier.return.skew lane 0
  - returned clock skew | barrier.return.skew clock
  - jitter, returned clock edge | edge
  + jitter, data edge | edge
  + host setup | host.setup
  s return distortion, slower data edge | barrier.return.pulse_width_distortion
hold: 1/2 T
  - forward distortion, launching edge | barrier.forward.pulse_width_distortion
  + jitter, capturing rising edge | edge
  - jitter, next launching edge | edge
  - data hold | converter.data_hold
  - lane skew | barrier.return.skew lane 0
  + returned clock skew | barrier.return.skew clock
  + jitter, returned clock edge | edge
  - jitter, data edge | edge
  + host hold | host.hold
  f return distortion, faster data edge | barrier.return.pulse_width_distortion
first bit: 1/2 T
  + first bit valid | converter.msb_valid
  + lane skew | barrier.return.skew lane 0
  - busy channel skew | barrier.return.skew busy
  - forward delay | barrier.forward.delay
  - forward part-to-part skew | barrier.forward.spread
  - clock channel skew | barrier.forward.skew clock
  - return delay | barrier.return.delay
  - return part-to-part skew | barrier.return.spread
  - returned clock skew | barrier.return.skew clock
  + jitter, data edge | edge
  - jitter, busy edge | edge
  - jitter, capturing rising edge | edge
  - jitter, returned clock edge | edge
  - busy synchroniser | conversion
  - service latency | conversion
  + host setup | host.setup
  f return distortion, busy against data | barrier.return.pulse_width_distortion
forward clock, high pulse: 1/2 T
  - forward distortion, high pulse | barrier.forward.pulse_width_distortion
  + jitter, forward rising edge | edge
  - jitter, forward falling edge | edge
  + shortest pulse | barrier.forward.min_pulse
forward clock, low pulse: 1/2 T
  + forward distortion, low pulse | barrier.forward.pulse_width_distortion
  + jitter, forward falling edge | edge
  - jitter, forward rising edge | edge
  + shortest pulse | barrier.forward.min_pulse
returned clock, high pulse: 1/2 T
  - forward distortion, high pulse | barrier.forward.pulse_width_distortion
  + jitter, forward rising edge | edge
  - jitter, forward falling edge | edge
  - return distortion, high pulse | barrier.return.pulse_width_distortion
  + jitter, return rising edge | edge
  - jitter, return falling edge | edge
  + shortest pulse | barrier.return.min_pulse
returned clock, low pulse: 1/2 T
  + forward distortion, low pulse | barrier.forward.pulse_width_distortion
  + jitter, forward falling edge | edge
  - jitter, forward rising edge | edge
  + return distortion, low pulse | barrier.return.pulse_width_distortion
  + jitter, return falling edge | edge
  - jitter, return rising edge | edge
  + shortest pulse | barrier.return.min_pulse
"""

RETURNED_WHOLE = """
setup: 1 T
  + jitter, launching edge | edge
  - jitter, capturing falling edge | edge
  + data valid | converter.data_valid
  + lane skew | barrier.return.skew lane 0
  - returned clock skew | barrier.return.skew clock
  - jitter, returned clock edge | edge
  + jitter, data edge | edge
  + host setup | host.setup
  f return distortion, data against clock | barrier.return.pulse_width_distortion
hold: 0 T
  - data hold | converter.data_hold
  - lane skew | barrier.return.skew lane 0
  + returned clock skew | barrier.return.skew clock
  + jitter, returned clock edge | edge
  - jitter, data edge | edge
  + host hold | host.hold
  s return distortion, clock against data | barrier.return.pulse_width_distortion
first bit: 1 T
  + first bit valid | converter.msb_valid
  + lane skew | barrier.return.skew lane 0
  - busy channel skew | barrier.return.skew busy
  - forward delay | barrier.forward.delay
  - forward part-to-part skew | barrier.forward.spread
  - clock channel skew | barrier.forward.skew clock
  - return delay | barrier.return.delay
  - return part-to-part skew | barrier.return.spread
  - returned clock skew | barrier.return.skew clock
  + jitter, data edge | edge
  - jitter, busy edge | edge
  - jitter, capturing falling edge | edge
  - jitter, returned clock edge | edge
  - busy synchroniser | conversion
  - service latency | conversion
  + host setup | host.setup
  f return distortion, busy against data | barrier.return.pulse_width_distortion
  - forward distortion, capturing edge | barrier.forward.pulse_width_distortion
  - return distortion, capturing edge | barrier.return.pulse_width_distortion
"""

REMOTE = """
setup: 1/2 T of a clock that may be off
  + data valid | converter.data_valid
  + remote master setup | remote_clock.setup
hold: 1/2 T of a clock that may be off
  - data hold | converter.data_hold
  + remote master hold | remote_clock.hold
first bit: 1/2 T of a clock that may be off
  + first bit valid | converter.msb_valid
  + remote master setup | remote_clock.setup
  - start delay | conversion
lane to strobe, setup: 1/2 T of a clock that may be off
  + lane skew | barrier.return.skew lane 0
  - strobe skew | barrier.return.skew strobe
  s return distortion, slower data edge | barrier.return.pulse_width_distortion
  + jitter, data edge | edge
  - jitter, strobe edge | edge
lane to strobe, hold: 1/2 T of a clock that may be off
  - lane skew | barrier.return.skew lane 0
  + strobe skew | barrier.return.skew strobe
  f return distortion, faster data edge | barrier.return.pulse_width_distortion
  - jitter, data edge | edge
  + jitter, strobe edge | edge
strobe, high pulse: 1/2 T of a clock that may be off
  - return distortion, high pulse | barrier.return.pulse_width_distortion
  + jitter, return rising edge | edge
  - jitter, return falling edge | edge
  + shortest pulse | barrier.return.min_pulse
strobe, low pulse: 1/2 T of a clock that may be off
  + return distortion, low pulse | barrier.return.pulse_width_distortion
  + jitter, return falling edge | edge
  - jitter, return rising edge | edge
  + shortest pulse | barrier.return.min_pulse
"""

#: High from the rising to the falling edge: what comes late at its start, or falls sooner, takes.
CLOCK_INPUT = """
clock period: 1 T
  + jitter, clock edge | edge
  - jitter, next edge of its kind | edge
  + shortest clock period | converter.min_clock_period
clock high time: 1/2 T
  - forward distortion, high time | barrier.forward.pulse_width_distortion
  + jitter, rising edge | edge
  - jitter, falling edge | edge
  + shortest clock high time | converter.min_clock_high
clock low time: 1/2 T
  + forward distortion, low time | barrier.forward.pulse_width_distortion
  + jitter, falling edge | edge
  - jitter, rising edge | edge
  + shortest clock low time | converter.min_clock_low
"""


def told(margin):
    """Write a margin as the tables above do."""
    off = " of a clock that may be off" if margin.tolerance else ""
    yield f"{margin.name}: {margin.periods} T{off}"
    for term in margin.terms:
        drawn = ", ".join(term.sources) or term.drawn
        yield f"  {SIGNS[term.enters]} {term.name} | {drawn}"


@pytest.mark.parametrize(
    ("scheme", "capture", "table"),
    [
        ("forwarded_clock", "half", FORWARDED),
        ("returned_clock", "half", RETURNED),
        ("returned_clock", "whole", RETURNED_WHOLE),
        ("remote_master", "half", REMOTE),
    ],
)
def test_what_a_margin_holds(scheme, capture, table):
    found = margins(made({"host.capture": capture}), scheme)
    # The widths of the clock's pulses are the same whichever edge captures.
    kept = found[:3] if capture == "whole" else found
    assert [line for margin in kept for line in told(margin)] == table.strip().split("\n")
    for term in (term for margin in found for term in margin.terms):
        assert term.key in every_key()


def test_what_the_converter_asks_of_its_clock():
    asked = {f"converter.min_clock_{one}": "9 ns" for one in ("period", "high", "low")}
    found = [one for one in margins(made(asked), "forwarded_clock") if one.name[:6] == "clock "]
    assert [line for margin in found for line in told(margin)] == CLOCK_INPUT.strip().split("\n")
    edges = [term.key for margin in found for term in margin.terms if term.drawn == "edge"]
    assert edges == ["barrier.forward.jitter"] * 6


def test_each_lane_has_a_stream_of_its_own():
    (setup, *_) = margins(made({"frame.lanes": 2}), "returned_clock")
    (skew,) = (term for term in setup.terms if term.name == "lane skew, worst of 2")
    assert skew.sources == ("barrier.return.skew lane 0", "barrier.return.skew lane 1")
    assert len(skew.laws) == 2


def test_times_without_a_jitter_of_their_own_are_drawn_once_a_unit():
    for scheme in ("forwarded_clock", "returned_clock", "remote_master"):
        for margin in margins(made(), scheme):
            for term in margin.terms:
                jitters = term.key.endswith(".jitter")
                assert (term.drawn == "edge") == jitters
                assert (term.drawn == "unit") == bool(term.sources)


def test_a_whole_period_s_capture_by_the_remote_master_leaves_its_hold_none():
    setup, hold, first = margins(
        made({"link.scheme": "remote_master", "remote_clock.capture": "whole",
              "barrier.return.style": "packets",
              "barrier.return.packet_bits": 3, "barrier.return.line_rate": "1 Gbit/s"}),
        "remote_master",
    )[:3]  # fmt: skip
    assert [float(one.periods) for one in (setup, hold, first)] == [1.0, 0.0, 1.0]


@pytest.mark.parametrize("strobe", [True, False])
@pytest.mark.parametrize("rate", [None, "19 Mbit/s", "20 Mbit/s", "39 Mbit/s", "40 Mbit/s"])
def test_only_the_scenario_says_that_lanes_are_self_clocked(rate, strobe):
    """20 MHz: a strobe needs 40 Mbit/s, and a line that has less does not do without."""
    values = {"barrier.return.strobe": strobe}
    values |= {} if rate is None else {"barrier.return.line_rate": rate}
    made_ = made({"remote_clock.frequency": "20 MHz", "link.scheme": "forwarded_clock",
                  "host.clock": "9 MHz", **values})  # fmt: skip
    names = [margin.name for margin in margins(made_, "remote_master")]
    assert ("lane to strobe, setup" in names) is strobe
    (rule,) = [*rules(made_, "remote_master"), None][:1]
    if rule is not None:
        assert (rule.name, rule.per_clock) == (("the strobe", 2) if strobe else ("the data", 1))
    assert (rule is None) is (rate is None)


def test_the_only_bit_of_a_frame_has_to_be_set_up_after_busy():
    for scheme in ("forwarded_clock", "returned_clock", "remote_master"):
        setup, hold, *others = margins(made({"frame.word_bits": 1}), scheme)
        assert (setup.name, hold.name) == ("setup", "hold")
        assert setup.terms[0].name == "first bit valid"
        assert "first bit" not in [one.name for one in others]


def test_a_frame_of_one_bit_has_no_low_pulse():
    """Pulses are judged among those of one frame."""
    values = {"frame.word_bits": 1}
    for scheme, clocks in (("remote_master", 1), ("forwarded_clock", 1), ("returned_clock", 2)):
        names = [margin.name for margin in margins(made(values), scheme)]
        assert sum("high pulse" in name for name in names) == clocks
        assert not any("low pulse" in name for name in names)
