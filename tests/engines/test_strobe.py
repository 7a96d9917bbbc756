"""The strobe in the engines: what it spoils, what is certain of a unit, what observers see."""

from __future__ import annotations

from collections import Counter

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simlink.engines.batch import BatchEngine
from simlink.engines.batch.returns import JUDGES, symbols
from simlink.engines.batch.strobe import certain
from simlink.engines.event.wiring import Chain, blank
from simlink.link import unit
from simlink.records import Fate
from simlink.scenario.loading import from_dict
from simlink.tracing.trace import trace
from tests.conftest import MANY
from tests.engines.agreement import differences, differences_across_stretches, records_of
from tests.engines.chain import NS, chain, put, record, rows_of, timetable
from tests.strategies import FINE, GRIDS, amount, law, often, raw_scenarios

BACK = "barrier.return."


def list_of(*skews):
    return {"frame.lanes": len(skews), f"{BACK}channel_skew": list(skews)}


@pytest.mark.parametrize(
    ("values", "right"),
    [
        # 20 ns a bit: the strobe rises 10 after it comes, 10 before it goes.
        (list_of("0 ns", "10 ns"), True),
        (list_of("0 ns", "10.000001 ns"), False),
        (list_of("0 ns", "-10 ns"), True),
        (list_of("0 ns", "-10.000001 ns"), False),
        # A skew of all channels alike is the strobe's, too.
        ({f"{BACK}channel_skew": "-12 ns"}, True),
        # The slower edge comes 4 later, or the faster one goes 4 earlier.
        (list_of("6 ns") | {f"{BACK}pulse_width_distortion": "4 ns"}, True),
        (list_of("6.000001 ns") | {f"{BACK}pulse_width_distortion": "4 ns"}, False),
        (list_of("9 ns") | {f"{BACK}pulse_width_distortion": "-4 ns"}, True),
        (list_of("-6 ns") | {f"{BACK}pulse_width_distortion": "-4 ns"}, True),
        (list_of("-6.000001 ns") | {f"{BACK}pulse_width_distortion": "-4 ns"}, False),
        (list_of("-9 ns") | {f"{BACK}pulse_width_distortion": "4 ns"}, True),
        # High for 10 - 2, or low for it.
        ({f"{BACK}pulse_width_distortion": "-2 ns", f"{BACK}min_pulse": "8 ns"}, True),
        ({f"{BACK}pulse_width_distortion": "-2 ns", f"{BACK}min_pulse": "8.000001 ns"}, False),
        ({f"{BACK}pulse_width_distortion": "2 ns", f"{BACK}min_pulse": "8 ns"}, True),
        ({f"{BACK}pulse_width_distortion": "2 ns", f"{BACK}min_pulse": "8.000001 ns"}, False),
        # A single bit has no low pulse.
        ({f"{BACK}pulse_width_distortion": "2 ns", f"{BACK}min_pulse": "8.000001 ns",
          "frame.word_bits": 1}, True),
        # Half a period of the actual clock: 9.9 ns and a little.
        (list_of("9.9 ns") | {"remote_clock.tolerance": "1 %"}, True),
        (list_of("9.91 ns") | {"remote_clock.tolerance": "1 %"}, False),
    ],
)  # fmt: skip
@pytest.mark.parametrize("capture", ["half", "whole"])
def test_what_the_strobe_spoils(values, right, capture):
    """50 MHz: half a period is 10 ns, whatever edge the remote master captures at."""
    scenario = chain(values | {"conversions": 3, "remote_clock.capture": capture})
    expected = Fate.DELIVERED if right else Fate.CORRUPTED
    assert record(scenario).fate.tolist() == [[expected] * 3]
    assert differences(scenario) == []
    free = scenario.with_value(f"{BACK}strobe", False)
    assert record(free).fate.tolist() == [[Fate.DELIVERED] * 3]


def test_no_instant_is_the_strobes():
    """A lane 11 late: its bits are pushed when they come, and the frame is wrong."""
    assert rows_of(chain(list_of("11 ns"))) == timetable("""
        0 0 0  1000 1010 1210  1251 1311 1317  1417 1577 corrupted
    """)


