"""Named intervals where the host's own clock reads: by hand, and against records and rules."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings

from simlink.base.instants import FAR, NEVER
from simlink.link import unit
from simlink.link.content import BitOutcome
from simlink.link.host_clocked import bit_outcome
from simlink.scenario.loading import load
from simlink.tracing.edges import across, host_captures, reads_of
from simlink.tracing.measured import edges_of, measure
from simlink.tracing.trace import trace
from tests.engines.chain import NS
from tests.engines.host_clocked_scenarios import serial, serial_scenarios


def lengths(scenario, conversions=None):
    found = {}
    for span in measure(edges_of(trace(scenario, conversions))):
        found.setdefault(span.symbol, []).append(span.length / NS)
    return found


def test_a_forwarded_clock_by_hand():
    """A trigger at 1000 arrives at 1010, busy is high until 1210, 12 later at the host.

    Released at 1228, read from 1328 to 1408, captured at 1368, 1388 and 1408. At the converter
    the clock rises at 1348, 1368, 1388 and falls 10 later; bit 0 is valid at 1212, the others
    4 after the falls at 1358 and 1378, and each goes 1 after the next fall. At the host: safe at
    1224, 1374 and 1394, gone at 1371 and 1391; the last goes after the read.
    """
    assert lengths(serial()) == {
        "t_PD": [10],
        "t_CONV": [200],
        "t_BUSY": [200],
        "t_MSB": [2],
        "t_BCK": [138],
        "t_CH": [10] * 3,
        "t_CL": [10] * 2,
        "t_DV": [4] * 2,
        "t_DH": [1] * 3,
        "t_SU": [144, 14, 14],
        "t_H": [3, 3],
        "t_PD,R": [12] * 3,
        "t_REL": [228],
        "t_WAIT": [100],
        "t_SVC": [100],
        "t_RCH": [10] * 3,
        "t_RCL": [10] * 2,
        "t_READ": [80],
        "t_LAT": [408],
    }


def test_a_returned_clock_by_hand():
    """The same, captured as the rising edges come back: at 1360, 1380 and 1400."""
    found = lengths(serial({"link.scheme": "returned_clock", "host.capture": "half"}))
    assert found["t_SU"] == [136, 6, 6]
    assert found["t_H"] == [11, 11]
    assert found["t_READ"] == [72]


def test_a_late_bit_has_a_negative_setup_and_a_late_capture_a_negative_hold():
    """Captured 10 after the host's falling edge, 16 before the bit is there; or 45, 2 too late."""
    early = lengths(serial({"host.capture": "half", "conversions": 2}))
    assert early["t_SU"][:3] == [114, -16, -16]
    late = lengths(serial({"host.capture": "45 ns", "conversions": 2}))
    assert late["t_H"][:3] == [-2, -2, -2]


