"""Draws of many branches side by side: each has a memory of its own, each source its own stream."""

import numpy as np
import pytest

from simlink.engines.batch.branch_draws import Stage, rows_of
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