def test_overrun_and_underrun_come_first():
    """Frame 0 is taken too early and frame 1 finds no slot; both are wrong beside."""
    values = list_of("11 ns") | {"conversions": 2, "fifo.depth": 1, "fifo.release_bits": 1}
    values |= {"host.service_latency": "900 ns", "host.clock": "200 MHz", "frame.word_bits": 8}
    late = chain(values | {"host.service_latency": "0 ns"})
    assert record(late).fate[0, 0] == Fate.UNDERRUN
    found = chain(values | {"fifo.sync_delay": "2 us"})
    assert record(found).fate.tolist() == [[Fate.CORRUPTED, Fate.OVERRUN]]
    assert differences(late) == differences(found) == []


def test_each_edge_has_its_own_jitter(recording):
    """Draws: 2 a bit for the strobe, 1 a bit for the lane, so that rows mean different edges.

    Row 3 is the lane's bit 3 and the fall of the strobe's first pulse but one; 9 late, the bit
    is there 1 before it is taken, and the strobe is low for 1. Row 4 of two frames of 4 bits is
    bit 0 of the second, and the third pulse's rise in the first.
    """
    values = {"conversions": 2, f"{BACK}min_pulse": "1 ns"}
    jitter = [0, 0, 0, 9] + [0] * 12
    right, wrong = Fate.DELIVERED, Fate.CORRUPTED
    for min_pulse, fate in (("1 ns", right), ("1.000001 ns", wrong)):
        values[f"{BACK}min_pulse"] = min_pulse
        scenario = chain(values | {f"{BACK}jitter": recording(jitter)})
        assert record(scenario).fate.tolist() == [[fate, right]]
        assert differences(scenario) == []
    # The rise of the second frame's last pulse, and of nothing on the lane.
    jitter = [0] * 14 + [10.000001, 0]
    values[f"{BACK}min_pulse"] = "0 ns"
    for late, fate in ((9.5, right), (10.5, wrong)):
        jitter[14] = late
        scenario = chain(values | {f"{BACK}jitter": recording(jitter)})
        assert record(scenario).fate.tolist() == [[right, fate]]
        assert differences(scenario) == []
    # The fall of that pulse, which nothing follows.
    values[f"{BACK}min_pulse"] = "1.000001 ns"
    scenario = chain(values | {f"{BACK}jitter": recording([0] * 15 + [9])})
    assert record(scenario).fate.tolist() == [[right, right]]
    assert differences(scenario) == []


