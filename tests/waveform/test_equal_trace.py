"""A dump holds what the trace holds: the same edges and intervals, on any scenario."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from vcdvcd import VCDVCD, StreamParserCallbacks

from simlink.base.instants import NEVER
from simlink.scenario.loading import load
from simlink.tracing.measured import edges_of, measure
from simlink.tracing.trace import trace
from simlink.waveform.capturing import capture
from simlink.waveform.comparing import compare, spans_of, traced
from simlink.waveform.dumping import dump
from simlink.waveform.faults import check
from simlink.waveform.signals import Kind, signals_of
from tests.engines.chain import record
from tests.engines.test_host_clocked import serial_scenarios
from tests.strategies import scenarios

NS = 10**6


def edges_by_hand(scenario):
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


class InOrder(StreamParserCallbacks):
    """Keeps what the other reader reads, in the order in which it reads it."""

    def __init__(self):
        self.changes = []

    def enddefinitions(self, vcd, signals, cur_sig_vals):
        pass

    def time(self, vcd, time, cur_sig_vals):
        pass

    def value(self, vcd, time, value, identifier_code, cur_sig_vals):
        self.changes.append((time, identifier_code, value))


def edges_by_vcdvcd(path, scenario):
    """Return the edges of every signal as the library vcdvcd reads them."""
    order = InOrder()
    codes = VCDVCD(str(path), callbacks=order, store_tvs=False).references_to_ids
    now, meant, found = {}, {}, {}
    for signal in signals_of(scenario):
        bits = f"[{signal.width - 1}:0]"
        code = codes.get(signal.reference, codes.get(signal.reference + bits))
        number = codes.get(signal.number + bits, code)
        if signal.kind is Kind.LINE:
            code = number
        meant[code] = (signal, number, codes.get(signal.wrong))
        found[signal.name] = []
    for time, code, value in order.changes:
        first, now[code] = code not in now, value
        signal, number, wrong = meant.get(code, (None, None, None))
        happening = signal is not None and signal.kind in (Kind.CONVERSION, Kind.BIT)
        # The first value of what is no happening tells how it begins.
        if signal is None or (first and not happening):
            continue
        special = {"x": -1, "z": -2 if signal.kind is Kind.LINE else -1}
        said = now[number]
        told = special[said] if said in special else int(said, 2)
        found[signal.name].append((time, -1 - told if now.get(wrong) == "1" else told))
    return {name: edges for name, edges in found.items() if edges}


def plain(spans):
    return [(s.symbol, s.length, s.conversion, s.lane, s.bit) for s in spans]


@pytest.fixture
def written(tmp_path_factory):
    def write(scenario, **options):
        path = tmp_path_factory.mktemp("dump") / "a.vcd"
        dump(scenario, path, **options)
        return path

    return write


@settings(max_examples=40)
@given(scenario=scenarios(conversions=12, trials=1) | serial_scenarios())
def test_a_dump_in_fs_holds_the_trace(scenario, tmp_path_factory):
    path = tmp_path_factory.mktemp("dump") / "a.vcd"
    dump(scenario, path)
    exact = edges_by_hand(scenario)
    # The format knows no instant before 0; jitter may pull a first trigger there.
    origin = min(0, *(line[0][0] for line in exact.values()))

    found = capture(path, scenario, {})
    edges = {n: [(t + origin, v) for t, v in line] for n, line in found.edges.items() if line}
    assert edges == exact
    told = check(found, scenario, lambda name: None)
    # Where the host's clock crosses a barrier, pulses may really be swallowed.
    swallowed = {"missing_edge"} if scenario.link.scheme != "remote_master" else set()
    assert {one.kind for one in told} <= swallowed
    straight = measure(traced(edges_of(trace(scenario, range(scenario.conversions))), scenario))
    assert plain(spans_of(capture(path, scenario, {}), scenario)) == plain(straight)

    # And an independent reader sees the same edges of every signal.
    other = edges_by_vcdvcd(path, scenario)
    assert {n: [(t + origin, v) for t, v in line] for n, line in other.items()} == exact


@settings(max_examples=30)
@given(scenario=scenarios(conversions=12, trials=1))
def test_intervals_on_a_dump_are_the_ledgers(scenario, tmp_path_factory):
    path = tmp_path_factory.mktemp("dump") / "a.vcd"
    dump(scenario, path)
    spans = spans_of(capture(path, scenario, {}), scenario)
    block = record(scenario)
    for symbol, start, end in (
        ("t_REL", block.trigger, block.release),
        ("t_WAIT", block.release, block.read_start),
        ("t_SVC", block.service, block.read_start),
        ("t_READ", block.read_start, block.read_end),
        ("t_LAT", block.trigger, block.read_end),
    ):
        known = (start[0] != NEVER) & (end[0] != NEVER)
        ledger = {
            index: int(end[0, index] - start[0, index])
            for index in range(scenario.conversions)
            if known[index]
        }
        assert {s.conversion: s.length for s in spans if s.symbol == symbol} == ledger, symbol


@pytest.mark.parametrize("step", [10, 10**4, NS])
def test_every_interval_on_a_coarser_dump_is_exact_to_its_step(bench, written, step):
    exact = spans_of(capture(written(bench), bench, {}), bench)
    rough = spans_of(capture(written(bench, step=step), bench, {}), bench)
    assert len({span.symbol for span in exact}) == 21
    assert [(s.symbol, s.conversion, s.lane, s.bit) for s in rough] == [
        (s.symbol, s.conversion, s.lane, s.bit) for s in exact
    ]
    off = [abs(one.length - other.length) for one, other in zip(exact, rough, strict=True)]
    assert 0 < max(off) < step if step > 10 else max(off) < step


@pytest.mark.parametrize("step", [10**4, NS])
@settings(max_examples=12)
@given(scenario=scenarios(conversions=12, trials=1))
def test_every_edge_on_a_coarser_dump_is_exact_to_half_its_step(scenario, step, tmp_path_factory):
    paths = [tmp_path_factory.mktemp("dump") / "a.vcd" for _ in range(2)]
    dump(scenario, paths[0])
    dump(scenario, paths[1], step=step)
    fine, coarse = (capture(path, scenario, {}) for path in paths)
    # A run that begins before 0 is moved to 0 by whole steps.
    first = min(line[0][0] for line in edges_by_hand(scenario).values())
    moved = -(first // step * step) + first if first < 0 else 0
    for name, edges in fine.edges.items():
        rounded = [(value, time + moved) for time, value in edges]
        assert [value for _, value in coarse.edges[name]] == [value for value, _ in rounded]
        for (time, _), (_, exact) in zip(coarse.edges[name], rounded, strict=True):
            assert abs(time - exact) <= step // 2


@pytest.mark.parametrize("scheme", ["remote_master", "forwarded_clock", "returned_clock"])
def test_an_example_of_each_scheme(scheme, written):
    scenario = load("scenarios/three-ways.toml").with_(conversions=20)
    values = {"link.scheme": scheme}
    if scheme != "remote_master":
        values["host.clock"] = "12 MHz"
    scenario = scenario.with_values(values)
    found = compare(scenario, written(scenario))
    assert found.complaints == []
    symbols = {row.symbol for row in found.rows}
    assert {"t_CYC", "t_PD", "t_CONV", "t_REL", "t_SVC", "t_READ", "t_LAT", "t_RCH"} <= symbols
    assert [row.symbol for row in found.rows if row.simulated is None] == []


def test_a_window_begins_with_the_levels_that_hold(bench, written):
    """Conversions 7 to 9 alone show what the whole dump shows of them."""
    whole = VCDVCD(str(written(bench)))
    part = VCDVCD(str(written(bench, conversions=range(7, 10))))
    assert part.begintime == [time for time, _ in whole["host.trigger"].tv][7]
    for signal in signals_of(bench):
        if signal.kind is Kind.LEVEL:
            times = range(part.begintime + 1, part.endtime, 999_983_771)
            levels = [whole[signal.reference][time] for time in times]
            assert [part[signal.reference][time] for time in times] == levels, signal


def test_words_numbers_and_reals(bench, written):
    """The words sent, the level of the FIFO and each frame's latency, by an outside reader."""
    from simlink.link import content

    other = VCDVCD(str(written(bench)))
    words = [int(value, 2) for _, value in other["remote.word_0_0[11:0]"].tv[1:]]
    assert words == [content.word(bench, 0, index, 0, 0) for index in range(bench.conversions)]
    block = record(bench)
    latencies = [float(value) for _, value in other["host.latency_ns"].tv[1:]]
    exact = ((block.read_end - block.trigger)[0] / NS).tolist()
    assert latencies == exact
    levels = [(time, int(value, 2)) for time, value in other["host.fifo.level[3:0]"].tv]
    assert levels[1:] == [
        (time, value)
        for time, value in edges_of(trace(bench, range(bench.conversions)))["fifo.level"]
    ]
    assert max(level for _, level in levels) >= 2
    line = other["remote.data_0"].tv
    bits = "".join(value for _, value in line if value in "01")
    sent = "".join(str(bit) for index in range(60) for bit in content.lane_bits(bench, 0, index, 0))
    assert bits == sent
    assert {value for _, value in line} == {"0", "1", "x", "z"}


def test_the_same_dump_twice(bench, written):
    assert written(bench).read_bytes() == written(bench).read_bytes()
