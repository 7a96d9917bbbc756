"""A dump holds what the trace holds: the same edges, the same intervals, on any scenario."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings

from simlink.engines.event.trace import trace
from simlink.figures.measured import edges_of, measure
from simlink.waveform.capturing import capture
from simlink.waveform.comparing import spans_of, traced
from simlink.waveform.dumping import dump
from simlink.waveform.faults import check
from simlink.waveform.signals import Kind, signals_of
from tests.strategies import scenarios


def reference_edges(scenario):
    """Return the trace's edges, values that do not change left out of levels and numbers."""
    found = edges_of(trace(scenario, range(scenario.conversions)))
    for signal in signals_of(scenario):
        if signal.kind in (Kind.CONVERSION, Kind.BIT):
            continue
        now, kept = signal.idle, []
        for time, value in found.get(signal.name, ()):
            if value != now:
                kept.append((time, value))
            now = value
        found[signal.name] = kept
    return {name: edges for name, edges in found.items() if edges}


@settings(max_examples=1500)
@given(scenario=scenarios(conversions=12, trials=1))
def test_a_dump_in_fs_holds_the_trace(scenario, tmp_path_factory):
    path = tmp_path_factory.mktemp("dump") / "a.vcd"
    dump(scenario, path)
    found = capture(path, scenario, {})
    origin = min(0, min(time for edges in reference_edges(scenario).values() for time, _ in edges))
    edges = {
        name: [(time + origin, value) for time, value in line]
        for name, line in found.edges.items()
        if line
    }
    assert edges == reference_edges(scenario)
    told = check(found, scenario, lambda name: None)
    assert told == []
    spans = [(s.symbol, s.length, s.conversion, s.lane, s.bit) for s in spans_of(found, scenario)]
    straight = measure(traced(edges_of(trace(scenario, range(scenario.conversions))), scenario))
    assert spans == [(s.symbol, s.length, s.conversion, s.lane, s.bit) for s in straight]