def test_the_strobe_can_be_watched():
    """Up at 1235 + 15, 10 after bit 0 has come at 1240; a swallowed pulse is not seen."""
    seen = []

    def watch(time, signal, value, conversion, bit, *_):
        seen.append((time // NS, value, conversion, bit))

    def run(values):
        seen.clear()
        scenario = chain(values | {"frame.word_bits": 2})
        made = Chain(scenario, 0, blank(scenario, 0, words=False))
        made.signals.observe(watch, "fifo.strobe")
        made.run()
        return made.trial.record.fate.tolist()

    assert run({}) == [Fate.DELIVERED]
    assert seen == [(1250, 1, 0, 0), (1260, 0, 0, 0), (1270, 1, 0, 1), (1280, 0, 0, 1)]
    # Low for 8 between them, too short for 9: one long pulse.
    assert run({f"{BACK}pulse_width_distortion": "2 ns", f"{BACK}min_pulse": "9 ns"}) == [
        Fate.CORRUPTED
    ]
    assert [one[:2] for one in seen] == [(1250, 1), (1282, 0)]


def test_words_that_the_strobe_spoils_are_not_received_as_they_were_sent():
    """Lane 1 is too late for it, all of its bits; with a pulse too few, no bit is known."""
    rows = trace(chain(list_of("0 ns", "11 ns"))).words()
    assert rows["wrong_bits"].tolist() == [0, 4]
    assert (rows["sent"] == rows["received"]).tolist() == [True, False]
    short = {f"{BACK}min_pulse": "10.1 ns", "frame.lanes": 2}
    assert trace(chain(short)).words()["wrong_bits"].tolist() == [4, 4]
    assert trace(chain({"frame.lanes": 2})).words()["wrong_bits"].tolist() == [0, 0]


@st.composite
def strobed(draw):
    """Draw a scenario whose strobe is near its limits."""
    grid = draw(st.sampled_from([FINE, FINE, *GRIDS]))
    raw = draw(raw_scenarios(grid, conversions=20))
    drop = {f"{BACK}{name}": None for name in ("style", "packet_bits", "overhead_bits")}
    raw = put(raw, drop | {"barrier.line_rate": None, f"{BACK}line_rate": None})
    megahertz = 50 if grid.coarse else draw(st.sampled_from([20, 31, 50, 99]))
    raw = put(raw, {"remote_clock.frequency": f"{megahertz} MHz", f"{BACK}strobe": True})
    half = grid.ns(500 // megahertz)
    values = {f"{BACK}delay": "200 ns", f"{BACK}channel_skew": None, f"{BACK}jitter": None}
    jitter = half // draw(st.sampled_from([1, 4, 16]))
    which = draw(st.sampled_from(["none", "bounded", "bounded", "normal"]))
    if which == "normal" and not grid.coarse:
        sigma = {"shape": "normal", "mean": "0 s", "sigma": grid.text(jitter // 4)}
        values[f"{BACK}jitter"] = sigma
    elif which != "none":
        values[f"{BACK}jitter"] = law(draw, grid, -jitter, jitter, bounded=True)
    if often(draw):
        # Lanes that are as late, or as early, as jitter may make up for.
        lanes = range(raw["frame"]["lanes"])
        late = [draw(st.sampled_from([-half, half])) for _ in lanes]
        off = [amount(draw, -jitter, jitter) for _ in lanes]
        skews = [grid.text(one + other) for one, other in zip(late, off, strict=True)]
        values[f"{BACK}channel_skew"] = skews
    elif often(draw):
        values[f"{BACK}channel_skew"] = law(draw, grid, -half, half, bounded=True)
    if often(draw):
        width = law(draw, grid, -half, half, bounded=True)
        values[f"{BACK}pulse_width_distortion"] = width
    if often(draw):
        values[f"{BACK}min_pulse"] = law(draw, grid, 0, half, bounded=True)
    return from_dict(put(raw, values))


@settings(max_examples=MANY)
@given(strobed())
def test_the_engines_agree(scenario):
    assert differences(scenario) == []


@settings(max_examples=MANY // 4)
@given(strobed())
def test_the_engines_agree_across_stretches(scenario):
    assert differences_across_stretches(scenario) == []


def test_every_kind_of_unit_comes_about():
    """Certainly right, certainly wrong, doubtful and then right or wrong or both by turns."""
    kinds = Counter()

    @settings(max_examples=400, database=None)
    @given(strobed())
    def collect(scenario):
        units = unit.build(scenario, range(scenario.trials))
        right, wrong = certain(scenario, units)
        assert not (right & wrong).any()
        fates = records_of(BatchEngine(), scenario, words=False)["fate"]
        # Without the strobe's own say nothing may be wrong.
        plain = units.wrong_later.any(axis=1)
        for row in np.flatnonzero(~plain).tolist():
            seen = {one for one in fates[row].tolist() if one in (Fate.DELIVERED, Fate.CORRUPTED)}
            kind = "right" if right[row] else "wrong" if wrong[row] else "doubtful"
            if kind == "wrong":
                assert Fate.DELIVERED not in seen
            for one in seen:
                kinds[kind, Fate(one)] += 1

    collect()
    wanted = ("right", Fate.DELIVERED), ("wrong", Fate.CORRUPTED)
    wanted += ("doubtful", Fate.DELIVERED), ("doubtful", Fate.CORRUPTED)
    assert min(kinds[one] for one in wanted) > 10, kinds


def test_what_is_certain_is_not_drawn():
    """60 ps of jitter reach 840 ps: nothing of 16 bits is drawn but what decides instants."""
    jitter = {f"{BACK}jitter": {"shape": "normal", "mean": "0 s", "sigma": "60 ps"}}
    for skew, judged in (("9 ns", True), ("8 ns", False), ("12 ns", False)):
        scenario = chain(jitter | list_of(skew) | {"frame.word_bits": 16})
        found = symbols(scenario, unit.build(scenario, range(1)), False)
        assert (found.strobes == JUDGES).tolist() == [judged]
        assert found.wrong.tolist() == [skew == "12 ns"]
        assert len(found.columns) == (16 + 32 + 1 if judged else 2)
