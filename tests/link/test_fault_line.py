"""When the fault line is high: reports, and the reads that take the line down, worked by hand.

A report crosses the barrier in 15 ns; the line rises a response and that after its event.
"""

from __future__ import annotations

import numpy as np
import pytest

from simlink.base.instants import FAR
from simlink.link import fault_line
from simlink.link.fault_line import FaultLine, Highs, Report, highs
from tests.engines.chain import NS, chain

LINE = {"fault.threshold": "50 kV/us", "fault.response": "100 ns"}
EDGE = {"slew": "80 kV/us", "swing": "400 V"}


def made(*times, **values):
    """Return a chain with an event at each of some instants in ns; ``__`` stands for a dot."""
    events = {"kind": "at", "times": [f"{time} ns" for time in times], **EDGE}
    keys = {key.replace("__", "."): value for key, value in values.items()}
    return chain(LINE | {"transient": [events]} | keys)


def rises(reports):
    return [one.rises // NS for one in reports]


def test_the_line_falls_after_the_hold_and_the_read_whichever_is_later():
    assert fault_line.falls(100, 20, 110) == 120
    assert fault_line.falls(100, 20, 120) == 120
    assert fault_line.falls(100, 20, 150) == 150
    assert fault_line.falls(100, 20, FAR) == FAR


def test_a_stretch_that_only_touches_a_conversion_does_not_flag_it():
    """High from 10 to 20: until 10, until 11, within, from 19 on, from 20 on."""
    since, until = np.array([0, 0, 12, 19, 20]), np.array([10, 11, 15, 30, 30])
    assert fault_line.is_flagged(since, until, 10, 20).tolist() == [0, 1, 1, 1, 0]


def test_there_is_a_line_where_it_has_a_threshold_and_something_may_raise_it():
    assert fault_line.has_line(made(1000))
    assert not fault_line.has_line(chain(LINE))
    assert not fault_line.has_line(made(1000, fault__threshold=None, fault__response=None))


def test_a_report_takes_what_the_return_direction_takes():
    """15 ns, 4 ns of skew between parts and 3 ns between channels; a list names lanes alone."""
    skews = {"barrier__return__part_to_part_skew": "4 ns"}
    same = {"shape": "uniform", "low": "3 ns", "high": "3 ns"}
    assert fault_line.crossing_of(made(1000), 0) == 15 * NS
    found = fault_line.crossing_of(made(1000, **skews, barrier__return__channel_skew=same), 0)
    assert found == 22 * NS
    listed = made(1000, **skews, barrier__return__channel_skew=["7 ns"])
    assert fault_line.crossing_of(listed, 0) == 19 * NS


def test_what_is_drawn_of_a_crossing_is_the_unit_s_own():
    drawn = {"shape": "uniform", "low": "0 ns", "high": "9 ns"}
    for key in ("delay", "part_to_part_skew", "channel_skew"):
        values = {f"barrier__return__{key}": drawn}
        units = [fault_line.crossing_of(made(1000, **values), trial) for trial in (0, 1)]
        other = fault_line.crossing_of(made(1000, **values, seed=2), 0)
        assert len({*units, other}) == 3, key


def test_reports_come_once_and_in_order():
    """Sent at 1100, 1300 and 1700 ns."""
    line = FaultLine(made(1600, 1000, 1200, fault__hold="50 ns"), 0)
    assert line.take_before(1100 * NS) == []
    # One that is sent at that very instant is not before it.
    found = line.take_before(1300 * NS)
    assert found == [Report(1115 * NS, 50 * NS, 1000 * NS)]
    assert rises(line.take_before(5000 * NS)) == [1315, 1715]
    assert line.take_before(FAR) == []


def test_reports_of_several_sources_go_in_the_order_in_which_they_are_sent():
    """No report overtakes another, however long the one ahead of it was on its way."""
    sources = [{"kind": "at", "times": [time], **EDGE} for time in ("2 us", "1 us", "3 us")]
    values = LINE | {"transient": sources}
    line = FaultLine(chain(values), 0)
    found = line.take_before(FAR)
    assert [(one.rises // NS, one.event // NS) for one in found] == [
        (1115, 1000),
        (2115, 2000),
        (3115, 3000),
    ]
    jitter = {"shape": "uniform", "low": "0 ns", "high": "90 us"}
    found = rises(FaultLine(chain(values | {"barrier.return.jitter": jitter}), 0).take_before(FAR))
    assert found == sorted(found)
    assert found[0] > 1115


def test_an_event_that_slews_no_faster_than_the_threshold_is_not_reported():
    slow = made(1000, fault__threshold="80 kV/us")
    assert FaultLine(slow, 0).take_before(FAR) == []
    drawn = {"shape": "uniform", "low": "70 kV/us", "high": "90 kV/us"}
    told = [
        len(FaultLine(made(1000, fault__threshold=drawn), trial).take_before(FAR))
        for trial in range(200)
    ]
    assert abs(sum(told) - 100) < 4 * np.sqrt(50)


@pytest.mark.parametrize(
    ("times", "reads", "hold", "found"),
    [
        # Up at 1115 ns: down with the read that ends next.
        ([1000], [500, 1566, 2566], "0 s", [(1115, 1566)]),
        # A read that ends as the line rises does not take it down.
        ([1000], [1115, 1566], "0 s", [(1115, 1566)]),
        ([1000], [1566], "600 ns", [(1115, 1715)]),
        # Up at 1115 and 1315: one stretch, longer for the second's hold.
        ([1000, 1200], [1566], "300 ns", [(1115, 1615)]),
        # The second comes as the line would fall, or 1 ns later.
        ([1000, 1451], [1566, 2566], "0 s", [(1115, 2566)]),
        ([1000, 1452], [1566, 2566], "0 s", [(1115, 1566), (1567, 2566)]),
        # No read ends any more.
        ([1000, 1200], [1115], "0 s", [(1115, None)]),
        ([1000, 1451], [1566], "0 s", [(1115, None)]),
        ([1000, 1452], [1566], "0 s", [(1115, 1566), (1567, None)]),
    ],
)
def test_the_line_is_high_until_a_read_has_ended(times, reads, hold, found):
    made_of = Highs(made(*times, fault__hold=hold), 0)
    made_of.take([read * NS for read in reads], FAR)
    expected = [(since * NS, FAR if until is None else until * NS) for since, until in found]
    assert made_of.stretches == expected
    causes = [since - 115 for since, _ in found]
    assert [one // NS for one in made_of.causes] == causes


def test_stretches_that_are_over_are_forgotten():
    line = Highs(made(1000, 2000, 3000), 0)
    line.take([1566 * NS, 2566 * NS, 3566 * NS], FAR)
    line.forget(1566 * NS - 1)
    assert len(line.rises) == 3
    line.forget(2566 * NS)
    assert (line.rises, line.falls) == ([3115 * NS], [3566 * NS])
    assert line.events == [3000 * NS]


def test_reports_wait_for_reads_that_are_told_of_later():
    line = Highs(made(1000, 2000), 0)
    line.take([], 1100 * NS + 1)
    assert line.stretches == [(1115 * NS, FAR)]
    line.take([1566 * NS], 1900 * NS)
    assert line.stretches == [(1115 * NS, 1566 * NS)]
    line.take([2566 * NS], 3000 * NS)
    assert line.stretches == [(1115 * NS, 1566 * NS), (2115 * NS, 2566 * NS)]


def test_what_begins_by_an_instant_is_known_to_its_end():
    """The reports at 1115 and 1415 ns lengthen each other; the third comes after the fall."""
    values = made(1000, 1300, 2600, fault__hold="400 ns")
    reads = [1200 * NS, 1500 * NS, 2900 * NS]
    assert highs(values, 0, reads, 1100 * NS - 1).stretches == []
    for until in (1100, 1200):
        assert highs(values, 0, reads, until * NS).stretches == [(1115 * NS, 1815 * NS)]
    assert len(highs(values, 0, reads, 2700 * NS).stretches) == 2
