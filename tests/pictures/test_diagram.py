"""Timing diagrams: what is in them is right, whole, legible, and in nobody's way."""

from __future__ import annotations

import itertools
import random
import re
from pathlib import Path

import numpy as np
import pytest
from hypothesis import Phase, given, settings
from matplotlib.text import Text

from simlink.base.errors import InputError
from simlink.base.instants import NEVER
from simlink.pictures.diagram import COLUMNS, draw, intervals
from simlink.pictures.diagram.palette import DARK, LIGHT
from simlink.pictures.diagram.tracks import MOST, TABLE
from simlink.running.ledger import table
from simlink.running.run import run
from simlink.scenario.loading import load
from simlink.tracing.finding import find
from simlink.tracing.run_limits import over_run
from tests.engines.chain import NS, chain
from tests.engines.host_clocked_scenarios import serial, serial_scenarios
from tests.strategies import scenarios

SHIPPED = Path(__file__).parents[2] / "scenarios"
NAMES = [signal.name + ("[0]" if signal.lanes else "") for signal in TABLE]


def shipped(name):
    return load(SHIPPED / f"{name}.toml")


def any_picture(scenario):
    """Draw some conversions, signals and options, chosen by the scenario's own seed."""
    pick = random.Random(scenario.seed)
    count = pick.randint(1, min(8, scenario.conversions))
    first = pick.randint(0, scenario.conversions - count)
    options = {
        "width": pick.choice(list(COLUMNS.values())),
        "signals": pick.sample(NAMES, pick.randint(1, MOST)) if pick.random() < 0.5 else None,
        "to_scale": count == 1 and pick.random() < 0.4,
        "bands": pick.random() < 0.3,
        "quiet_window": (20 * NS, 10 * NS) if pick.random() < 0.3 else None,
        "dark": pick.random() < 0.3,
    }
    if scenario.trigger.pattern == "after_read":
        first = 0  # A loop may stop before its last triggers; the first is always sent.
    return draw(scenario, range(first, first + count), **options)


def boxes(figure):
    """Return every text of a figure with its bounding box in pixels, its background left out."""
    renderer = figure.canvas.get_renderer()
    found = []
    for text in figure.axes[0].texts:
        text.set_bbox(None)
        found.append((text, Text.get_window_extent(text, renderer)))
    return found


def meetings(found):
    """Return the pairs of texts whose boxes overlap by more than half a pixel."""
    texts = [text.get_text() for text, _ in found]
    x0, y0, x1, y1 = np.array([box.extents for _, box in found]).T
    across = np.minimum.outer(x1, x1) - np.maximum.outer(x0, x0)
    along = np.minimum.outer(y1, y1) - np.maximum.outer(y0, y0)
    both = np.triu((across > 0.5) & (along > 0.5), k=1)
    return [(texts[i], texts[j]) for i, j in np.argwhere(both)]


def in_a_detail(layout, dimension):
    """Tell whether a dimension line stands in an enlarged detail."""
    pieces = [piece for line in layout.details for piece in line.pieces]
    return any(piece.dimension is dimension for piece in pieces)


def expected_labels(layout):
    """Count the labels that there must be, from what is shown and not from where it was put."""
    count = {"fate": len(layout.view.fates), "title": len(layout.details)}
    whole = [one for one in layout.dimensions if not in_a_detail(layout, one)]
    # In every line that shows some of it; of what stands in a detail, there.
    count["interval"] = len(layout.dimensions) - len(whole)
    for one in whole:
        low, high = sorted((one.span.start, one.span.end))
        lines = [line for line in layout.lines if low < line.scale.end and high > line.scale.start]
        assert lines
        count["interval"] += len(lines)
    named = [mark for track in layout.tracks for mark in track.marks if mark.label]
    count["mark"] = len(named)
    count["row"] = cells = 0
    for line in [*layout.lines, *layout.details]:
        start, end = line.scale.start, line.scale.end
        here = [track for track in layout.tracks if not line.detail or track.name in line.rows]
        both = {track.signal.side for track in here} >= {"remote", "host"}
        count["row"] += len(here) + both
        for track in here:
            if track.signal.kind in ("number", "count"):
                cells += sum(
                    cell.value is not None
                    and cell.value >= 0
                    and cell.end > start
                    and cell.start < end
                    for cell in track.cells
                )
    return count, cells


