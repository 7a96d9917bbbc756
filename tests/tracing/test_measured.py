"""Named intervals: worked by hand on the base chain, and against ledger and rules on any other."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings

from simlink.base.instants import NEVER
from simlink.link import unit
from simlink.scenario.loading import load
from simlink.tracing.edges import admitted, captures, host_captures, pushes, sent
from simlink.tracing.measured import RULES, edges_of, measure
from simlink.tracing.run_limits import Limits, over_run, traced, traces
from simlink.tracing.trace import trace
from tests.engines.chain import NS, chain
from tests.strategies import scenarios

SCENARIOS = Path(__file__).parents[2] / "scenarios"
TIMES = {
    "converter.busy_delay": "7 ns",
    "converter.msb_valid": "4 ns",
    "converter.data_valid": "6 ns",
    "converter.data_hold": "1 ns",
}


def lengths(scenario, conversions=None):
    found = {}
    for span in measure(edges_of(trace(scenario, conversions))):
        found.setdefault(span.symbol, []).append(span.length / NS)
    return found


def test_intervals_worked_by_hand():
    """The base chain: a trigger at 1000 arrives at 1010, busy is high from 1017 to 1210.

    The clock (20 ns) starts at 1215 and rises at 1225, 1245, 1265 and 1285; bit 0 is valid at
    1214, the others 6 after the falls at 1235, 1255 and 1275, and each goes 1 after the next
    fall. Captured bits are pushed 15 later; released at 1306, served 100 later, read in 160.
    """
    found = lengths(chain(TIMES))
    assert found == {
        "t_PD": [10],
        "t_CONV": [200],
        "t_BUSY": [193],
        "t_MSB": [4],
        "t_BCK": [15],
        "t_CH": [10] * 4,
        "t_CL": [10] * 3,
        "t_DV": [6] * 3,
        "t_DH": [1] * 4,
        "t_SU": [11, 4, 4, 4],
        "t_H": [11] * 4,
        "t_PD,R": [15] * 4,
        "t_REL": [306],
        "t_WAIT": [100],
        "t_SVC": [100],
        "t_RCH": [20] * 4,
        "t_RCL": [20] * 3,
        "t_READ": [160],
        "t_LAT": [566],
    }


def test_two_conversions_have_a_cycle_and_an_acquisition():
    """Busy falls at 1210 and the next trigger arrives at 2010."""
    found = lengths(chain({"conversions": 2}))
    assert found["t_CYC"] == [1000]
    assert found["t_ACQ"] == [800]
    # The lows between the two frames are no lows of a clock.
    assert found["t_CL"] == [10] * 6
    assert found["t_RCL"] == [20] * 6


def test_a_late_bit_has_a_negative_setup():
    """Valid 12 after its launch and captured 10 after it: 2 too early."""
    found = lengths(chain({"converter.data_valid": "12 ns"}))
    assert found["t_SU"] == [15, -2, -2, -2]


def test_a_bit_that_comes_after_its_own_hold_is_never_valid():
    """A launch every 20, valid 25 later, gone 1 after the next launch: only bit 0 is seen."""
    changed = {"converter.data_valid": "25 ns", "converter.data_hold": "1 ns"}
    line = trace(chain(changed)).of("remote.data[0]")
    ns = [(time // NS, value) for time, value in line]
    assert [one for one in ns if one[1] >= 0] == [(1210, 0)]
    assert ns[-1] == (1296, -2)


def test_a_refused_frame_has_no_pushes():
    """One slot: frames 1 and 2 find it taken, frame 3 does not; its bits are its own."""
    changed = {"conversions": 4, "fifo.depth": 1, "host.service_latency": "1900 ns"}
    edges = edges_of(trace(chain(changed)))
    assert admitted(edges) == [0, 3]
    frames = [(frame, bit) for frame, bit, _ in pushes(edges, edges["fifo.push[0]"])]
    assert frames == [(frame, bit) for frame in (0, 3) for bit in range(4)]


def test_signals_that_are_not_there_leave_intervals_out():
    edges = edges_of(trace(chain()))
    del edges["remote.busy"]
    symbols = {span.symbol for span in measure(edges)}
    assert "t_REL" in symbols
    assert not symbols & {"t_CONV", "t_BUSY", "t_BCK"}
    assert measure({}) == []


@settings(max_examples=60)
@given(scenarios(conversions=12, trials=1))
def test_intervals_are_those_of_the_ledger(scenario):
    """Trigger to release, to last bit read, release to read, and read: to the femtosecond."""
    found = trace(scenario, range(scenario.conversions))
    record = found.record
    spans = {}
    for span in measure(edges_of(found)):
        spans.setdefault(span.symbol, {})[span.conversion] = span
    trigger, release = record.trigger[0], record.release[0]
    start, end = record.read_start[0], record.read_end[0]
    for symbol, first, last in (
        ("t_REL", trigger, release),
        ("t_LAT", trigger, end),
        ("t_WAIT", release, start),
        ("t_READ", start, end),
    ):
        there = np.flatnonzero((first != NEVER) & (last != NEVER))
        got = {index: span.length for index, span in spans.get(symbol, {}).items()}
        assert got == {int(k): int(last[k] - first[k]) for k in there}
    for span in spans.get("t_CONV", {}).values():
        assert span.end == record.ready[0, span.conversion]
    services = {k: int(t) for k, t in enumerate(record.service[0]) if t != NEVER}
    read = {k: int(start[k]) - t for k, t in services.items() if start[k] != NEVER}
    assert {k: span.length for k, span in spans.get("t_SVC", {}).items()}.items() <= read.items()


@settings(max_examples=60)
@given(scenarios(conversions=6, trials=1))
def test_setup_and_hold_tell_the_wrong_bits(scenario):
    """A bit is wrong in the engine just when its measured setup or hold is not met.

    Where the next bit is valid before the hold of the one before has ended, the line cannot show
    both; there the rules judge what no line can, and only setup is compared.
    """
    found = trace(scenario, range(scenario.conversions))
    units = unit.build(scenario, range(1))
    setup, hold = units.remote_setup.item(0), units.remote_hold.item(0)
    kept, valid = units.data_hold.item(0), units.data_valid.item(0)
    wrong = {}
    taken = [k for _, k in found.of("remote.trigger")]
    seen = found.of("remote.capture")
    bits = scenario.bits_per_lane
    for place, (_, value) in enumerate(seen):
        wrong[taken[place // bits], place % bits] = value < 0
    measured = {}
    for span in measure(edges_of(found)):
        if span.symbol in ("t_SU", "t_H") and span.lane == 0:
            measured.setdefault((span.conversion, span.bit), {})[span.symbol] = span.length
    for key, lengths_ in measured.items():
        if len(lengths_) < 2 or kept > valid or key not in wrong:
            continue
        broken = lengths_["t_SU"] < setup or lengths_["t_H"] < hold
        assert wrong[key] == broken


def test_over_a_run():
    """Two units of three conversions: cycles 4, conversions 6, all the same without spread."""
    scenario = chain(TIMES | {"conversions": 3, "trials": 2})
    found = over_run(scenario)
    assert found["t_CONV"] == Limits(200 * NS, 200 * NS, 200 * NS, 6)
    assert found["t_CYC"].count == 4
    assert found["t_SU"] == Limits(4 * NS, 4 * NS, 11 * NS, 24)
    assert list(found) == [symbol for symbol in RULES if symbol in found]


def test_over_a_run_takes_an_even_share_of_every_unit():
    scenario = chain({"conversions": 10, "trials": 4})
    assert over_run(scenario, most=8)["t_CONV"].count == 8
    assert over_run(scenario, most=2)["t_CONV"].count == 2


@pytest.mark.parametrize(
    ("trials", "conversions", "most", "said"),
    [
        (1, 1, 2000, "the one conversion of the board"),
        (1, 3, 2000, "all 3 conversions of the board"),
        (4, 10, 40, "all 10 conversions of each of 4 boards"),
        (4, 10, 39, "the first 9 of 10 conversions of each of 4 boards"),
        (4, 10, 2, "the first of 10 conversions of each of the first 2 of 4 boards"),
        (4, 1, 3, "the one conversion of each of the first 3 of 4 boards"),
        (20, 300, 2000, "the first 100 of 300 conversions of each of 20 boards"),
    ],
)
def test_what_is_traced_is_told(trials, conversions, most, said):
    scenario = chain({"conversions": conversions, "trials": trials})
    assert traced(scenario, most) == said
    if most < 100:
        found = over_run(scenario, most)
        assert found.over == said
        parts = list(traces(scenario, most))
        assert sum(len(part.window) for part in parts) == found["t_CONV"].count


@pytest.mark.parametrize("symbol", list(RULES))
def test_every_symbol_has_a_meaning_and_a_subscript(symbol):
    rule = RULES[symbol]
    assert rule.symbol == symbol
    assert symbol.startswith("t_")
    assert rule.meaning


@pytest.mark.parametrize("name", [path.stem for path in sorted(SCENARIOS.glob("*.toml"))])
def test_edges_alone_tell_whose_they_are(name):
    """What a dump lets us tell from its edges is what the engine says of each of them.

    But for what transients lose or move: no edge tells of that.
    """
    found = trace(load(SCENARIOS / f"{name}.toml").with_value("transient", None), range(40))
    edges = edges_of(found)

    def said(signal):
        return [(c.conversion, c.bit, c.time) for c in found.changes if c.signal == signal]

    first = edges["remote.trigger"][0][0]
    assert captures(edges) == [one for one in said("remote.capture") if one[2] >= first]
    for lane in range(found.scenario.frame.lanes):
        on_line = edges[f"remote.data[{lane}]"]
        told = [(index, one.bit, one.start) for index, one in sent(edges, on_line)]
        assert told == [one for one in said(f"remote.data[{lane}]") if one[1] is not None]
        if f"fifo.push[{lane}]" in edges:
            assert pushes(edges, edges[f"fifo.push[{lane}]"]) == said(f"fifo.push[{lane}]")
        lost = {index for _, index in edges.get("remote.lost", ())}
        ended = edges["host.read"][-1][0]
        told = list(host_captures(edges, edges[f"host.capture[{lane}]"]))
        true = said(f"host.capture[{lane}]")
        assert told
        assert told == [one for one in true if one[0] not in lost and one[2] <= ended]
