"""The pictures of the sixteen losses made by hand show what the causes name, by their geometry."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.collections import LineCollection

from simlink.pictures.diagram import draw
from simlink.tracing.explain import explain
from tests.budget.budget_cases import made
from tests.tracing.test_explain import CASES
from tests.verdict.bottlenecks import BASES, REMOTE

#: How far a stroke may be from where its instant lies, in mm: edges are drawn with a slope.
_NEAR = 0.6
#: Seven reads in a row are rounded each, in fs.
_ROUNDED = 7
#: Of each case the conversion, and the rows with the instants in ns that its cause rests on, by the
#: hand calculation beside the case and the bases of `tests.verdict.bottlenecks`.
SHOWN = [
    # Refused at 26550; the service began at 22850, and read from 27850 to 28250.
    (12, [("fifo.level", 26550), ("host.service", 22850), ("host.read", 27850),
          ("host.read", 28250), ("fifo.level", 28250)]),
    # Conversion 12 comes and takes the slot of 11.
    (11, [("fifo.push[0]", 26550), ("host.service", 22850), ("host.read", 28250)]),
    # 2850 + 29 x 2200: the slot is freed 100 ns after conversion 32 has come.
    (32, [("fifo.level", 66550), ("host.read", 66650)]),
    # 2850 + 20 x 2300.
    (23, [("fifo.level", 48550), ("host.read", 48850)]),
    # 1850 + 7 x 16 / 11.43 MHz.
    (10, [("fifo.level", 11550), ("host.read", 11648.775153)]),
    # Four frames wait from the start: conversion 4, triggered at 5000, comes at 5550.
    (4, [("fifo.level", 5550), ("host.trigger", 5000)]),
    (1, [("remote.trigger", 4010), ("remote.clock", 4011), ("remote.busy", 3671)]),
    # 2010 + 500 + 20 + 16 / 10.7 MHz.
    (1, [("remote.trigger", 4010), ("remote.clock", 4025.327103)]),
    # Drawn: the instants are those of the trace.
    (None, [("remote.trigger", None), ("remote.busy", None)]),
    # Held back until the credit of the slot freed at 28250 comes; 320 ns of clock follow.
    (13, [("remote.trigger", 28010), ("remote.credit", 28260), ("remote.clock", 28580),
          ("host.service", 22850), ("host.read", 28250)]),
    # Triggers leave at 4000 and 8000. 4000 + 10 + 500 + 12 begins the service.
    (1, [("remote.trigger", 8010), ("host.service", 4522), ("host.read", 6401),
         ("remote.clock", 8011)]),
    (0, [("host.capture[0]", 2843.75), ("fifo.push[0]", 2850), ("host.busy", 2650)]),
    # Launched at 2550; valid 8.1 ns later.
    (0, [("remote.data[0]", 2558.1), ("remote.data[0]", 2560)]),
    (0, [("fifo.strobe", 2560), ("fifo.push[1]", 2560.1)]),
    # The clock starts at 4000 + 27.1 + 500 + 12 + 300; bit 1 is launched by its first falling edge.
    (0, [("host.data[0]", 4986.2), ("host.capture[0]", 4989.1)]),
    # Its release begins a service at once.
    (0, [("host.busy", 2849), ("host.service", 2850), ("remote.busy", 2510)]),
]  # fmt: skip


@pytest.fixture(scope="module")
def drawn():
    """Return what draws a case once."""
    kept = {}

    def of(number):
        if number not in kept:
            scheme, fate, _, changes, _, _ = CASES[number].values
            kept[number] = explain(made(changes, BASES[scheme]), first=fate)
        return kept[number]

    return of


def places(figure):
    """Return each end of a stroke and its middle, where a cross has its instant, in mm; (n, 2)."""
    found = []
    for one in figure.axes[0].collections:
        if isinstance(one, LineCollection):
            found += one.get_segments()
            found += [path.mean(axis=0, keepdims=True) for path in one.get_segments()]
    return np.concatenate(found)


def instants(found):
    """Return the two instants of a trigger that came while the converter was converting, in fs."""
    trace = found.diagram().layout.view.trace
    mine = [one for one in trace.changes if one.conversion == found.conversion]
    (missed,) = [one.time for one in mine if one.signal == "remote.missed"]
    falls = [one.time for one in trace.changes if one.signal == "remote.busy" and one.value == 0]
    return missed, min(time for time in falls if time > missed)


@pytest.mark.parametrize("number", range(len(CASES)), ids=[one.id for one in CASES])
def test_the_picture_shows_the_conversion_the_rows_and_the_instants(drawn, number):
    found = drawn(number)
    conversion, wanted = SHOWN[number]
    if conversion is None:
        conversion = found.conversion
        wanted = [(row, time / 10**6)
                  for (row, _), time in zip(wanted, instants(found), strict=True)]  # fmt: skip
    assert found.conversion == conversion
    picture = found.diagram()
    figure, layout = picture.figure, picture.layout
    texts = {}
    for one in figure.axes[0].texts:
        texts.setdefault(one.get_gid(), []).append(one)
    # The conversion, with its fate; one that was given up may be delivered after all.
    fate = "delivered" if found.fate == "timed_out" else found.fate.replace("_", " ")
    (label,) = texts[f"fate:fate@{conversion}"]
    assert label.get_text().startswith(f"{conversion} {fate}")
    drawn_at = places(figure)
    for row, ns in wanted:
        time = round(ns * 10**6)
        assert f"row:{row}" in texts, row
        (line,) = [one for one in layout.lines if one.shows(time)]
        x, (top, bottom) = line.scale.at(time), line.rows[row]
        assert layout.left <= x <= layout.right
        here = drawn_at[(drawn_at[:, 1] > top - 0.1) & (drawn_at[:, 1] < bottom + 0.1)]
        gap = np.abs(here[:, 0] - x).min()
        assert gap < _NEAR, (row, ns, gap)
        # The name of the row stands beside it.
        assert any(top < one.get_position()[1] < bottom for one in texts[f"row:{row}"])
        # It is no other edge nearby that is drawn there.
        track = next(one for one in layout.tracks if one.name == row)
        assert any(abs(edge - time) <= _ROUNDED for edge in track.edges), (row, ns)


def test_what_the_picture_is_not_shown_is_told_in_words_alone(drawn):
    """A backlog of more than eight conversions is drawn from where it is worst."""
    found = drawn(2)
    assert "since 2.85 us (conversion 0)" in found.text
    assert found.shown == range(25, 33)
    # One that takes the place of another is drawn, too.
    assert drawn(1).shown == range(10, 13)


def test_a_strobe_that_lost_a_pulse_has_its_row():
    """A pulse of 10 ns does not pass a channel that swallows what is shorter than 10.1."""
    swallowed = {"barrier.return.min_pulse": "10.1 ns"}
    found = explain(made(swallowed, REMOTE), 0)
    assert "of 16 pulses of the strobe, 0 came" in found.text
    assert "fifo.strobe" in [track.name for track in found.diagram().layout.tracks]


@pytest.mark.parametrize("lane", [0, 1])
def test_the_lane_that_is_wrong_is_drawn(lane):
    """The strobe rises 10 ns after the bits of an equal lane."""
    skew = ["0 ns", "0 ns"]
    skew[lane] = "10.1 ns"
    late = {"barrier.return.channel_skew": skew, "frame.lanes": 2}
    tracks = draw(made(late, REMOTE), "0").layout.tracks
    assert {track.lane for track in tracks if track.lane is not None} == {lane}