# A picture takes too long to be shrunk.
@settings(max_examples=40, phases=[Phase.generate])
@given(scenarios(conversions=12, trials=1) | serial_scenarios())
def test_no_two_labels_meet_and_none_is_missing(scenario):
    drawn = any_picture(scenario)
    layout = drawn.layout
    found = boxes(drawn.figure)
    assert meetings(found) == []
    width, height = drawn.figure.bbox.width, drawn.figure.bbox.height
    for text, box in found:
        inside = box.x0 > -0.5 and box.y0 > -0.5 and box.x1 < width + 0.5 and box.y1 < height + 0.5
        assert inside, text.get_text()
    count, cells = expected_labels(layout)
    texts = drawn.figure.axes[0].texts
    roles = [text.get_gid().partition(":")[0] for text in texts]
    assert {role: roles.count(role) for role in count} == count
    # Of bits, those that fit are named, and of each run at least its first.
    kinds = {track.name: track.signal.kind for track in layout.tracks}
    numbers = [
        text
        for text in texts
        if text.get_gid().startswith("cell:")
        and kinds[text.get_gid()[5:].rpartition("@")[0]] in ("number", "count")
    ]
    assert len(numbers) == cells
    fates = [text.get_text().split()[0] for text in texts if text.get_gid().startswith("fate:")]
    assert sorted(map(int, fates)) == sorted(index for index, _, _ in layout.view.fates)
    assert all(text.get_size() >= 5 for text in texts)


@settings(max_examples=40, phases=[Phase.generate])
@given(scenarios(conversions=12, trials=1) | serial_scenarios())
def test_no_cut_hides_an_event_and_time_never_runs_back(scenario):
    layout = any_picture(scenario).layout
    view = layout.view
    drawn = {track.name for track in layout.tracks}
    happened = sorted({time for time, name, _ in view.trace.entries if name in drawn})
    cut = [stretch for line in layout.lines for stretch in line.scale.breaks]
    for start, end in cut:
        assert not [time for time in happened if start < time < end]
    assert layout.lines[0].scale.start == view.start
    assert layout.lines[-1].scale.end == view.end
    for line in layout.lines:
        assert np.all(np.diff(line.scale.places) > 0)
        assert abs(line.scale.left - layout.left) < 1e-9
        assert line.scale.right < layout.right + 1e-9
    for line, following in itertools.pairwise(layout.lines):
        assert line.scale.end == following.scale.start
    # Whatever happened within the stretch is on its track.
    for track in layout.tracks:
        if track.signal.kind == "level":
            times = [
                time
                for time, name, _ in view.trace.entries
                if name == track.name and view.start < time < view.end
            ]
            changes = {time for time in times if times.count(time) == 1}
            assert changes <= set(track.edges)


@pytest.mark.parametrize("name", ["bench-supply", "kiln-recorder", "winding-tester"])
def test_every_drawn_interval_is_the_ledgers(name):
    """By the figure's own objects: length, and the number that is written on it."""
    scenario = shipped(name).with_(conversions=12)
    drawn = draw(scenario, "9:11")
    whole = table(drawn.layout.view.trace.record).to_pandas()
    whole = whole[whole["lane"] == 0].set_index("conversion")
    columns = {
        "t_REL": ("t_trigger", "t_release"),
        "t_LAT": ("t_trigger", "t_read_end"),
        "t_READ": ("t_read_start", "t_read_end"),
    }
    texts = {text.get_gid(): text.get_text() for text in drawn.figure.axes[0].texts}
    seen = set()
    for dimension in drawn.dimensions:
        span = dimension.span
        if span.symbol in columns:
            row = whole.loc[span.conversion]
            first, last = columns[span.symbol]
            assert (span.start, span.end) == (row[first], row[last])
        elif span.symbol == "t_CONV":
            assert span.end == whole.loc[span.conversion, "t_ready"]
        elif span.symbol == "t_CYC":
            both = whole["t_trigger"].loc[[span.conversion, span.conversion + 1]]
            assert [span.start, span.end] == both.tolist()
        text = texts[f"interval:{dimension.name}"]
        number, unit = re.fullmatch(r"\$.*\$ ([−0-9.]+) (\w+)", text).groups()
        assert len(number.replace("−", "").replace(".", "")) == 4
        scale = {"ps": 1e3, "ns": 1e6, "µs": 1e9, "ms": 1e12}[unit]
        assert abs(float(number) * scale - span.length) <= 0.5 * scale * 10 ** -len(
            number.partition(".")[2]
        )
        seen.add(span.symbol)
    assert seen == set(intervals.USUAL) - {"t_FLT", "t_FRD"}


