"""Edges that no part drove, in diagrams and in words: where they are drawn, and what they cause.

Triggers are sent every 5 us from 5 us on, and take 14 ns. The converter of a remote master is
busy for 700 ns after that, and read for 450 ns more.
"""

from __future__ import annotations

import pytest
from matplotlib.collections import LineCollection

from simlink.pictures.diagram import draw
from simlink.tracing.explain import explain
from simlink.tracing.measured import edges_of, measure
from simlink.tracing.trace import trace
from tests.link.test_exposed import made

NS = 10**6
FORWARD = {"barrier.return.slew_immunity": "100 kV/us"}
RETURN = {"barrier.forward.slew_immunity": "100 kV/us"}
#: Hosts slow enough to read a whole frame right with a clock of their own.
FORWARDED = {"host.clock": "15 MHz", "link.scheme": "forwarded_clock"}
RETURNED = FORWARDED | {"link.scheme": "returned_clock"}


def struck(*times, **more):
    """Return a scenario with windows of a nanosecond, each of which makes an edge."""
    event = {"kind": "at", "times": [f"{one} ns" for one in times], "slew": "80 kV/us"}
    keys = {"transient": [{**event, "swing": "80 V"}], "conversions": 5, "barrier.false_edge": 1}
    return made(**{**keys, "trigger.rate": "200 kHz", **more})[0]


def texts(layout, role):
    return [label.text for label in layout.labels if label.role == role]


def marked(layout):
    """Return the rows on which an edge is marked that no part drove, with its instant in ns."""
    return {
        (track.name, mark.time / NS)
        for track in layout.tracks
        for mark in track.marks
        if mark.shape == "false"
    }


#: What makes an edge on a channel: when, the channel, the row that it is marked on, what is said.
CASES = {
    "trigger": (7300, FORWARD, "remote.trigger", "1 on trigger"),
    # The converter is busy from 5014 to 5714 ns, and read after that.
    "trigger ignored": (5300, FORWARD, "remote.trigger", "1 on trigger (ignored)"),
    # Bit 0 comes at 5738.5 ns.
    "strobe": (5705, RETURN, "fifo.push[0]", "1 on strobe"),
    # Between the fall of busy and the read, which begins at 6726 ns.
    "clock": (6000, FORWARD | FORWARDED, "remote.clock", "1 on clock"),
    # While the converter's busy is high at the host.
    "busy": (5300, RETURN | FORWARDED, "host.busy", "1 on busy"),
    # Pulses of 33.3 ns, each 66.7 ns, come back in 12 ns: one from 6973 to 7019, then from 7040.
    "returned": (7030, RETURN | RETURNED, "host.returned", "1 on returned"),
}


@pytest.mark.parametrize("case", CASES)
def test_each_is_marked_on_its_row_where_the_event_is(case):
    time, more, row, said = CASES[case]
    picture = draw(struck(time, **more), "0")
    layout = picture.layout
    assert (row, time) in marked(layout)
    assert "false" in {item.mark for item in layout.legend}
    counted = layout.events.sentence.partition("Edges that no part drove: ")[2].partition(".")[0]
    assert said in counted.split(", ")
    (line,) = [one for one in layout.lines if one.shows(time * NS)]
    x, (top, bottom) = line.scale.at(time * NS), line.rows[row]
    strokes = [
        path
        for one in picture.figure.axes[0].collections
        if isinstance(one, LineCollection)
        for path in one.get_segments()
        if (abs(path[:, 0] - x) < 1e-6).all()
    ]
    # An upright of the row's height, and the mark of the event through all rows at the same place.
    assert any(sorted(path[:, 1]) == pytest.approx([top, bottom]) for path in strokes)
    tops = [up for up, _ in line.rows.values()]
    assert any(path[:, 1].min() < min(tops) and path[:, 1].max() > bottom for path in strokes)


def test_nothing_crosses_the_barrier_to_an_edge_that_no_part_drove():
    for time, more, row, _ in CASES.values():
        layout = draw(struck(time, **more), "0").layout
        assert not [one for one in layout.crossings if (one.target, one.end) == (row, time * NS)], (
            row
        )


def test_a_frame_that_nobody_asked_for_is_drawn_as_one():
    layout = draw(struck(7300, **FORWARD), "0:2").layout
    assert "unrequested" in texts(layout, "mark")
    assert texts(layout, "cell").count("unrequested") == 1
    (read,) = [track for track in layout.tracks if track.name == "host.read"]
    # Ready at 8000; 18 bits at 40 MHz and 12 ns of crossing; 1 us; 18 bits at 50 MHz.
    ready = 7300 + 700
    released = ready + 17.5 * 25 + 12
    (cell,) = [one for one in read.cells if one.value < -1]
    assert (cell.start / NS, cell.end / NS) == (released + 1000, released + 1360)
    assert layout.events.sentence.endswith("Frames read that no trigger asked for: 1 (delivered).")
    # Where its read is not shown, it is not counted.
    short = draw(struck(7300, **FORWARD), "0", until="2.6 us").layout.events
    assert (len(short.made), "asked" in short.sentence) == (1, False)


def test_without_false_edges_nothing_is_marked():
    layout = draw(struck(7300, **{**FORWARD, "barrier.false_edge": 0}), "0").layout
    assert marked(layout) == set()
    assert "no part drove" not in layout.events.sentence


def test_bits_among_false_ones_are_measured_from_their_own_captures():
    found = trace(struck(5705, **RETURN), range(5))
    spans = [one for one in measure(edges_of(found)) if one.symbol == "t_PD,R"]
    # Of the first frame, which the false bit begins, the last finds no place.
    assert len(spans) == 5 * 18 - 1
    assert {one.length for one in spans} == {12 * NS}


@pytest.mark.parametrize(
    ("time", "more", "conversion", "fate", "channel"),
    [
        # The converter is busy when the trigger of 10014 comes.
        (9500, FORWARD, 1, "missed_trigger", "trigger"),
        (5705, RETURN, 0, "corrupted", "strobe"),
        # Another conversion takes the place of the frame that waits to be read.
        (6000, FORWARD | FORWARDED, 0, "overrun", "trigger"),
    ],
)
def test_it_is_named_as_the_cause_where_it_was(time, more, conversion, fate, channel):
    told = explain(struck(time, **more), conversion)
    assert (told.fate, told.cause) == (fate, "barrier.false_edge")
    (said,) = [one for one in told.steps if "no part drove" in one]
    assert f"on {channel} at {time / 1000:g} us" in said
    assert said.endswith("without such edges its fate is delivered.")
    assert "None of its own symbols was hit." in told.steps


def test_it_is_not_named_where_something_else_was():
    # The trigger of conversion 1 is hit; a false edge ahead of it is ignored.
    told = explain(struck(5300, 10005, **FORWARD), 1)
    assert (told.fate, told.cause) == ("not_received", "barrier.slew_immunity")
    assert "no part drove" not in told.text
