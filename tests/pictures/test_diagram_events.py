"""Common-mode events in diagrams: their marks and windows, and the symbols that they hit."""

from __future__ import annotations

import numpy as np
import pytest
from matplotlib.collections import LineCollection

from simlink.base.errors import InputError
from simlink.pictures.diagram import draw
from simlink.pictures.diagram.events import INVERTED, LOST, SLIPPED, Struck, signs
from simlink.pictures.diagram.timescale import to_scale
from simlink.running.run import run
from simlink.tracing.finding import MISALIGNED, SILENT, find, story
from simlink.tracing.measured import edges_of, measure
from simlink.tracing.trace import trace
from tests.link.test_exposed import made

NS = 10**6
#: Triggers are sent every 2500 ns from 2500 on; that of conversion 2 at 7500.
SENT = 7500


def struck(*after, swing="400 V", slew="80 kV/us", **more):
    """Return a scenario with events some ns after the trigger of conversion 2."""
    times = [f"{SENT + one} ns" for one in after]
    event = {"kind": "at", "times": times, "slew": slew, "swing": swing}
    return made(**{"transient": [event], "conversions": 5, **more})[0]


def drawn(scenario, conversions="2", **options):
    return draw(scenario, conversions, **options).layout


def legend(layout):
    return {item.mark for item in layout.legend} & {"event", "upset", LOST, INVERTED, SLIPPED}


def said(layout):
    return {label.name: label.text for label in layout.labels if label.role == "fate"}


#: Bit k of a frame is captured 714 + 25 k + 12.5 ns after the trigger and 12 ns on its way; its
#: strobe sets out half a period of 25 ns later.
CASES = {
    "trigger": (5, {("trigger", LOST)}, "2 not received, not told"),
    "bit": (714 + 112.5 + 4, {("lane 0", INVERTED)}, "2 corrupted, not told"),
    "strobe": (714 + 112.5 + 12.5 + 4, {("strobe", SLIPPED)}, "2 not received, told"),
}


@pytest.mark.parametrize("case", CASES)
def test_what_is_hit_is_marked_and_what_came_of_it_is_said(case):
    after, hit, fate = CASES[case]
    layout = drawn(struck(after))
    at = round((SENT + after) * NS)
    assert layout.events.instants == [at]
    # 400 V at 80 kV/us.
    assert layout.events.windows == [(at, at + 5 * NS)]
    assert {(one.channel, one.effect) for one in layout.events.struck} == hit
    assert legend(layout) == {"event", "upset"} | {how for _, how in hit}
    assert said(layout)["fate@2"].startswith(fate)
    (line,) = layout.lines
    assert [sign.effect for sign in line.signs] == [how for _, how in hit]
    (one,) = layout.events.drawn
    (sign,) = line.signs
    assert line.scale.at(one.sent) <= sign.x <= line.scale.at(one.arrives)
    assert line.barrier[0] < sign.y < line.barrier[1]


def test_the_mark_goes_through_all_rows_and_the_window_is_shaded():
    picture = draw(struck(830), "2", plain=True)
    (line,) = picture.layout.lines
    x = line.scale.at((SENT + 830) * NS)
    (mark,) = [
        path
        for one in picture.figure.axes[0].collections
        if isinstance(one, LineCollection) and one.get_gid() == "event"
        for path in one.get_segments()
        if abs(path[0][0] - x) < 1e-6
    ]
    tops = [top for top, _ in line.rows.values()]
    bottoms = [bottom for _, bottom in line.rows.values()]
    assert mark[:, 1].min() < min(tops)
    assert mark[:, 1].max() > max(bottoms)
    end = line.scale.at((SENT + 835) * NS)
    shaded = [
        one
        for one in picture.figure.axes[0].patches
        if hasattr(one, "get_x") and abs(one.get_x() - x) < 1e-6
    ]
    wide = [one for one in shaded if abs(one.get_width() - (end - x)) < 1e-6]
    # Both sides and the barrier, which may be in one piece with a side.
    rows = sum(bottom - top for _, top, bottom in line.blocks) + line.barrier[1] - line.barrier[0]
    assert sum(one.get_height() for one in wide) == pytest.approx(rows)
    assert end - x > 1.0


def test_a_clock_pulse_that_is_hit_moves_later_bits_up():
    scenario = struck(1800, **{"link.scheme": "forwarded_clock"})
    layout = drawn(scenario)
    assert ("clock", SLIPPED) in {(one.channel, one.effect) for one in layout.events.struck}
    assert SLIPPED in legend(layout)


def test_a_packet_whose_header_is_hit_is_lost():
    """Eight bits and two of header at 40 Mbit/s; the first packet sets out as bit 7 is captured."""
    packets = {
        "barrier.return.style": "packets",
        "barrier.return.packet_bits": 8,
        "barrier.return.overhead_bits": 2,
        "barrier.return.header_bits": 2,
        "barrier.return.line_rate": "40 Mbit/s",
    }
    full = 714 + 7 * 25 + 12.5

    def effects(after):
        """Each bit is hit with a chance of a half, so that some seeds hit one."""
        found = set()
        for seed in range(6):
            layout = drawn(struck(full + after, seed=seed, **packets))
            found |= {(one.channel, one.effect) for one in layout.events.struck}
        return found

    assert effects(5) == {("lane 0", LOST)}
    assert effects(120) == {("lane 0", INVERTED)}


