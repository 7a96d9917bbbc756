"""Counts and sums of a run, against a naive count of its records."""

from __future__ import annotations

import math
import pickle

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simlink.base import compiled
from simlink.base.instants import NEVER
from simlink.engines.event import EventEngine
from simlink.figures import latencies
from simlink.figures.tally import Tally
from simlink.records import Fate, FrameBlock
from tests import strategies
from tests.engines.chain import chain, happened
from tests.engines.host_clocked_scenarios import serial_scenarios


def blocks(scenario):
    return list(EventEngine().run(scenario, range(scenario.trials), words=False))


def tallied(scenario, found):
    """Take all blocks into one tally."""
    whole = Tally(scenario, range(scenario.trials))
    for block in found:
        whole.add(block)
    return whole


def there(times):
    return [one for one in happened(times) if one is not None]


def busy(block):
    """Return how long services last: from each one's beginning to the end of its last read."""
    total, begun, ended = 0, None, None
    frames = zip(happened(block.service), happened(block.read_end), strict=True)
    for service, end in frames:
        if end is None:
            continue
        if service is not None:
            total += 0 if begun is None else ended - begun
            begun = service
        ended = end
    return total + (0 if begun is None else ended - begun)


def check(scenario, whole, found):
    fullest, filling = 0, [0] * (scenario.fifo.depth + 1)
    release, read = [], []
    for row, block in enumerate(found):
        fates = block.fate[0].tolist()
        assert whole.fates[row].tolist() == [fates.count(fate) for fate in Fate if fate >= 0]
        assert whole.sent[row] == len(there(block.trigger))
        assert whole.short[row] == sum(block.short_acquisition[0].tolist())
        assert whole.timed_out[row] == sum(block.timed_out[0].tolist())
        # A loop that gives up at once, and sends its triggers early, may have others due before.
        assert whole.first_due[row] == next(iter(there(block.due)), NEVER)
        assert whole.last_due[row] == max([0, *there(block.due)])
        every = (block.trigger, block.ready, block.release, block.read_end)
        assert whole.end[row] == max([0, *(one for times in every for one in there(times))])
        assert whole.busy[row] == busy(block)
        for kept, instants in ((release, block.release), (read, block.read_end)):
            frames = zip(happened(block.trigger), happened(instants), fates, strict=True)
            kept += [
                end - begun
                for begun, end, fate in frames
                if end is not None and (kept is release or fate != Fate.UNDERRUN)
            ]
        late = [
            aperture - due
            for aperture, due in zip(happened(block.aperture), happened(block.due), strict=True)
            if aperture is not None
        ]
        assert whole.sampled[row] == len(late)
        squares = len(late) * float(np.var(late)) if late else 0.0
        assert whole.sampling_squares_within()[row] == pytest.approx(squares, rel=1e-6, abs=100)
        for slots in block.occupancy_at_arrival[0].tolist():
            if slots >= 0:
                filling[slots] += 1
                fullest = max(fullest, min(slots + 1, scenario.fifo.depth))
    assert whole.filling.tolist() == filling
    assert whole.fullest == fullest
    for kept, values in ((whole.to_release, release), (whole.to_read, read)):
        assert kept.count == len(values)
        if values:
            assert (kept.least, kept.largest) == (min(values), max(values))
            assert kept.quantile(0.5)[0] == sorted(values)[math.ceil(len(values) / 2) - 1]


@settings(max_examples=100)
@given(strategies.scenarios())
def test_a_tally_is_what_a_naive_count_gives(scenario):
    found = blocks(scenario)
    check(scenario, tallied(scenario, found), found)


def state(tally):
    """Return all that figures are made from."""
    kept = {
        name: value.tolist() if isinstance(value, np.ndarray) else value
        for name, value in vars(tally).items()
        if name not in ("to_release", "to_read")
    }
    for name in ("to_release", "to_read"):
        law = getattr(tally, name)
        kept[name] = [law.quantile(q) for q in (0.1, 0.5, 0.99, 0.999)]
        kept[name] += [law.count, law.least, law.largest]
    return kept