def test_a_frame_that_was_no_longer_there_is_not_read():
    """The clock of frame 0 starts at 1033 but trigger 1 was taken at 1040, before it arrives.

    The host clocks all the same, and captures bit 0 of nothing; only frame 1 has a read.
    """
    scenario = serial(
        {
            "frame.word_bits": 1,
            "converter.conversion_time": "5 ns",
            "host.capture": "half",
            "host.service_latency": "0 s",
            "trigger.pattern": "burst",
            "trigger.burst_length": 1,
            "trigger.gap": "30 ns",
            "conversions": 2,
        }
    )
    edges = edges_of(trace(scenario, range(2)))
    assert [index for _, index in edges["host.read"]] == [0, -1, 1, -1]
    assert [(k, a // NS, b // NS) for k, a, b in reads_of(edges)] == [(1, 1063, 1083)]
    captured = list(host_captures(edges, edges["host.capture[0]"]))
    assert [(k, bit, time // NS) for k, bit, time in captured] == [(1, 0, 1073)]
    symbols = ("t_SVC", "t_READ", "t_LAT", "t_SU")
    assert {s.conversion for s in measure(edges) if s.symbol in symbols} == {1}


def test_the_lines_by_hand():
    """The converter's line, and the host's: 12 later, and a new bit 2 more for its slower edge.

    Busy falls 2 later at the host too, and so does all that the host does after it.
    """
    found = trace(serial({"barrier.return.pulse_width_distortion": "2 ns", "conversions": 2}))
    remote = [(time // NS, value) for time, value in found.of("remote.data[0]")]
    assert remote[:8] == [
        (1210, -1),
        (1212, 0),
        (1361, -1),
        (1364, 1),
        (1381, -1),
        (1384, 2),
        (1401, -2),
        (2210, -1),
    ]
    host = [(time // NS, value) for time, value in found.of("host.data[0]")]
    assert host[:8] == [
        (1222, -1),
        (1226, 0),
        (1373, -1),
        (1378, 1),
        (1393, -1),
        (1398, 2),
        (1413, -2),
        (2222, -1),
    ]


def test_an_unread_frame_stays_on_the_line_until_the_next_one():
    """No clock arrives: the channel swallows every pulse of 10 ns. Bit 0 comes with each busy."""
    changed = {"barrier.forward.min_pulse": "11 ns", "conversions": 2}
    found = trace(serial(changed), range(2))
    assert [(t // NS, v) for t, v in found.of("remote.data[0]")] == [
        (1210, -1),
        (1212, 0),
        (2210, -1),
        (2212, 0),
    ]


@settings(max_examples=60)
@given(serial_scenarios())
def test_intervals_are_those_of_the_records(scenario):
    """Release, wait, service, read and latency: to the femtosecond, and of no other frame."""
    found = trace(scenario, range(scenario.conversions))
    record = found.record
    spans = {}
    for span in measure(edges_of(found)):
        spans.setdefault(span.symbol, {})[span.conversion] = span
    for symbol, first, last in (
        ("t_REL", record.trigger, record.release),
        ("t_WAIT", record.release, record.read_start),
        ("t_SVC", record.service, record.read_start),
        ("t_READ", record.read_start, record.read_end),
        ("t_LAT", record.trigger, record.read_end),
        ("t_CONV", None, record.ready),
    ):
        got = {k: (span.start, span.end) for k, span in spans.get(symbol, {}).items()}
        if first is None:
            assert all(end == last[0, k] for k, (_, end) in got.items())
            continue
        there = np.flatnonzero((first[0] != NEVER) & (last[0] != NEVER)).tolist()
        assert got == {k: (int(first[0, k]), int(last[0, k])) for k in there}


@settings(max_examples=60)
@given(serial_scenarios())
def test_setup_and_hold_tell_what_the_rules_judge(scenario):
    """From the setup and hold of a bit, `bit_outcome` finds the engine's right and wrong bits.

    Where a bit is held for longer than the next takes to be valid, the line cannot show both.
    """
    found = trace(scenario, range(scenario.conversions))
    units = unit.build(scenario, range(1))
    if units.data_hold[0] > units.data_valid[0]:
        return
    bits = {}
    for span in measure(edges_of(found)):
        if span.symbol in ("t_SU", "t_H"):
            key = (span.conversion, span.lane, span.bit)
            bits.setdefault(key, {})[span.symbol] = span
    both = {key: spans for key, spans in bits.items() if len(spans) == 2}
    if not both:
        return
    host = units.host_setup.item(0), units.host_hold.item(0)
    wrong = {
        key
        for key, spans in both.items()
        if bit_outcome(spans["t_SU"].end, *host, spans["t_SU"].start, spans["t_H"].end, FAR, FAR)
        != BitOutcome.RIGHT
    }
    engine = {(k, lane, bit) for (k, lane), wrongly in found.outcomes.items() for bit in wrongly}
    assert wrong == engine & set(both)


@settings(max_examples=30)
@given(serial_scenarios())
def test_bits_cross_in_order_and_never_back_in_time(scenario):
    edges = edges_of(trace(scenario, range(scenario.conversions)))
    before = {}
    for lane, _, seen, left in across(edges):
        assert left <= seen.start
        assert before.get(lane, (NEVER, NEVER)) <= (left, seen.start)
        before[lane] = (left, seen.start)


@pytest.mark.parametrize("name", ["kiln-recorder", "winding-tester"])
def test_a_shipped_scenario_shows_every_interval(name):
    """All that a clean link has: every bit of every read has a setup, all but the last a hold."""
    scenario = load(f"scenarios/{name}.toml").with_(conversions=10)
    found = lengths(scenario, range(10))
    reads = len(found["t_READ"])
    every = reads * scenario.words * scenario.frame.word_bits
    assert len(found["t_SU"]) == every
    assert len(found["t_H"]) >= every - scenario.frame.lanes
    assert len(found["t_DV"]) == every - reads * scenario.frame.lanes
    assert min(found["t_SU"]) > scenario.host.setup.mean / NS
