"""The fault line in dumps: high when the association has it so, and all else as it was."""

from __future__ import annotations

import re

import pytest
from vcdvcd import VCDVCD

from simlink.engines.event import EventEngine
from simlink.figures.flags import read_ends_of
from simlink.link.fault_line import highs
from simlink.tracing.fault_edges import fault_edges
from simlink.tracing.measured import measure
from simlink.tracing.trace import trace
from simlink.waveform.comparing import compare
from simlink.waveform.dumping import dump
from tests.link.test_exposed import made

NS = 10**6
LINE = {
    "fault.threshold": "50 kV/us",
    "fault.response": "60 ns",
    "fault.hold": {"shape": "uniform", "low": "0 s", "high": "4 us"},
}


def levels(path):
    """Return what another reader sees of the wire."""
    return [(time, int(value)) for time, value in VCDVCD(str(path))["host.fault"].tv]


def expected(scenario, begin, end):
    """Return the edges that the stretches in which the line is high have in a dump."""
    (block,) = EventEngine().run(scenario, range(1), words=False)
    found = highs(scenario, 0, read_ends_of(scenario, block), end).stretches
    edges = [edge for a, b in found for edge in ((a, 1), (b, 0))]
    return [(time, level) for time, level in edges if begin < time <= end]


@pytest.mark.parametrize("scheme", ["remote_master", "forwarded_clock", "returned_clock"])
@pytest.mark.parametrize("immunity", ["10 kV/us", "200 kV/us"])
def test_the_wire_is_high_as_the_words_flagged_say(tmp_path, scheme, immunity):
    source = {"kind": "poisson", "rate": "150 kHz", "slew": "80 kV/us", "swing": "400 V"}
    changed = {"link.scheme": scheme, "transient": [source], "barrier.slew_immunity": immunity}
    scenario = made(**changed, **LINE)[0].with_(conversions=200)
    path = tmp_path / "a.vcd"
    dump(scenario, path)
    seen = levels(path)
    end = max(int(VCDVCD(str(path)).endtime), seen[-1][0])
    assert seen[0][1] == 0
    assert seen[1:] == expected(scenario, seen[0][0], end)
    assert len(seen) > 60
    # A dump that begins later has the same from there on.
    later = tmp_path / "b.vcd"
    dump(scenario, later, conversions=range(90, 200))
    begun = levels(later)
    assert begun[1:] == [edge for edge in seen if edge[0] > begun[0][0]]
    assert begun[0][1] == [level for time, level in seen if time <= begun[0][0]][-1]


def beside(scenario, path, conversions=None):
    """Return how long the line is up before reads end, as a dump shows it and as a trace does."""
    dump(scenario, path, conversions=conversions)
    found = compare(scenario, path)
    # Events that take pulses out of a clock are seen in it.
    assert {one.kind for one in found.complaints} <= {"missing_edge"}
    here = [span for span in found.spans if span.symbol == "t_FRD"]
    seen = trace(scenario, range(scenario.conversions))
    there = [span for span in measure(fault_edges(seen)) if span.symbol == "t_FRD"]
    return found, here, there


SOURCE = {"kind": "poisson", "rate": "150 kHz", "slew": "80 kV/us", "swing": "400 V"}


@pytest.mark.parametrize(
    "changed",
    [
        {},
        # Reads of what nobody asked for end the wait as well.
        {"barrier.false_edge": 1, "barrier.return.strobe": False},
        {"barrier.false_edge": 1, "link.scheme": "forwarded_clock"},
        {"barrier.return.strobe": False, "check.kind": "parity", "check.on_failure": "repeat"}
        | {"check.kept_frames": 2, "check.repeat_timeout": "2 us"},
    ],
)
def test_how_long_it_is_up_before_a_read_ends_is_measured_on_a_dump(tmp_path, changed):
    scenario = made(transient=[SOURCE], **LINE, **changed)[0].with_(conversions=80)
    found, here, there = beside(scenario, tmp_path / "a.vcd")
    # Ahead of the first read nothing is measured on a dump.
    first = next(span.start for span in found.spans if span.symbol == "t_READ")
    assert here == [span for span in there if span.start >= first]
    assert len(here) > 15
    assert "t_FLT" in found.unseen
    (row,) = [row for row in found.rows if row.symbol == "t_FRD"]
    assert row.simulated is not None
    # A dump that begins later shows the same from there on.
    _, later, _ = beside(scenario, tmp_path / "b.vcd", range(40, 80))
    assert later == here[-len(later) :]
    assert len(later) > 5


def test_reads_end_the_wait_whatever_frame_they_are_of(tmp_path):
    """Where frames that nobody asked for are read, a dump of the host's pins has more reads than
    it has frames for."""
    changed = {"barrier.false_edge": 1, "barrier.return.strobe": False}
    scenario = made(transient=[SOURCE], **LINE, **changed)[0].with_(conversions=80)
    _, whole, _ = beside(scenario, tmp_path / "a.vcd")
    path = tmp_path / "b.vcd"
    dump(scenario, path, signals=["host.trigger", "host.busy", "host.clock", "host.fault"])
    found = compare(scenario, path)
    assert [span for span in found.spans if span.symbol == "t_FRD"] == whole
    assert len([span for span in found.spans if span.symbol == "t_READ"]) < 80


def test_the_line_of_another_dump_is_named(tmp_path):
    scenario = made(transient=[SOURCE], **LINE)[0].with_(conversions=30)
    path = tmp_path / "a.vcd"
    _, here, _ = beside(scenario, path)
    path.write_text(re.sub(r"(\$var wire 1 \S+ )fault ", r"\1D9 ", path.read_text()))
    assert not [span for span in compare(scenario, path).spans if span.symbol == "t_FRD"]
    named = [
        compare(scenario, path, {"host.fault": "D9"}),
        compare(scenario.with_value("dump.host_fault", "D9"), path),
    ]
    for found in named:
        assert [span for span in found.spans if span.symbol == "t_FRD"] == here


def test_without_a_line_there_is_no_wire(tmp_path):
    path = tmp_path / "a.vcd"
    dump(made()[0].with_(conversions=4), path)
    assert "host.fault" not in VCDVCD(str(path)).signals


def test_a_frame_that_is_asked_for_again_is_read_twice_or_waited_for(tmp_path):
    """The line may fall as either read ends, and not as a wait in vain is over."""
    source = {"kind": "poisson", "rate": "400 kHz", "slew": "80 kV/us", "swing": "400 V"}
    changed = {"transient": [source], "barrier.slew_immunity": "10 kV/us"}
    changed |= {"check.kind": "crc", "check.width": 8, "check.polynomial": 7}
    changed |= {"check.on_failure": "repeat", "check.kept_frames": 2, "fifo.realign": "gap"}
    base = made(**changed, **LINE, **{"check.repeat_timeout": "2 us"})[0]
    scenario = base.with_(conversions=150)
    path = tmp_path / "a.vcd"
    dump(scenario, path)
    seen = levels(path)
    end = max(int(VCDVCD(str(path)).endtime), seen[-1][0])
    assert seen[1:] == expected(scenario, seen[0][0], end)
    (block,) = EventEngine().run(scenario, range(1), words=False)
    asked = block.request[0] >= 0
    in_vain = (block.read_end - block.request)[0][asked] == 2000 * NS
    assert asked.sum() > 5
    assert 0 < in_vain.sum() < asked.sum()
