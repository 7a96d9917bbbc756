"""Requests for a frame whose check failed, in diagrams: a row on either side, and the crossing.

That of conversion 1 leaves the host at 2476 ns and arrives at 2486; the repeated frame is released
at 2597 (`tests.engines.test_repeat`).
"""

from __future__ import annotations

from simlink.pictures.diagram import draw
from tests.engines.chain import NS
from tests.engines.test_repeat import BOTH, asked

PATTERNS = [[], [1], [], []]


def rows(layout):
    return {track.name: track for track in layout.tracks}


def marks(layout, name):
    return [(mark.time, mark.label) for mark in rows(layout)[name].marks]


def test_a_request_has_a_row_on_either_side_and_crosses_the_barrier():
    layout = draw(asked(PATTERNS), "1").layout
    assert marks(layout, "host.request") == [(2476 * NS, "1")]
    assert marks(layout, "remote.request") == [(2486 * NS, "1")]
    assert (2597 * NS, "") in marks(layout, "fifo.level")
    sides = {name: track.signal.side for name, track in rows(layout).items() if "request" in name}
    assert [
        (one.start, one.end, one.target) for one in layout.crossings if one.source == "host.request"
    ] == [(2476 * NS, 2486 * NS, "remote.request")]
    assert sides == {"host.request": "host", "remote.request": "remote"}


def test_a_request_that_is_hit_does_not_arrive():
    layout = draw(asked(PATTERNS, 2480 * NS, **BOTH), "1").layout
    assert marks(layout, "host.request") == [(2476 * NS, "1")]
    assert marks(layout, "remote.request") == []
    assert [one.channel for one in layout.events.drawn if one.channel == "request"] == ["request"]


def test_there_are_no_such_rows_where_nothing_is_asked_for():
    layout = draw(asked(PATTERNS).with_value("transient", None), "1").layout
    assert not any("request" in name for name in rows(layout))