@pytest.mark.parametrize("exact", [True, False])
@settings(max_examples=60)
@given(strategies.scenarios(trials=3))
def test_merged_tallies_are_one_tally(exact, scenario):
    with pytest.MonkeyPatch.context() as patch:
        if not exact:
            patch.setattr(latencies, "EXACT", 0)
        found = blocks(scenario)
        merged = Tally(scenario, range(0))
        for trial, block in enumerate(found):
            part = Tally(scenario, range(trial, trial + 1))
            part.add(block)
            merged.merge(part)
        assert state(merged) == state(tallied(scenario, found))


def test_a_block_may_hold_part_of_a_trial():
    """Records handed over in two blocks add up to those of one."""
    scenario = strategies.from_dict(
        {
            "conversions": 30,
            "link": {"scheme": "remote_master"},
            "trigger": {
                "rate": "2 MHz",
                "jitter": {"shape": "uniform", "low": "0 ns", "high": "90 ns"},
            },
            "converter": {"conversion_time": "200 ns"},
            "remote_clock": {"frequency": "100 MHz"},
            "fifo": {"depth": 2},
            "host": {
                "clock": "50 MHz",
                "service_latency": {"shape": "exponential", "mean": "300 ns"},
            },
        }
    )
    (block,) = blocks(scenario)
    assert {Fate.DELIVERED, Fate.OVERRUN} <= set(block.fate[0].tolist())
    halves = []
    for part in (slice(0, 11), slice(11, 30)):
        values = {
            name: one[:, part] if isinstance(one, np.ndarray) and one.ndim > 1 else one
            for name, one in vars(block).items()
        }
        halves.append(type(block)(**(values | {"first": part.start})))
    assert halves[0].count == 11
    assert state(tallied(scenario, halves)) == state(tallied(scenario, [block]))


def test_never_counts_as_nothing():
    """A trial in which nothing happens but a trigger that is held back for ever adds no times."""
    scenario = strategies.from_dict(
        {
            "conversions": 1,
            "link": {"scheme": "remote_master"},
            "trigger": {"rate": "1 MHz"},
            "converter": {"conversion_time": "200 ns"},
            "remote_clock": {"frequency": "100 MHz"},
            "fifo": {"depth": 2},
            "host": {"clock": "50 MHz", "service_latency": "1 us", "watermark": 2},
        }
    )
    (block,) = blocks(scenario)
    whole = tallied(scenario, [block])
    assert block.fate[0, 0] == Fate.IN_FLIGHT
    assert whole.busy[0] == 0
    assert whole.end[0] == block.release[0, 0] > 0
    assert NEVER not in (whole.end[0], whole.to_release.least)


def same(one, other):
    """Tell whether two tallies hold the same, to the last bit of every sum."""
    mine, theirs = one.state(), other.state()
    assert mine.keys() == theirs.keys()
    return (
        one.trials == other.trials
        and [name for name in mine if not np.array_equal(mine[name], theirs[name])] == []
    )


def both_ways(scenario, found):
    """Add blocks up as written and compiled; see that it makes no difference."""
    ways = []
    for short in (True, False):
        tally = Tally(scenario, range(scenario.trials))
        tally._short = short
        for block in found:
            tally.add(block)
        ways.append(tally)
    assert same(*ways)
    return ways[0]


@pytest.mark.parametrize("exact", [True, False])
@settings(max_examples=60)
@given(st.one_of(strategies.scenarios(), serial_scenarios()))
def test_compiled_or_not_the_same_comes_out(exact, scenario):
    with pytest.MonkeyPatch.context() as patch:
        if not exact:
            patch.setattr(latencies, "EXACT", 0)
        assert both_ways(scenario, blocks(scenario)).count == scenario.trials


#: So long that it is added up compiled, and its latencies are counted in bins.
LONG = {"trials": 70, "conversions": 16000, "fifo.depth": 5000}


def any_records(rng, trials, first, count):
    """Return records of any fate at any time, things that have happened or not."""
    shape = (len(trials), count)
    block = FrameBlock.blank(trials, first, count, None)
    block.fate[:] = rng.integers(Fate.NOT_SENT, len(Fate) - 1, shape)
    block.due[:] = rng.integers(0, 10**12, shape)
    block.trigger[:] = rng.integers(0, 10**12, shape)
    block.read_start[:] = block.trigger + rng.integers(0, 10**10, shape)
    block.read_end[:] = block.read_start + rng.integers(0, 10**9, shape)
    block.service[:] = block.read_start - rng.integers(0, 10**9, shape)
    block.service[rng.random(shape) < 0.3] = NEVER
    for name in ("ready", "release", "aperture"):
        values = block.trigger + rng.geometric(1e-9, shape)
        block.records[name] = np.where(rng.random(shape) < 0.2, NEVER, values)
    block.read_end[rng.random(shape) < 0.2] = NEVER
    block.occupancy_at_arrival[:] = rng.integers(-1, 5001, shape)
    block.short_acquisition[:] = rng.random(shape) < 0.1
    block.timed_out[:] = rng.random(shape) < 0.1
    return block