def test_what_upsets_nothing_is_not_drawn():
    assert drawn(struck(830, slew="50 kV/us")).events is None
    # Nor is one that comes when nothing is shown.
    assert drawn(struck(830), "0").events is None


def test_what_hits_nothing_is_drawn_without_a_sign():
    layout = drawn(struck(300))
    assert legend(layout) == {"event", "upset"}
    assert said(layout)["fate@2"] == "2 delivered \N{CHECK MARK}"
    assert not any("Symbols hit" in one.text for one in layout.labels)


def test_the_tail_of_a_pulse_is_no_event():
    """Steep enough to upset once more after the peak, which is one event and two windows."""
    pulse = {"kind": "eft", "peak": "4 kV", "start": f"{SENT + 300} ns", "repetition": "5 kHz"}
    layout = drawn(made(transient=[pulse], conversions=5)[0])
    assert layout.events.instants == [(SENT + 300) * NS]
    assert len(layout.events.windows) == 2


def test_signs_that_would_meet_share_one_or_stand_above_each_other():
    (scale,) = to_scale(0, 100 * NS, 20.0, 120.0)
    times = [(10, 12, LOST), (10.5, 12.5, LOST), (10.2, 12.2, INVERTED), (60, 62, LOST)]
    hit = [Struck("x", "return", 0, round(a * NS), round(b * NS), how) for a, b, how in times]
    found = signs(hit, scale, (10.0, 18.0), (0, 100 * NS))
    assert sorted(one.effect for one in found) == [INVERTED, LOST, LOST]
    for number, one in enumerate(found):
        for other in found[:number]:
            assert np.hypot(one.x - other.x, one.y - other.y) > 1.6
    shared = next(one for one in found if one.effect == LOST and one.x < 40)
    assert (shared.left, shared.right) == (scale.at(11 * NS), scale.at(11.5 * NS))


@pytest.mark.parametrize("kind", [SILENT, MISALIGNED])
def test_the_first_silent_or_misaligned_conversion_is_the_ledgers(kind):
    source = {"kind": "poisson", "rate": "40 kHz", "slew": "60 kV/us", "swing": "600 V"}
    scenario = made(transient=[source], trials=5, conversions=60, seed=3)[0]
    ledger = run(scenario).ledger
    met = ledger["misaligned"]
    if kind == SILENT:
        met = (met | ~ledger["fate"].isin(["delivered", "in_flight"])) & ~ledger["told"]
    first = ledger[met].iloc[0]
    trial, conversion = find(scenario, kind)
    assert (trial, conversion) == (first["trial"], first["conversion"])
    assert story(scenario, kind)[0] == trial
    assert conversion in story(scenario, kind)[1]
    assert conversion in draw(scenario, kind).layout.view.conversions


def test_a_misaligned_frame_is_shown_with_the_conversion_it_is_taken_for():
    # The trigger of conversion 2 is lost; the frame of 3 is taken to answer it.
    scenario = struck(5, trials=1)
    assert story(scenario, MISALIGNED) == (0, range(2, 4))
    assert said(drawn(scenario, MISALIGNED))["fate@3"] == (
        "3 delivered, taken for 2, not told \N{MULTIPLICATION X}"
    )


@pytest.mark.parametrize("kind", [SILENT, MISALIGNED, "corrupted", "timed_out", "overrun"])
def test_none_to_show_is_one_clear_line(kind):
    with pytest.raises(InputError, match=rf"conversions: got {kind}; none of the 1 x 5 conv"):
        draw(made(conversions=5, trials=1)[0], kind)


def test_bits_that_move_up_come_from_their_own_captures():
    found = trace(struck(CASES["strobe"][0]), range(5))
    spans = [one for one in measure(edges_of(found)) if one.symbol == "t_PD,R"]
    assert {one.length for one in spans} == {12 * NS}
    assert len(spans) == 5 * 18 - 1


def lanes(layout):
    return [track.name for track in layout.tracks if "[" in track.name]


@pytest.mark.parametrize(
    ("skews", "drawn_lanes"),
    [
        # Bit 4 is captured 826.5 ns after the trigger, and its lanes take 12 ns but for their skew:
        # hit from 837 to 842 ns is the one that is late by 20 ns, and no other.
        (["0 ns", "20 ns", "0 ns"], [1]),
        (["0 ns", "20 ns", "20 ns"], [1, 2]),
        # Of more than two the first two are drawn; of none the first.
        (["20 ns", "20 ns", "20 ns"], [0, 1]),
        (["0 ns", "0 ns", "0 ns"], [0]),
    ],
)
def test_the_lanes_that_are_hit_are_drawn(skews, drawn_lanes):
    more = {"frame.lanes": 3, "barrier.return.strobe": False, "barrier.return.channel_skew": skews}
    # A clock of 10 MHz, so that no other bit is on its way: bit 0 is captured 764 ns after.
    slow = {"remote_clock.frequency": "10 MHz", "trigger.rate": "200 kHz"}
    scenario = made(**{**more, **slow, "conversions": 5, "transient": [
        {"kind": "at", "times": [f"{15000 + 764 + 14} ns"], "slew": "80 kV/us", "swing": "400 V"}
    ]})[0]  # fmt: skip
    layout = drawn(scenario)
    families = ("remote.data", "fifo.push", "host.capture")
    assert lanes(layout) == [f"{one}[{lane}]" for one in families for lane in drawn_lanes]
    assert {int(one.channel[-1]) for one in layout.events.drawn} <= set(drawn_lanes)
