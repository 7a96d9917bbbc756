"""The data line of a dump carries sequence and check bits behind the data."""

from __future__ import annotations

import pytest
from vcdvcd import VCDVCD

from simlink.records import Fate
from simlink.tracing.measured import edges_of, measure
from simlink.tracing.trace import trace
from simlink.waveform.capturing import capture
from simlink.waveform.comparing import spans_of
from simlink.waveform.dumping import dump
from simlink.waveform.faults import check
from tests.engines.chain import NS, chain, record
from tests.engines.host_clocked_scenarios import serial
from tests.engines.test_transients import COUNTED, FORWARD, at


def test_a_dump_carries_what_stands_beside_the_data(tmp_path):
    """Word 1 of the base chain is 0001, its counter 01; word 2 is 0010, its counter 10: two ones
    each, so that their parity is 0. The line is sampled by the clock's rise."""
    assert line(tmp_path, {}) == "0000000" + "0001010" + "0010100"


def test_a_false_trigger_that_the_converter_ignores_is_counted_on_the_line(tmp_path):
    """It comes at 1100 ns, as word 0 is converted: the counters of words 1 and 2 are 10 and 11."""
    values = at({**FORWARD, "barrier.false_edge": 1}, 1100 * NS, swing=1)
    assert line(tmp_path, values) == "0000000" + "0001100" + "0010111"


def test_a_false_trigger_that_starts_a_conversion_has_not_crossed(tmp_path):
    """The wire of triggers on their way is 1 for the 10 ns of each that was sent."""
    line(tmp_path, at({**FORWARD, "barrier.false_edge": 1}, 1400 * NS, swing=1))
    assert crossing(tmp_path) == [1, 0] * 3


def test_a_trigger_that_is_lost_is_no_longer_on_its_way_when_it_would_have_come(tmp_path):
    """The first leaves at 1000 ns and would come at 1010 ns, but for a window."""
    values = at(FORWARD, 1005 * NS)
    assert record(chain({"conversions": 3} | values)).fate[0, 0] == Fate.NOT_RECEIVED
    line(tmp_path, values)
    assert crossing(tmp_path) == [1, 0] * 3


def crossing(tmp_path):
    """Return how many triggers are on their way, as a dump has it from the first on."""
    read = VCDVCD(str(tmp_path / "found.vcd"))
    (name,) = (name for name in read.signals if "barrier.triggers" in name)
    return [int(level, 2) for _, level in read[name].tv][-6:]


def line(tmp_path, values):
    values |= {"conversions": 3, "check.kind": "parity", "check.sequence_bits": 2}
    path = tmp_path / "found.vcd"
    dump(chain(values), path, range(3))
    read = VCDVCD(str(path))
    clock, data = (
        next(read[name] for name in read.signals if name.split("[")[0].endswith(wanted))
        for wanted in ("remote.clock", "remote.data_0")
    )
    bits = [data[time] for time, level in clock.tv if level == "1"]
    return "".join(bits)


@pytest.mark.parametrize(
    ("make", "values"),
    [(chain, FORWARD), (serial, FORWARD), (chain, COUNTED | {"fifo.release_bits": 1})],
)
def test_a_frame_that_no_trigger_asked_for_is_of_no_conversion_in_a_dump(make, values, tmp_path):
    """Its vectors are x, and what is read back has nothing to complain of."""
    scenario = make(at({"conversions": 3, **values, "barrier.false_edge": 1}, 1700 * NS, swing=1))
    assert len(record(scenario).unrequested) == 1
    path = tmp_path / "found.vcd"
    dump(scenario, path, range(3))
    lines = path.read_text().splitlines()
    vectors = [line.split()[0][1:] for line in lines if line.startswith("b")]
    assert {*"".join(vectors)} <= {*"01xz"}
    assert "x" in vectors
    assert check(capture(path, scenario, {}), scenario, None) == []


def test_the_data_of_frames_that_no_trigger_asked_for_are_measured(tmp_path):
    """The converter puts them on its lines like any others; a dump says the same as the trace."""
    values = {"conversions": 3, **FORWARD, "barrier.false_edge": 1}
    scenario = chain(at(values, 1700 * NS, 2700 * NS, swing=1))
    assert len(record(scenario).unrequested) == 2
    path = tmp_path / "found.vcd"
    dump(scenario, path, range(3))
    for spans in (
        measure(edges_of(trace(scenario, range(3), 0))),
        spans_of(capture(path, scenario, {}), scenario),
    ):
        setups = [one.length for one in spans if one.symbol == "t_SU"]
        assert len(setups) == 5 * scenario.bits_per_lane
        assert max(setups) < 100 * NS


def test_after_a_read_of_no_conversion_s_frame_captures_are_measured_on():
    """The false trigger comes at 1700 ns, and its frame is read before those of words 1 and 2."""
    values = {"conversions": 3, **FORWARD, "barrier.false_edge": 1}
    scenario = serial(at(values, 1700 * NS, swing=1))
    assert len(record(scenario).unrequested) == 1
    spans = measure(edges_of(trace(scenario, range(3), 0)))
    assert [one.conversion for one in spans if one.symbol == "t_SU"] == [0] * 3 + [1] * 3 + [2] * 3
