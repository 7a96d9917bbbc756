"""The fault line in diagrams: a row at the host's end, and the intervals from event to read.

Triggers are sent every 2500 ns from 2500 on; that of conversion 2 at 7500. The report of an event
takes a response of 100 ns and a crossing of 12 ns.
"""

from __future__ import annotations

import pytest
from matplotlib.collections import LineCollection

from simlink.pictures.diagram import draw
from simlink.tracing.law_limits import law_limits
from simlink.tracing.run_limits import over_run
from tests.link.test_exposed import made

NS = 10**6
LINE = {"fault.threshold": "60 kV/us", "fault.response": "100 ns"}
BITS = {"barrier.return.strobe": False}
SCHEMES = ("remote_master", "forwarded_clock", "returned_clock")


def struck(*times, slew="80 kV/us", **more):
    event = {"kind": "at", "times": [f"{one} ns" for one in times], "slew": slew, "swing": "400 V"}
    return made(**{"transient": [event], "conversions": 5, **LINE, **BITS, **more})[0]


def spans(layout):
    return {one.span.symbol: one.span for one in layout.dimensions}


def row(layout):
    return next((track for track in layout.tracks if track.name == "host.fault"), None)


@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_row_rises_with_the_report_and_falls_as_the_next_read_ends(scheme):
    picture = draw(struck(8330, 8500, **{"link.scheme": scheme}), "2")
    layout = picture.layout
    track, end = row(layout), int(layout.view.trace.record.read_end[0, 2])
    assert track.signal.side == "host"
    levels = [(cell.value, cell.end) for cell in track.cells]
    assert levels[:2] == [(0, 8442 * NS), (1, end)]
    assert [value for value, _ in levels] == [0, 1, 0]
    found = spans(layout)
    # Of the second event the line is up already.
    assert (found["t_FLT"].start, found["t_FLT"].end) == (8330 * NS, 8442 * NS)
    assert (found["t_FRD"].start, found["t_FRD"].end) == (8442 * NS, end)
    # The interval begins at the mark of the event, and ends at the edge of the row.
    (line,) = layout.lines
    (piece,) = [one for one in line.pieces if one.dimension.span == found["t_FLT"]]
    marks = [
        path[0][0]
        for one in picture.figure.axes[0].collections
        if isinstance(one, LineCollection) and one.get_gid() == "event"
        for path in one.get_segments()
    ]
    assert marks == pytest.approx([line.scale.at(8330 * NS), line.scale.at(8500 * NS)])
    assert piece.left == pytest.approx(marks[0])
    assert piece.right == pytest.approx(line.scale.at(8442 * NS))
    top, bottom = line.rows["host.fault"]
    (side,) = [one for one in line.blocks if one[0] == "host"]
    assert side[1] < top < bottom < side[2]


def test_a_hold_keeps_it_up_beyond_the_read():
    layout = draw(struck(8330, **{"fault.hold": "1600 ns"}), "2", until="10.2 us").layout
    end = int(layout.view.trace.record.read_end[0, 2])
    assert end < (8442 + 1600) * NS
    assert [(cell.value, cell.end) for cell in row(layout).cells][1] == (1, 10042 * NS)
    assert spans(layout)["t_FRD"].end == end


def test_what_upsets_nothing_is_marked_where_it_raises_the_line():
    layout = draw(struck(8330, **{"barrier.slew_immunity": "100 kV/us"}), "2").layout
    assert (layout.events.instants, layout.events.windows) == ([8330 * NS], [])
    assert {item.mark for item in layout.legend} & {"event", "upset"} == {"event"}
    # Nor is it, where it does neither.
    both = {"barrier.slew_immunity": "100 kV/us", "fault.threshold": "80 kV/us"}
    assert draw(struck(8330, **both), "2").layout.events is None


def test_a_line_that_rises_after_the_last_fate_is_shown_to_rise():
    # The trigger is lost at 7505; nothing else of conversion 2 happens.
    layout = draw(struck(7505), "2").layout
    assert [cell.value for cell in row(layout).cells] == [0, 1]
    assert row(layout).cells[1].start == 7617 * NS


def test_a_line_that_was_raised_long_before_is_known_to_be_up():
    """Twenty conversions on, of which the trace reaches back twelve, no read has ended."""
    more = {"conversions": 24, "host.watermark": 40, "fifo.depth": 40}
    track = row(draw(struck(3200, **more), "20").layout)
    assert [cell.value for cell in track.cells] == [1]


def test_without_a_line_there_is_no_row():
    plain = dict.fromkeys(LINE)
    layout = draw(struck(8330, **plain), "2").layout
    assert row(layout) is None
    assert not {"t_FLT", "t_FRD"} & set(spans(layout))


@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_timing_table_has_response_and_crossing_as_limits(scheme):
    response = {"shape": "uniform", "low": "40 ns", "high": "90 ns"}
    times = [3000 + 2500 * k for k in range(20)]
    scenario = struck(
        *times, **{"fault.response": response, "link.scheme": scheme, "conversions": 20}
    )
    law = law_limits(scenario)["t_FLT", ""].range
    assert (law.low, law.typical, law.high) == (52 * NS, 77 * NS, 102 * NS)
    seen = over_run(scenario)
    assert law.low <= seen["t_FLT"].least < seen["t_FLT"].largest <= law.high
    assert seen["t_FLT"].count == seen["t_FRD"].count == 20
    skew = {"shape": "uniform", "low": "0 ns", "high": "3 ns"}
    assert ("t_FLT", "") not in law_limits(struck(8330, **{"barrier.return.channel_skew": skew}))
