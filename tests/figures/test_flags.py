"""Which conversions the fault line flags, a femtosecond either side of each boundary.

In the base chain conversion k leaves its trigger at 1000 (k + 1) ns and is read 566 ns after that;
the return direction takes 15 ns. What does not upset any channel may raise the line all the same.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simlink.base.instants import NEVER
from simlink.engines.event import EventEngine
from simlink.figures.flags import read_ends_of
from simlink.figures.host_view import host_view
from simlink.link.eft import slope
from simlink.link.fault_line import highs
from simlink.records import FrameBlock
from simlink.running.run import run
from simlink.scenario.loading import from_dict
from tests.engines.chain import NS, chain, record
from tests.engines.host_clocked_scenarios import serial
from tests.strategies import FINE, GRIDS, raw_scenarios, whole

EDGE = {"slew": "80 kV/us", "swing": "400 V"}
LINE = {"conversions": 4, "fault.threshold": "50 kV/us", "fault.response": "100 ns"}
FORWARD = {"barrier.forward.slew_immunity": "50 kV/us"}
LANES = {"barrier.return.slew_immunity": "50 kV/us", "barrier.return.strobe": False}


def at(time, **more):
    """Return values with one event, in fs."""
    return {"transient": [{"kind": "at", "times": [f"{time} fs"], **EDGE, **more}]}


def flagged(values, time, make=chain, **more):
    """Return the conversions that are flagged."""
    scenario = make(LINE | values | at(time, **more))
    return np.flatnonzero(host_view(scenario, record(scenario))["flagged"][0]).tolist()


@pytest.mark.parametrize(("slew", "found"), [("50 kV/us", []), ("50.000000001 kV/us", [1])])
def test_an_event_has_to_slew_faster_than_the_threshold(slew, found):
    assert flagged({}, 2100 * NS, slew=slew) == found


@pytest.mark.parametrize(
    ("time", "found"),
    [
        # Up at 1566 - 1 fs; the read of 0 ends at 1566 and takes the line down.
        (1451 * NS - 1, [0]),
        # Up as that read ends: the next is that of 1.
        (1451 * NS, [1]),
        # Between two conversions; up until the read of 1 ends.
        (1700 * NS, [1]),
        (2451 * NS - 1, [1]),
        (2451 * NS, [2]),
        # After the last read.
        (4451 * NS - 1, [3]),
        (4451 * NS, []),
    ],
)
def test_the_line_rises_a_response_and_a_crossing_after_the_event(time, found):
    assert flagged({}, time) == found


def test_response_delay_skews_and_jitter_all_add_up():
    own = {
        "fault.response": "90 ns",
        "barrier.return.part_to_part_skew": "4 ns",
        "barrier.return.jitter": "3 ns",
        "barrier.return.channel_skew": {"shape": "uniform", "low": "3 ns", "high": "3 ns"},
        "fifo.sync_delay": "0 s",
        "host.service_latency": "96 ns",
    }
    # The last bit, too, comes 10 ns later: read at 1566 as before.
    scenario = chain(LINE | own)
    assert record(scenario).read_end[0, 0] == 1566 * NS
    assert flagged(own, 1451 * NS - 1) == [0]
    assert flagged(own, 1451 * NS) == [1]


@pytest.mark.parametrize(
    ("hold", "found"),
    [
        ("0 s", [0]),
        # Up at 1500, and down at 2000 at the earliest, as trigger 1 leaves.
        ("500 ns", [0]),
        ("500.000001 ns", [0, 1]),
        # A hold takes no account of reads that end before it is over.
        ("1500 ns", [0, 1]),
        ("1500.000001 ns", [0, 1, 2]),
    ],
)
def test_the_line_falls_once_hold_and_next_read_are_over(hold, found):
    assert flagged({"fault.hold": hold}, 1385 * NS) == found


def test_the_next_read_takes_it_down_where_the_hold_is_over():
    # Up at 1700, held to 1800: down as the read of 1 ends, at 2566; of 2 that leaves none.
    assert flagged({"fault.hold": "100 ns"}, 1585 * NS) == [1]
    # With a host that takes 434 ns longer that read ends as trigger 2 leaves, and then after it.
    slow = {"host.service_latency": "534 ns"}
    assert flagged(slow, 2585 * NS) == [1]
    assert flagged({"host.service_latency": "534.000001 ns"}, 2585 * NS) == [1, 2]


def test_two_reports_hold_the_line_as_one_as_long_as_the_later_does():
    values = LINE | {"fault.hold": "300 ns"}
    values |= {"transient": [{"kind": "at", "times": ["1385 ns", "1590 ns"], **EDGE}]}
    scenario = chain(values)
    block = record(scenario)
    # From 1500 to 1800, and from 1705 until the read of 1 ends.
    high = highs(scenario, 0, read_ends_of(scenario, block), 4000 * NS)
    assert high.stretches == [(1500 * NS, 2566 * NS)]
    assert host_view(scenario, block)["flagged"][0].tolist() == [True, True, False, False]


@pytest.mark.parametrize(
    ("response", "found", "told"),
    [
        # Trigger 1 is lost at 2005; the host has read frame 2 at 3566.
        ("100 ns", [1, 2], True),
        ("1545.999999 ns", [1, 2], True),
        ("1546 ns", [3], False),
    ],
)
def test_what_is_lost_is_flagged_up_to_the_read_of_a_later_frame(response, found, told):
    values = FORWARD | {"fault.response": response}
    assert flagged(values, 2005 * NS) == found
    scenario = chain(LINE | values | at(2005 * NS))
    one = host_view(scenario, record(scenario))[0, 1]
    assert (bool(one["told"]), int(one["believed"])) == (told, -1)


def test_what_is_lost_last_is_flagged_until_the_trial_ends():
    # Trigger 3 leaves at 4000, the last thing that happens; the line is up, or goes up then.
    up = {"fault.hold": "900 ns"}
    lost = {"transient": [{"kind": "at", "times": ["3385 ns", "4005 ns"], **EDGE}]}
    for hold, found in (("500 ns", False), ("500.000001 ns", True)):
        scenario = chain(LINE | FORWARD | lost | up | {"fault.hold": hold})
        assert host_view(scenario, record(scenario))["flagged"][0].tolist()[3] is found


def test_a_fast_pulse_raises_the_line_as_it_begins_if_its_front_is_steep_enough():
    # IEC 61000-4-4's double exponential is steepest as it begins: slope(0) of its peak.
    peak = 1000.0
    steepest = slope(0) * peak * 1e15
    for threshold, found in ((steepest * 1.001, []), (steepest * 0.999, [2])):
        pulse = {"kind": "eft", "peak": "1 kV", "start": "2451 ns"}
        scenario = chain(
            LINE | {"transient": [pulse], "fault.threshold": f"{threshold / 1e9:.6f} kV/us"}
        )
        block = record(scenario)
        # It rises as the read of 1 ends, so that it is up for that of 2.
        assert np.flatnonzero(host_view(scenario, block)["flagged"][0]).tolist() == found


def test_the_ledger_and_the_figures_tell_of_it():
    scenario = chain(LINE | LANES | at(2230 * NS))
    plain = chain({"conversions": 4} | LANES | at(2230 * NS))
    with_line, without = run(scenario), run(plain)
    columns = ["flagged", "told"]
    assert (
        with_line.ledger[columns].to_numpy().tolist()
        == [[False] * 2, [True] * 2] + [[False] * 2] * 2
    )
    assert not without.ledger[columns].to_numpy().any()
    counts = ("corrupted_flagged", "corrupted_silent", "silent")
    assert [with_line.figures[name].count for name in counts] == [1, 0, 0]
    assert [without.figures[name].count for name in counts] == [0, 1, 1]
    assert with_line.figures["flagged"].count == 1
    assert "flagged" not in without.figures
    # The line changes nothing of the link.
    others = [name for name in with_line.ledger.columns if name not in columns]
    assert with_line.ledger[others].equals(without.ledger[others])


def test_a_host_that_clocks_the_converter_has_a_fault_line_too():
    scenario = serial(LINE | at(2000 * NS))
    block = record(scenario)
    end = int(block.read_end[0, 1])
    static = 100 * NS + int(scenario.barrier.direction("return").delay.constant_value)
    for time, found in ((end - static - 1, [1]), (end - static, [2])):
        assert flagged({}, time, serial) == found


@st.composite
def flagging(draw):
    """Return scenarios with events that are many, and a line of drawn response and hold."""
    raw = draw(raw_scenarios(draw(st.sampled_from([FINE, *GRIDS]))))
    ns = [whole(draw, 0, 3000) for _ in range(4)]
    raw["transient"] = [
        {"kind": "poisson", "rate": f"{whole(draw, 20, 900)} kHz", **EDGE},
        {"kind": "at", "times": [f"{10 * one} ns" for one in ns], **EDGE},
    ]
    raw["fault"] = {
        "threshold": "50 kV/us",
        "response": {"shape": "uniform", "low": "0 ns", "high": f"{ns[0] + 1} ns"},
        "hold": {"shape": "exponential", "mean": f"{ns[1] + 1} ns"},
    }
    return raw


def by_hand(scenario, block):
    """Return who is flagged, each against every stretch in which the line is high."""
    reads = read_ends_of(scenario, block)
    last = max(
        int(getattr(block, name)[0].max()) for name in ("due", "trigger", "ready", "release")
    )
    last = max(last, *reads, 0) if reads else last
    high = highs(scenario, block.trials[0], reads, last).stretches
    ends = np.maximum(block.read_end[0], block.void_read[0]).tolist()
    found = []
    for k, trigger in enumerate(block.trigger[0].tolist()):
        later = [end for end in ends[k:] if end != NEVER]
        until = later[0] if later else last
        found.append(any(a < until and b > trigger for a, b in high))
    return found


@settings(max_examples=60)
@given(flagging(), st.integers(1, 7))
def test_whole_and_in_stretches_it_is_what_each_stretch_of_the_line_gives(raw, size):
    scenario = from_dict(raw, "tests/engines")
    (block,) = EventEngine().run(scenario, range(1), words=False)
    scenario = scenario.with_(trials=1)
    whole_trial = host_view(scenario, block)
    sent = block.fate[0] >= 0
    assert (
        whole_trial["flagged"][0][sent].tolist()
        == np.array(by_hand(scenario, block))[sent].tolist()
    )
    pieces = [
        FrameBlock(block.trials, first, block.records[:, first : first + size])
        for first in range(0, scenario.conversions, size)
    ]
    if not len(block.unrequested):
        assert host_view(scenario, *pieces).tobytes() == whole_trial.tobytes()


@settings(max_examples=40)
@given(flagging(), st.integers(0, 84))
def test_nothing_that_is_hit_is_silent_under_a_line_that_is_quicker_than_the_read(raw, response):
    """Of upsets that invert bits alone. What an event at t hits arrives after t, and is read after
    110 ns more at the least, the line up by then. It is sent before t + 5 ns, and the line is up
    for longer than that."""
    raw["barrier"] = {
        "forward": {"delay": "10 ns"},
        "return": {"delay": "15 ns", "strobe": False, "slew_immunity": "50 kV/us"},
    }
    raw["fault"] |= {"response": f"{response} ns", "hold": "5 ns"}
    raw["fifo"].pop("release_bits", None)
    raw["host"] |= {"service_latency": "100 ns"}
    scenario = from_dict(raw, "tests/engines").with_(trials=1)
    (block,) = EventEngine().run(scenario, range(1), words=False)
    found = host_view(scenario, block)
    read = (block.hit[0] > 0) & (block.read_end[0] >= 0)
    assert found["flagged"][0][read].all()


def test_a_slow_link_has_nothing_silent_under_a_line_and_much_without():
    """A microsecond apart, each frame is put right before the next: data alone is at stake."""
    values = LANES | {"conversions": 4000, "seed": 5}
    values["transient"] = [{"kind": "poisson", "rate": "200 kHz", **EDGE}]
    line = {"fault.threshold": "50 kV/us", "fault.response": "84 ns", "fault.hold": "5 ns"}
    told = run(chain(values | line), engine="event").figures
    untold = run(chain(values), engine="event").figures
    assert told["silent"].count == 0
    assert told["corrupted_flagged"].count == untold["silent"].count > 40
    assert told["flagged"].count > told["corrupted_flagged"].count