def test_meeting_labels_would_be_found():
    drawn = draw(chain(), "0")
    found = boxes(drawn.figure)
    assert meetings(found) == []
    text = found[3][0]
    text.set_position(found[7][0].get_position())
    assert meetings(boxes(drawn.figure))


def test_dimension_lines_end_where_their_edges_are():
    layout = draw(shipped("bench-supply"), "0:1").layout
    (line,) = layout.lines
    (detail,) = layout.details
    assert len(line.pieces) + len(detail.pieces) == len(layout.dimensions)
    for here in (line, detail):
        for piece in here.pieces:
            span = piece.dimension.span
            assert piece.left == here.scale.at(span.start)
            assert piece.right == here.scale.at(span.end)
            tracks = {track.name: track for track in layout.tracks}
            names = (piece.dimension.start_track, piece.dimension.end_track)
            for name, time in zip(names, (span.start, span.end), strict=True):
                assert time in tracks[name].edges
                assert name in here.rows
    for piece in line.pieces:
        assert piece.dimension.span.start in line.scale.times
        assert piece.dimension.span.end in line.scale.times


def test_every_clock_edge_is_legible():
    """Apart by the least pitch or more, at both widths; what is closer is a block, counted."""
    blocks = 0
    for width, (name, which) in itertools.product(
        COLUMNS.values(), (("bench-supply", "0:8"), ("phase-monitor", "0:2"))
    ):
        layout = draw(shipped(name), which, width=width).layout
        for track in layout.tracks:
            if track.signal.kind == "level":
                for line in layout.lines:
                    dense = line.dense[track.name]
                    blocks += len(dense)
                    singly = [
                        [t for t in track.edges if line.scale.shows(t) and t <= block.start]
                        + [t for t in track.edges if line.scale.shows(t) and t >= block.end]
                        for block in dense
                    ] or [[t for t in track.edges if line.scale.shows(t)]]
                    kept = set.intersection(*map(set, singly))
                    assert all(np.diff([line.scale.at(t) for t in sorted(kept)]) >= 0.39)
                    for block in dense:
                        within = [t for t in track.edges if block.start <= t <= block.end]
                        assert len(within) // 2 == block.count
    assert blocks


