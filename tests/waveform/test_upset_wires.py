"""Common-mode events in dumps: wires that are high within their windows, and all else as it was."""

from __future__ import annotations

import pytest
from vcdvcd import VCDVCD

from simlink.link.transient import Upsets
from simlink.waveform.capturing import capture
from simlink.waveform.comparing import spans_of
from simlink.waveform.dumping import dump
from simlink.waveform.faults import check
from tests.link.test_exposed import made

NS = 10**6


def at(*times, slew="80 kV/us", swing="800 V"):
    return {"kind": "at", "times": [f"{one} ns" for one in times], "slew": slew, "swing": swing}


def levels(path, name):
    """Return what another reader sees of a wire."""
    return [(time, int(value)) for time, value in VCDVCD(str(path))[name].tv]


def test_a_wire_is_high_in_each_window(tmp_path):
    """800 V at 80 kV/us take 10 ns; 3 ns of recovery; what overlaps or touches is one high."""
    events = [at(3000, 3005, 4000, 4013, 7000), at(5000, slew="50 kV/us")]
    scenario = made(**{"barrier.recovery": "3 ns", "transient": events})[0].with_(conversions=6)
    path = tmp_path / "a.vcd"
    dump(scenario, path)
    for way in ("forward", "return"):
        seen = levels(path, f"barrier.upset_{way}")
        highs = [(3000, 3018), (4000, 4026), (7000, 7013)]
        edges = [(a * NS, b) for start, end in highs for a, b in ((start, 1), (end, 0))]
        # Up to the instant at which the dump begins, that of the first trigger, all is quiet.
        assert seen[0] == (2500 * NS, 0)
        assert seen[1:] == edges


def test_a_dump_may_begin_within_a_window(tmp_path):
    scenario = made(transient=[at(4990, 7495)])[0].with_(conversions=6)
    path = tmp_path / "a.vcd"
    dump(scenario, path, conversions=range(1, 3))
    # The trigger of conversion 1 leaves at 5 us, which is where the dump begins.
    assert levels(path, "barrier.upset_return")[:3] == [
        (5000 * NS, 0),
        (7495 * NS, 1),
        (7505 * NS, 0),
    ]
    longer = made(transient=[at(4995, 7495)])[0].with_(conversions=6)
    dump(longer, path, conversions=range(1, 3))
    assert levels(path, "barrier.upset_return")[:2] == [(5000 * NS, 1), (5005 * NS, 0)]


def test_only_directions_that_can_be_upset_have_a_wire(tmp_path):
    path = tmp_path / "a.vcd"
    above = {"barrier.forward.slew_immunity": "100 kV/us", "transient": [at(3000)]}
    dump(made(**above)[0].with_(conversions=4), path)
    names = VCDVCD(str(path)).signals
    assert "barrier.upset_return" in names
    assert "barrier.upset_forward" not in names
    dump(made()[0].with_(conversions=4), path)
    assert not any("upset" in name for name in VCDVCD(str(path)).signals)


def test_poisson_events_are_those_of_the_unit(tmp_path):
    source = {"kind": "poisson", "rate": "300 kHz", "slew": "60 kV/us", "swing": "600 V"}
    scenario = made(transient=[source])[0].with_(conversions=400)
    path = tmp_path / "a.vcd"
    dump(scenario, path)
    seen = levels(path, "barrier.upset_return")
    end = seen[-1][0]
    starts, ends = Upsets(scenario, 0).windows("return", end + 1)
    first = seen[0][0]
    wanted = [(t, 1) for t in starts if first < t <= end] + [
        (t, 0) for t in ends if first < t <= end
    ]
    assert len(wanted) > 200
    assert sorted(seen[1:]) == sorted(wanted)


@pytest.mark.parametrize("scheme", ["remote_master", "forwarded_clock", "returned_clock"])
def test_such_a_dump_is_measured_as_one_without(tmp_path, scheme):
    """Events that hit nothing change no interval, and are no fault of the capture."""
    values = {"link.scheme": scheme, "transient": None}
    calm = made(**values)[0].with_(conversions=30)
    # While the converter converts nothing crosses; 714 ns after a trigger its busy falls.
    struck = calm.with_values({"transient": [at(*(2500 * k + 300 for k in range(1, 30)))]})
    found = []
    for number, scenario in enumerate((calm, struck)):
        path = tmp_path / f"{number}.vcd"
        dump(scenario, path)
        taken = capture(path, scenario, {})
        assert check(taken, scenario, None) == []
        assert not any(name.startswith("barrier.") for name in taken.edges)
        found.append(spans_of(taken, scenario))
    assert found[0] == found[1]
