"""The fault line in dumps: high when the association has it so, and all else as it was."""

from __future__ import annotations

import numpy as np
import pytest
from vcdvcd import VCDVCD

from simlink.engines.event import EventEngine
from simlink.figures.flags import read_ends_of
from simlink.link.fault_line import highs
from simlink.waveform.capturing import capture
from simlink.waveform.dumping import dump
from simlink.waveform.faults import check
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


def test_no_interval_is_measured_on_it(tmp_path):
    source = {"kind": "at", "times": ["6300 ns"], "slew": "80 kV/us", "swing": "400 V"}
    scenario = made(transient=[source], **LINE)[0].with_(conversions=10)
    path = tmp_path / "a.vcd"
    dump(scenario, path)
    taken = capture(path, scenario, {})
    assert check(taken, scenario, None) == []
    assert "host.fault" not in taken.edges
    assert np.diff([level for _, level in levels(path)]).tolist() == [1, -1]


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