def test_crossings_join_the_sides():
    """One for each trigger and bit; each from where it left to where it was pushed or arrived."""
    layout = draw(chain({"conversions": 2}), "0:2").layout
    found = [(one.start // NS, one.end // NS, one.source, one.target) for one in layout.crossings]
    assert (1000, 1010, "host.trigger", "remote.trigger") in found
    bits = [one for one in found if one[2] == "remote.data[0]"]
    assert [one[:2] for one in bits[:4]] == [(1225, 1240), (1245, 1260), (1265, 1280), (1285, 1300)]
    assert len(bits) == 8
    remote = [top for side, top, _ in layout.lines[0].blocks if side == "remote"]
    host = [bottom for side, bottom, _ in layout.lines[0].blocks if side == "host"]
    top, bottom = layout.lines[0].barrier
    assert remote[0] < top < bottom < host[0] or bottom - top > 5


def test_a_packet_crosses_once():
    changed = {
        "barrier.return.style": "packets",
        "barrier.return.packet_bits": 3,
        "barrier.return.line_rate": "100 Mbit/s",
    }
    layout = draw(chain(changed), "0").layout
    bits = [one for one in layout.crossings if one.target == "fifo.push[0]"]
    # Bits 0 to 2, captured by 1265, hold the line until 1295; bit 3 takes 10 after them.
    assert [(one.start // NS, one.end // NS) for one in bits] == [(1265, 1310), (1285, 1320)]


def test_to_scale_is_to_scale():
    scale = draw(shipped("bench-supply"), "1", to_scale=True).layout.lines[0].scale
    assert scale.breaks == []
    times = np.linspace(scale.start, scale.end, 7)
    assert np.allclose(np.diff([scale.at(time) for time in times], n=2), 0)
    with pytest.raises(InputError, match="only one"):
        draw(shipped("bench-supply"), "0:2", to_scale=True)


def test_the_worst_are_found():
    scenario = shipped("bench-supply").with_(trials=4, conversions=40)
    ledger = run(scenario, ledger=True).ledger
    late = ledger["t_read_end"] - ledger["t_trigger"]
    worst = ledger.loc[late.idxmax()]
    assert find(scenario, "latest") == (worst["trial"], worst["conversion"])
    drawn = draw(scenario, "latest")
    (latency,) = (d.span for d in drawn.dimensions if d.span.symbol == "t_LAT")
    assert latency.length == late.max()
    for kind in ("overrun", "underrun"):
        with pytest.raises(InputError, match=f"ended as {kind}"):
            draw(scenario, kind)


def test_an_overrun_is_shown_with_its_mark():
    changed = {"conversions": 4, "fifo.depth": 1, "host.service_latency": "1900 ns"}
    layout = draw(chain(changed), "overrun").layout
    assert list(layout.view.conversions) == [1]
    ((index, time, fate),) = layout.view.fates
    assert (index, time // NS, fate.word) == (1, 2240, "overrun")
    level = next(track for track in layout.tracks if track.name == "fifo.level")
    assert [(m.time // NS, m.shape) for m in level.marks] == [(2240, "cross")]
    assert [one for one in layout.crossings if one.lost and one.target == "fifo.level"]


def test_an_underrun_shows_the_bits_that_were_not_there():
    """Released at the first bit and read at once, at 100 MHz against 50: three bits too early."""
    changed = {
        "fifo.release_bits": 1,
        "host.clock": "100 MHz",
        "host.service_latency": "0 ns",
        "fifo.sync_delay": "0 ns",
    }
    layout = draw(chain(changed), "underrun").layout
    take = next(track for track in layout.tracks if track.name == "host.capture[0]")
    assert [(c.value, c.bad) for c in take.cells if c.value >= 0] == [
        (0, False),
        (1, True),
        (2, True),
        (3, True),
    ]


def test_a_missed_trigger_is_crossed_out():
    """Triggers 200 apart and a conversion of 200: trigger 1 finds the converter busy."""
    layout = draw(chain({"conversions": 2, "trigger.rate": "5 MHz"}), "1").layout
    arriving = next(track for track in layout.tracks if track.name == "remote.trigger")
    assert [(m.time // NS, m.shape) for m in arriving.marks if m.shape == "cross"] == [
        (410, "cross")
    ]
    assert [fate.word for _, _, fate in layout.view.fates] == ["missed_trigger"]


def test_what_switches_near_the_sampling_instant_is_ringed():
    """Sampled at 1010: within 20 before and 10 after, busy rises at the host and here.

    Conversion 1 is sampled at 2010, and there the same two edges; nothing else comes near.
    """
    quiet = draw(chain({"converter.busy_delay": "7 ns"}), "0", quiet_window=(20 * NS, 10 * NS))
    edges = [(name, time // NS) for name, time in quiet.layout.quiet.edges]
    assert edges == [("remote.busy", 1017), ("host.busy", 1000)]
    rings = [p for p in quiet.figure.axes[0].patches if p.get_gid() == "ring"]
    assert len(rings) == 2
    said = " ".join(t.get_text() for t in quiet.figure.axes[0].texts)
    assert "2 edges" in said
    still = draw(chain({"converter.busy_delay": "7 ns"}), "0", quiet_window=(5 * NS, 2 * NS))
    assert still.layout.quiet.edges == []


def test_bands_are_the_ranges_of_the_laws():
    """Busy falls 190 to 230 after the arrival at 1010; pushes lie 15 +- 2 after their captures."""
    changed = {
        "converter.conversion_time": {"shape": "uniform", "low": "190 ns", "high": "230 ns"},
        "barrier.return.part_to_part_skew": {"shape": "uniform", "low": "-2 ns", "high": "2 ns"},
    }
    layout = draw(chain(changed), "0", bands=True).layout
    (busy,) = (band for band in layout.bands if band.track == "remote.busy")
    assert (busy.low // NS, busy.high // NS) == (1200, 1240)
    pushes = [band for band in layout.bands if band.track == "fifo.push[0]"]
    captured = [time for time, _ in layout.view.edges["remote.capture"]]
    assert [(b.low, b.high) for b in pushes] == [(t + 13 * NS, t + 17 * NS) for t in captured]


def test_unknown_levels_are_drawn_unknown():
    """With a lead of 12 conversions, a level that did not move since is not known."""
    changed = {"conversions": 30, "host.service_latency": "40 us", "fifo.depth": 2}
    layout = draw(chain(changed), "25").layout
    service = next(track for track in layout.tracks if track.name == "host.service")
    assert service.cells[0].value is None
    line = next(track for track in layout.tracks if track.name == "remote.data[0]")
    assert line.cells[0].value == -2


@pytest.mark.parametrize("kind", ["svg", "pdf", "png"])
def test_the_bytes_are_the_same_every_time(kind):
    made = [draw(chain({"conversions": 2}), "0:2").encode(kind) for _ in range(2)]
    assert made[0] == made[1]


def test_fonts_are_embedded_and_sizes_are_those_of_a_page():
    drawn = draw(chain(), "0", width=COLUMNS[1])
    svg = drawn.encode("svg").decode()
    assert "<text" in svg
    assert "DejaVu Sans" in svg
    for name in ("serial clock", "barrier", "FIFO level"):
        assert f">{name}</text>" in svg
    pdf = drawn.encode("pdf")
    assert b"/FontFile2" in pdf
    assert b"/CreationDate" not in pdf
    wide = float(re.search(r'width="([0-9.]+)pt"', svg)[1])
    assert wide * 25.4 / 72 == pytest.approx(85.0, abs=0.01)


def luminance(colour):
    """Relative luminance, after IEC 61966-2-1 (the sRGB curve; from memory)."""
    parts = [int(colour[i : i + 2], 16) / 255 for i in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return float(np.dot(linear, [0.2126, 0.7152, 0.0722]))


@pytest.mark.parametrize("palette", [LIGHT, DARK], ids=["light", "dark"])
def test_everything_stands_out_in_grey(palette):
    """By contrast of luminance, which a grey print and every kind of colour vision keep."""

    def contrast(one, other):
        bright, dim = sorted((luminance(one), luminance(other)), reverse=True)
        return (bright + 0.05) / (dim + 0.05)

    for ground in (palette.paper, palette.remote, palette.host):
        assert contrast(palette.ink, ground) > 7
        assert contrast(palette.quiet, ground) > 3.5
        assert contrast(palette.crossing, ground) > 4
        assert contrast(palette.bad, ground) > 4
    assert contrast(palette.window, palette.remote) > 1.4
    assert contrast(palette.fill, palette.host) > 1.2


def test_what_is_not_there_is_told():
    scenario = chain({"conversions": 20})
    for call in (
        lambda: draw(scenario, "19:22"),
        lambda: draw(scenario, "0:9"),
        lambda: draw(scenario, "5:5"),
        lambda: draw(scenario, "soon"),
        lambda: draw(scenario, signals=["remote.bush"]),
        lambda: draw(scenario, signals=["fifo.push[1]"]),
        lambda: draw(scenario, signals=NAMES),
        lambda: draw(scenario, names=["t_NONE"]),
        lambda: draw(scenario, width=20.0),
        lambda: draw(scenario, trial=1),
    ):
        with pytest.raises(InputError):
            call()


def test_all_lanes_can_be_named():
    layout = draw(chain({"frame.lanes": 3}), signals=["remote.data", "fifo.push[2]"]).layout
    assert [t.name for t in layout.tracks] == [
        "remote.data[0]",
        "remote.data[1]",
        "remote.data[2]",
        "fifo.push[2]",
    ]
    assert int(layout.view.trace.record.first_bit[0, 0, 2, 0]) != NEVER


@pytest.mark.parametrize("scheme", ["forwarded_clock", "returned_clock"])
def test_a_clock_that_crosses_is_drawn_crossing(scheme):
    """Each edge the host sends arrives at the converter, and where it is returned, comes back."""
    paths = [path for path in SHIPPED.glob("*.toml") if f'scheme = "{scheme}"' in path.read_text()]
    scenario = next(s for s in map(load, sorted(paths)) if s.link.scheme == scheme)
    for width in COLUMNS.values():
        drawn = draw(scenario, "0", width=width)
        layout = drawn.layout
        assert meetings(boxes(drawn.figure)) == []
        names = [track.name for track in layout.tracks]
        assert "fifo.level" not in names
        assert ("host.returned" in names) == (scheme == "returned_clock")
        out = [one for one in layout.crossings if one.target == "remote.clock"]
        back = [one for one in layout.crossings if one.target == "host.returned"]
        data = [one for one in layout.crossings if one.target == "host.data[0]"]
        assert len(data) == scenario.bits_per_lane
        assert len(out) == 2 * scenario.bits_per_lane
        assert len(back) == (len(out) if scheme == "returned_clock" else 0)
        assert all(one.start < one.end for one in out + back + data)
        # One edge of each burst leads to its row; busy and triggers do so one by one.
        leads = [(one.source, one.target) for one in layout.crossings if not one.follows]
        assert leads.count(("host.clock", "remote.clock")) == 1
        assert leads.count(("remote.data[0]", "host.data[0]")) == 2
        assert leads.count(("remote.busy", "host.busy")) == 2


def test_data_cross_from_where_they_are_valid_to_where_they_are_safe():
    """Valid at the converter at 1212, 1364 and 1384; 12 back, and 2 more for the slower edge.

    Busy falls 2 later at the host too, so that it reads from 1330 on and captures from 1370 on.
    """
    changed = {"barrier.return.pulse_width_distortion": "2 ns"}
    layout = draw(serial(changed), "0").layout
    found = [
        (one.start // NS, one.end // NS)
        for one in layout.crossings
        if (one.source, one.target) == ("remote.data[0]", "host.data[0]")
    ]
    assert found == [(1212, 1226), (1364, 1378), (1384, 1398)]
    line = next(track for track in layout.tracks if track.name == "host.data[0]")
    assert [(m.time // NS, m.shape) for m in line.marks] == [
        (1370, "capture"),
        (1390, "capture"),
        (1410, "capture"),
    ]


def test_a_frame_that_is_overwritten_is_crossed_out():
    """Trigger 1 arrives at 810, before the host has begun to read frame 0."""
    changed = {"trigger.rate": "2.5 MHz", "conversions": 3, "host.service_latency": "250 ns"}
    layout = draw(serial(changed), "overrun").layout
    ((index, time, fate),) = layout.view.fates
    assert (index, time // NS, fate.word) == (0, 810, "overrun")
    data = next(track for track in layout.tracks if track.name == "remote.data[0]")
    crosses = [m.time // NS for m in data.marks if m.shape == "cross"]
    assert crosses[0] == 810


def test_bands_where_the_clock_crosses_are_the_ranges_of_its_way():
    """Out 10 +- 1 and, falling, up to 3 later; back 12, data up to 3 later too."""
    changed = {
        "barrier.forward.part_to_part_skew": {"shape": "uniform", "low": "-1 ns", "high": "1 ns"},
        "barrier.pulse_width_distortion": {"shape": "uniform", "low": "-1 ns", "high": "3 ns"},
    }
    layout = draw(serial(changed), "0", bands=True).layout
    reach = {}
    for band in layout.bands:
        causes = [one.start for one in layout.crossings if one.target == band.track]
        cause = max((time for time in causes if time < band.edge), default=0)
        reach.setdefault(band.track, set()).add(
            ((band.low - cause) // NS, (band.high - cause) // NS)
        )
    assert reach["remote.clock"] == {(9, 11), (8, 14)}
    assert reach["host.data[0]"] == {(12, 15)}
    assert reach["host.busy"] == {(11, 15)}


def test_bands_of_a_crossing_stay_within_the_delay_that_covers_it():
    """Out 9 to 12 with a spread of 4 either way, and 12 ns back that hold a distortion of 2."""
    covers = ["part_to_part_skew", "pulse_width_distortion"]
    changed = {
        "barrier.delay_covers": covers,
        "barrier.forward.delay": {"shape": "uniform", "low": "9 ns", "high": "12 ns"},
        "barrier.forward.part_to_part_skew": {"shape": "uniform", "low": "-4 ns", "high": "4 ns"},
        "barrier.return.pulse_width_distortion": "2 ns",
    }
    layout = draw(serial(changed), "0", bands=True).layout
    bands = {}
    for band in layout.bands:
        bands.setdefault(band.track, set()).add((band.high - band.low) // NS)
    assert bands == {"remote.trigger": {3}, "remote.clock": {3}}
    free = draw(serial(changed | {"barrier.delay_covers": []}), "0", bands=True).layout
    assert {(one.high - one.low) // NS for one in free.bands} == {11}


@pytest.mark.parametrize(("most", "over"), [(40, "the first 4 of "), (10**6, "all ")])
def test_what_the_limits_were_measured_on_is_told_below(most, over):
    """Of ten units of which four conversions are traced, nobody may read that it was the run."""
    scenario = shipped("shallow-fifo").with_(trials=10, conversions=5)
    drawn = draw(scenario, "0", limits=over_run(scenario, most))
    foot = " ".join(label.text for label in drawn.layout.labels if label.role == "foot")
    said = f"largest over {over}5 conversions of each of 10 boards, in the same unit."
    assert said in foot
