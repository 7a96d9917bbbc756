"""A dump from whole frames is that of every edge as an event, to the byte."""

from __future__ import annotations

import os
from pathlib import Path

import pytest
from hypothesis import event, given, settings

from simlink.scenario.loading import from_dict, load
from simlink.waveform import bursts, dumping
from tests.strategies import scenarios

SHIPPED = Path(__file__).parents[2] / "scenarios"
FROM_FRAMES = ("bench-supply", "desktop-host", "early-release", "shallow-fifo", "three-ways")
MANY = int(os.environ.get("SIMLINK_MANY", "40"))
#: Nothing varies, and every instant is a multiple of 5 ns: edges of both sides fall together.
TOGETHER = {
    "conversions": 30,
    "link": {"scheme": "remote_master"},
    "trigger": {"rate": "1 MHz"},
    "frame": {"word_bits": 12},
    "converter": {"conversion_time": "300 ns", "msb_valid": "5 ns", "data_valid": "5 ns"},
    "remote_clock": {"frequency": "50 MHz", "capture": "whole"},
    "barrier": {"forward": {"delay": "10 ns"}, "return": {"delay": "10 ns"}},
    "host": {"clock": "50 MHz", "service_latency": "200 ns"},
}


def dumped(scenario, folder, whole_frames, monkeypatch, **options):
    """Return the bytes of a dump, and whether it came from whole frames to its end."""
    ends = []

    class Writer(bursts.BurstWriter):
        def close(self, end=None):
            super().close(end)
            ends.append(end)

    path = folder / f"{whole_frames}.vcd"
    with monkeypatch.context() as patch:
        patch.setattr(dumping, "BurstWriter", Writer)
        if not whole_frames:
            patch.setattr(dumping, "suits", lambda *_: False)
        dumping.dump(scenario, path, **options)
    return path.read_bytes(), bool(ends)


def both(scenario, folder, monkeypatch, **options):
    """Return whether a dump came from whole frames, having compared it with that of events."""
    found, whole = dumped(scenario, folder, True, monkeypatch, **options)
    expected, never = dumped(scenario, folder, False, monkeypatch, **options)
    assert not never
    assert found == expected
    return whole


@pytest.mark.parametrize("name", FROM_FRAMES)
def test_shipped_scenarios_are_dumped_from_whole_frames(name, tmp_path, monkeypatch):
    scenario = load(SHIPPED / f"{name}.toml").with_(conversions=40)
    assert both(scenario, tmp_path, monkeypatch)


@pytest.mark.parametrize(
    "options",
    [
        {"step": 10**5},
        {"signals": ["host.*"]},
        {"signals": ["remote.data[0]", "fifo.push[0]"]},
        {"signals": ["remote.clock"]},
        {"conversions": range(7)},
    ],
)
def test_any_part_of_a_dump_is_the_same(options, bench, tmp_path, monkeypatch):
    assert both(bench, tmp_path, monkeypatch, **options)


@pytest.mark.parametrize("block", [1, 50, 4096])
def test_blocks_leave_no_trace(block, bench, tmp_path, monkeypatch):
    monkeypatch.setattr(bursts.BurstWriter, "block", block)
    assert both(bench, tmp_path, monkeypatch)


def test_edges_of_one_instant_keep_their_order(tmp_path, monkeypatch):
    assert both(from_dict(TOGETHER), tmp_path, monkeypatch)


def test_windows_that_begin_later_are_for_events(bench, tmp_path, monkeypatch):
    assert not both(bench, tmp_path, monkeypatch, conversions=range(3, 9))


def test_frames_that_meet_on_a_line_are_for_events(tmp_path, monkeypatch):
    # The next busy falls 10 ns after the last launching edge, which holds its bit for 30 ns.
    converter = {"conversion_time": "10 ns", "data_hold": "30 ns", "data_valid": "35 ns"}
    scenario = from_dict(
        TOGETHER | {"converter": converter, "trigger": {"rate": "4 MHz"}, "fifo": {"depth": 64}}
    )
    assert not both(scenario, tmp_path, monkeypatch)


@given(scenario=scenarios())
@settings(max_examples=MANY, deadline=None)
def test_random_scenarios_give_the_same_bytes(scenario, tmp_path_factory):
    with pytest.MonkeyPatch.context() as patch:
        whole = both(scenario, tmp_path_factory.mktemp("dumps"), patch)
    event(f"from whole frames: {whole}; suits: {bursts.suits(scenario, range(1))}")
