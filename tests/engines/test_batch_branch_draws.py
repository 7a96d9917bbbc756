"""Draws of many branches side by side: each has a memory of its own, each source its own stream."""

import numpy as np
import pytest

from simlink.engines.batch.branch_draws import Stage, rows_of
from simlink.engines.batch.branching import _Due
from simlink.link import unit
from tests.engines.chain import chain

NS = 10**6


def law(of):
    return chain({"host.service_latency": of}).host.service_latency


def begun(rows, branches):
    memory = np.zeros((branches, rows.words), dtype=np.int64)
    rows.begin(Stage(1, 0, "begin"), memory)
    return memory


def mixed(recording):
    """One draw of four is 5 ns, the others come from a recording, in order."""
    parts = [{"weight": 1, "of": "5 ns"}, {"weight": 3, "of": recording([10, 20, 30])}]
    return law({"shape": "mixture", "parts": parts})


def test_each_branch_goes_on_in_a_recording_where_it_stands(recording):
    rows = rows_of(mixed(recording), "source")
    stage, memory = Stage(1, 0, "one"), begun(rows, 1000)
    drawn = np.hstack([rows.take(stage, memory, count) for count in (1, 5, 14)]) // NS
    for row in drawn.tolist():
        recorded = [value for value in row if value != 5]
        assert recorded == (7 * [10, 20, 30])[: len(recorded)]
    fives = (drawn == 5).sum()
    assert abs(fives - 5000) < 4 * np.sqrt(20_000 * 0.25 * 0.75)


def test_a_branch_that_is_copied_takes_its_memory_along(recording):
    rows = rows_of(mixed(recording), "source")
    memory = begun(rows, 2)
    rows.take(Stage(1, 0, "one"), memory, 7)
    # Both are the second one from here on, and draw anew what of them is left to chance.
    memory = memory[[1, 1]]
    drawn = rows.take(Stage(1, 0, "two"), memory, 40) // NS
    first, second = ([one for one in row if one != 5] for row in drawn.tolist())
    both = min(len(first), len(second))
    assert first[:both] == second[:both]
    assert drawn[0].tolist() != drawn[1].tolist()


def test_sources_rounds_and_stages_have_streams_of_their_own(recording):
    found = []
    for source, round_, name in (("a", 0, "x"), ("b", 0, "x"), ("a", 1, "x"), ("a", 0, "y")):
        rows = rows_of(mixed(recording), source)
        found.append(rows.take(Stage(1, round_, name), begun(rows, 1), 200) == 5 * NS)
    for one in range(4):
        for other in range(one):
            # Alike by chance in 1/16 and 9/16 of the draws.
            alike = (found[one] == found[other]).sum()
            assert abs(alike - 125) < 4 * np.sqrt(200 * 5 / 8 * 3 / 8)
    rows = rows_of(mixed(recording), "a")
    again = rows.take(Stage(1, 0, "x"), begun(rows, 1), 200) == 5 * NS
    assert (again == found[0]).all()


@pytest.mark.parametrize("start", [0, 2])
def test_columns_of_a_recording_take_turns(recording, start):
    """Of two columns the first has the rows 0, 2, 4 ... from the start, the other those between."""
    recorded = recording([10, 20, 30]) | {"start": start}
    values = [10, 20, 30][start:] + [10, 20, 30][:start]
    for offset in (0, 1):
        rows = rows_of(law(recorded), "source", 2, offset)
        drawn = rows.take(Stage(1, 0, "one"), begun(rows, 1), 6)[0] // NS
        assert drawn.tolist() == [values[(2 * k + offset) % 3] for k in range(6)]


def due(scenario, branches, counts):
    """Return when the triggers of some branches are due, taken so many at a time."""
    clock = _Due(scenario, unit.build(scenario, range(1)))
    stage, first, found = Stage(1, 0, "one"), 0, []
    base, unit_of = np.zeros((branches, 1), dtype=np.int64), np.zeros(branches, dtype=np.int64)
    for count in counts:
        found.append(clock.take(first, count, base, unit_of, stage))
        first += count
    return np.hstack(found)


def test_triggers_of_branches_come_at_random_each_for_itself():
    """1 MHz: gaps of 1 us on average, which is their standard deviation as well."""
    found = due(chain({"trigger.pattern": "poisson"}), 50, (1, 9, 30))
    assert found.shape == (50, 40)
    gaps = np.diff(found, axis=1, prepend=0)
    assert (gaps >= 0).all()
    assert len(np.unique(gaps[:, 0])) == 50
    assert abs(gaps.mean() / (1000 * NS) - 1) < 4 / np.sqrt(gaps.size)
    assert abs(gaps[:, [0, 1, 10]].mean() / (1000 * NS) - 1) < 4 / np.sqrt(150)


def test_bursts_of_branches_are_a_gap_apart():
    """Three triggers 1 us apart, and 2 to 3 us from the last one to the next burst."""
    gap = {"shape": "uniform", "low": "2 us", "high": "3 us"}
    burst = {"trigger.pattern": "burst", "trigger.burst_length": 3, "trigger.gap": gap}
    gaps = np.diff(due(chain(burst), 20, (1, 4, 7)), axis=1) / (1000 * NS)
    between = gaps[:, 2::3]
    assert (np.delete(gaps, (2, 5, 8), axis=1) == 1).all()
    assert ((between >= 2) & (between <= 3)).all()
    assert len(np.unique(between)) == between.size == 60