@pytest.mark.parametrize("reads_on", [True, False])
@pytest.mark.parametrize("evenly", [True, False])
@pytest.mark.parametrize("exact", [True, False])
def test_any_records_add_up_the_same_compiled_or_not(monkeypatch, reads_on, evenly, exact):
    """In blocks of some trials and conversions, with more trials than groups of latencies."""
    values = LONG | {"host.drain": reads_on}
    if not evenly:
        values["trigger.jitter"] = {"shape": "uniform", "low": "0 ns", "high": "9 ns"}
    if exact:
        monkeypatch.setattr(latencies, "EXACT", 2**40)
    scenario = chain(values)
    assert not Tally(scenario, range(70))._short
    assert Tally(scenario, range(70)).to_read.exact == exact
    rng = np.random.default_rng(11)
    pieces = [(0, 33), (33, 70)]
    found = [any_records(rng, range(*one), first, 40) for one in pieces for first in (0, 40)]
    if not reads_on:
        for block in found:
            block.read_end[block.service == NEVER] = NEVER
    whole = both_ways(scenario, found)
    every = np.concatenate([block.records.ravel() for block in found])
    sent = every[every["fate"] != Fate.NOT_SENT]
    assert whole.sent.sum() == len(sent) < len(every)
    # The most fillings that are told apart are fewer than this FIFO has slots.
    assert whole.filling.sum() == (sent["occupancy_at_arrival"] >= 0).sum()
    assert whole.filling[-1] == (sent["occupancy_at_arrival"] >= len(whole.filling) - 1).sum() > 1
    assert whole.fullest == 5000
    assert whole.to_release.count == (sent["release"] != NEVER).sum()
    assert (whole.sampling_first != NEVER).all() == (not evenly)


@pytest.mark.parametrize("exact", [True, False])
@settings(max_examples=60)
@given(strategies.scenarios())
def test_a_state_gives_the_tally_back(exact, scenario):
    with pytest.MonkeyPatch.context() as patch:
        if not exact:
            patch.setattr(latencies, "EXACT", 0)
        found = blocks(scenario)
        whole = tallied(scenario, found)
        again = Tally.restore(scenario, whole.trials, whole.state())
        assert same(again, whole)
        if exact:
            check(scenario, again, found)
        for value in whole.state().values():
            assert type(value) in (int, np.ndarray)
        sent = pickle.loads(pickle.dumps(whole))
        assert same(sent, whole)


def test_a_state_of_other_trials_or_of_another_link_is_refused():
    scenario = chain({"trials": 3, "conversions": 20})
    state_of_two = Tally(scenario, range(2)).state()
    with pytest.raises(ValueError, match="another shape"):
        Tally.restore(scenario, range(3), state_of_two)
    with pytest.raises(ValueError, match="filling has another shape"):
        Tally.restore(scenario.with_value("fifo.depth", 9), range(2), state_of_two)
    with pytest.raises(ValueError, match="fullest is out of range"):
        Tally.restore(scenario, range(2), state_of_two | {"fullest": scenario.fifo.depth + 1})
    for name in state_of_two:
        missing = {key: one for key, one in state_of_two.items() if key != name}
        with pytest.raises(ValueError, match=name.split(".")[-1]):
            Tally.restore(scenario, range(2), missing)


def test_short_runs_compile_nothing(monkeypatch):
    """So that a first, small run loads no compiler."""
    scenario = chain({"trials": 2, "conversions": 20})

    def machine(*_):
        raise AssertionError

    monkeypatch.setattr(compiled, "_machine", machine)
    assert tallied(scenario, blocks(scenario)).sent.tolist() == [20, 20]
    with pytest.raises(AssertionError):
        tallied(scenario.with_(conversions=25_000), blocks(scenario))
