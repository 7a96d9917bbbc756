"""Counts and sums of a run, against a naive count of its records."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings

from simlink.base.instants import NEVER
from simlink.engines.event import EventEngine
from simlink.figures import latencies
from simlink.figures.tally import Tally
from simlink.records import Fate
from tests import strategies
from tests.engines.chain import happened


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
        assert whole.last_trigger[row] == max([0, *there(block.trigger)])
        every = (block.trigger, block.ready, block.release, block.read_end)
        assert whole.end[row] == max([0, *(one for times in every for one in there(times))])
        assert whole.busy[row] == busy(block)
        for kept, instants in ((release, block.release), (read, block.read_end)):
            pairs = zip(happened(block.trigger), happened(instants), strict=True)
            kept += [end - begun for begun, end in pairs if end is not None]
        late = [
            aperture - due
            for aperture, due in zip(happened(block.aperture), happened(block.due), strict=True)
            if aperture is not None
        ]
        assert whole.sampled[row] == len(late)
        jitter = math.sqrt(np.var(late)) if late else 0.0
        assert whole.sampling_jitter()[row] == pytest.approx(jitter, rel=1e-6, abs=1)
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


@settings(max_examples=200)
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
            name: one[:, part] if isinstance(one, np.ndarray) else one
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
