"""Every shipped diagram at each width, by its geometry: nothing meets, is cut, or is missing."""

from __future__ import annotations

from functools import cache
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from matplotlib.collections import LineCollection
from matplotlib.text import Text
from matplotlib.transforms import Bbox

from simlink.base.errors import InputError
from simlink.pictures.diagram import COLUMNS, draw
from simlink.pictures.diagram.rows import Order
from simlink.scenario.loading import load
from simlink.tracing.measured import RULES
from simlink.tracing.run_limits import over_run
from tests.pictures.test_diagram import in_a_detail, meetings

SHIPPED = Path(__file__).parents[2] / "scenarios"
SHIPPED_NAMES = sorted(path.stem for path in SHIPPED.glob("*.toml"))
#: What the pictures of `reports/` show, and one of each shipped scenario.
PICTURES = {
    **{name: (name, {}) for name in SHIPPED_NAMES},
    "to scale": ("bench-supply", {"conversions": "1", "to_scale": True}),
    "quiet": (
        "bench-supply",
        {"conversions": "2", "quiet_window": (60 * 10**6, 30 * 10**6), "bands": True},
    ),
    "limits": ("bench-supply", {"conversions": "1", "limits": True}),
    "plain": ("kiln-recorder", {"plain": True}),
    "overrun": ("shallow-fifo", {"conversions": "overrun"}),
    "underrun": ("early-release", {"conversions": "underrun"}),
    "silent": ("ice-rink-drive", {"conversions": "silent", "plain": True}),
    "hit in packets": ("lock-gate", {"conversions": "51:53", "trial": 6, "dark": True}),
    "two conversions": ("phase-monitor", {"conversions": "0:2"}),
    "converter only": (
        "phase-monitor",
        {
            "signals": ["remote.trigger", "remote.busy", "remote.clock", "remote.data[0]"],
            "since": "remote.trigger",
            "until": "remote.clock falls + 20 ns",
            "pins": {"remote.clock": "SCK", "remote.data": "SDO"},
        },
    ),
}
CASES = [
    (name, width)
    for name in PICTURES
    for width in COLUMNS.values()
    # Those made by an option are looked at where there is the least room.
    if name in SHIPPED_NAMES or width == COLUMNS[1]
]


@cache
def picture(name, width):
    scenario, options = PICTURES[name]
    # Enough of a run to find the worst of it in.
    shown = load(SHIPPED / f"{scenario}.toml").with_(trials=8)
    limits = over_run(shown, 12) if "limits" in options else None
    return draw(shown, width=width, **{**options, "limits": limits})


def in_millimetres(figure):
    """Return every text with the box of its letters, in mm, and whether it hides what is behind."""
    ax = figure.axes[0]
    back = ax.transData.inverted()
    renderer = figure.canvas.get_renderer()
    found = []
    for text in ax.texts:
        (x0, y0), (x1, y1) = back.transform(Text.get_window_extent(text, renderer))
        low, high = sorted((y0, y1))
        # The box of a line of type is higher than its letters.
        trim = 0.0 if text.get_rotation() else 0.2 * (high - low)
        x0, x1 = sorted((x0, x1))
        hides = text.get_bbox_patch() is not None
        found.append((text, (x0 + 0.1, low + trim, x1 - 0.1, high - trim), hides))
    return found


def crosses(box, segment):
    """Tell whether a straight stroke goes through a box (after Liang and Barsky, from memory)."""
    (x0, y0, x1, y1), ((a, b), (c, d)) = box, segment
    first, last = 0.0, 1.0
    for start, way, low, high in ((a, c - a, x0, x1), (b, d - b, y0, y1)):
        if way == 0:
            if not low < start < high:
                return False
            continue
        ends = sorted(((low - start) / way, (high - start) / way))
        first, last = max(first, ends[0]), min(last, ends[1])
    return first < last


def struck(figure, texts):
    """Return each text with a stroke through it that is not its own and that is seen there.

    What is behind a text that hides it is not seen, but no signal, cut or dimension line may be
    hidden so.
    """
    strokes = []
    for one in figure.axes[0].collections:
        if isinstance(one, LineCollection):
            for path in one.get_segments():
                for start, end in pairwise(path):
                    strokes.append((start, end, one.get_zorder(), one.get_gid() or ""))
    starts = np.array([stroke[0] for stroke in strokes])
    ends = np.array([stroke[1] for stroke in strokes])
    low, high = np.minimum(starts, ends), np.maximum(starts, ends)
    found = []
    for text, box, hides in texts:
        x0, y0, x1, y1 = box
        near = (low[:, 0] < x1) & (high[:, 0] > x0) & (low[:, 1] < y1) & (high[:, 1] > y0)
        for number in np.flatnonzero(near):
            start, end, order, gid = strokes[number]
            if hides and order < Order.TRACE:
                continue
            if gid == text.get_gid() or not crosses(box, (start, end)):
                continue
            found.append((text.get_gid(), text.get_text(), order, gid))
    return found


@pytest.mark.parametrize(("name", "width"), CASES)
def test_nothing_meets_and_nothing_is_cut(name, width):
    figure = picture(name, width).figure
    found = in_millimetres(figure)
    assert struck(figure, found) == []
    layout = picture(name, width).layout
    for text, (x0, y0, x1, y1), _ in found:
        inside = x0 > 0 and y0 > 0 and x1 < layout.width and y1 < layout.height
        assert inside, text.get_text()
    for one in figure.axes[0].collections:
        if isinstance(one, LineCollection):
            points = np.concatenate(one.get_segments())
            assert points.min() > -0.1
            assert (points.max(axis=0) < [layout.width + 0.1, layout.height + 0.1]).all()
    # In tenths of a millimetre, of which half a one may be shared.
    assert meetings([(text, Bbox(10 * np.reshape(box, (2, 2)))) for text, box, _ in found]) == []


@pytest.mark.parametrize(("name", "width"), CASES)
def test_every_interval_is_there_with_its_label(name, width):
    """In each line that shows some of it, or in its detail; with arrows at what it measures."""
    layout = picture(name, width).layout
    texts = [text.get_gid() for text in picture(name, width).figure.axes[0].texts]
    for one in layout.dimensions:
        lines = layout.details if in_a_detail(layout, one) else layout.lines
        pieces = [(line, p) for line in lines for p in line.pieces if p.dimension is one]
        assert pieces
        assert texts.count(f"interval:{one.name}") == len(pieces)
        for line, piece in pieces:
            low, high = sorted((one.span.start, one.span.end))
            assert piece.left == line.scale.at(low)
            assert piece.right == line.scale.at(high)
            assert piece.open_left == (low < line.scale.start)
            assert piece.open_right == (high > line.scale.end)
        assert not pieces[0][1].open_left
        assert not pieces[-1][1].open_right


@pytest.mark.parametrize(("name", "width"), CASES)
def test_it_fits_on_a_page(name, width):
    layout = picture(name, width).layout
    assert layout.height <= (200 if len(layout.view.conversions) == 1 else 240)


@pytest.mark.parametrize("width", COLUMNS.values())
def test_cuts_go_through_every_row_and_the_barrier(width):
    drawn = picture("bench-supply", width)
    (line,) = drawn.layout.lines
    assert line.scale.tears
    heights = [
        (path[:, 1].min(), path[:, 1].max())
        for one in drawn.figure.axes[0].collections
        if one.get_gid() == "tear"
        for path in one.get_segments()
        if np.abs(path[:, 0] - line.scale.tears[0]).max() < 1
    ]
    for _, top, bottom in [*line.blocks, ("barrier", *line.barrier)]:
        assert any(low <= top and bottom <= high for low, high in heights)


def test_a_detail_is_to_scale_and_enlarged():
    layout = picture("bench-supply", COLUMNS[1]).layout
    (detail,) = layout.details
    (whole,) = layout.lines
    symbols = {piece.dimension.span.symbol for piece in detail.pieces}
    assert symbols >= {"t_CH", "t_CL", "t_DV", "t_SU", "t_H"}
    times = np.linspace(detail.scale.start, detail.scale.end, 7)
    assert np.allclose(np.diff([detail.scale.at(time) for time in times], n=2), 0)
    start, end = detail.scale.start, detail.scale.end
    assert detail.scale.right - detail.scale.left > 5 * (
        whole.scale.at(end) - whole.scale.at(start)
    )
    (bracket,) = whole.brackets
    assert (bracket.left, bracket.right) == (whole.scale.at(start), whole.scale.at(end))


@pytest.mark.parametrize("name", ["shallow-fifo", "kiln-recorder", "phase-monitor"])
def test_what_is_asked_for_is_drawn_or_said_not_to_be(name):
    scenario = load(SHIPPED / f"{name}.toml")
    drawn = draw(scenario, "0", names=list(RULES))
    seen = {one.span.symbol for one in drawn.dimensions}
    missing = dict(drawn.layout.missing)
    assert seen.isdisjoint(missing)
    assert seen | set(missing) == set(RULES)
    foot = " ".join(label.text for label in drawn.layout.labels if label.role == "foot")
    for symbol, why in missing.items():
        assert f"{symbol} is not drawn: {why}." in foot
    assert struck(drawn.figure, in_millimetres(drawn.figure)) == []


def test_the_legend_has_the_marks_of_the_picture_and_no_others():
    """A quiet picture without captures, cuts or blocks has none of their words."""
    only = draw(load(SHIPPED / "bench-supply.toml"), "0", signals=["host.busy"], names=[])
    assert {item.mark for item in only.layout.legend} <= {"tear"}
    marks = {item.mark for item in picture("bench-supply", 85.0).layout.legend}
    assert marks == {"sample", "capture", "unknown", "tear"}
    assert "block" in {item.mark for item in picture("phase-monitor", 85.0).layout.legend}
    assert "cross" in {item.mark for item in picture("overrun", 85.0).layout.legend}


def test_a_window_begins_and_ends_at_its_events():
    scenario = load(SHIPPED / "phase-monitor.toml")
    view = draw(scenario, "1", since="remote.busy falls", until="remote.clock").layout.view
    changes = [one for one in view.trace.changes if one.conversion == 1]
    fall = min(c.time for c in changes if c.signal == "remote.busy" and c.value == 0)
    last = max(c.time for c in changes if c.signal == "remote.clock")
    assert view.start < fall < last < view.end
    assert view.end - view.start < 1.06 * (last - fall)
    later = draw(scenario, "1", since="1 us", until="1.5 us").layout.view
    sent = next(c.time for c in changes if c.signal == "host.trigger")
    assert later.start < sent + 10**9 < sent + 15 * 10**8 < later.end
    assert later.end - later.start < 53 * 10**7
    for since, until in (
        ("remote.bush", None),
        ("2 us", "1 us"),
        ("host.timeout", None),
        (None, "3 bananas"),
    ):
        with pytest.raises(InputError):
            draw(scenario, "1", since=since, until=until)


def test_plain_is_black_on_white():
    """No stroke, face or text is of another colour, and none is see-through."""
    figure = picture("plain", 85.0).figure
    colours = []
    for one in figure.axes[0].collections:
        colours += [*one.get_edgecolor(), *one.get_facecolor()]
    for one in figure.axes[0].patches:
        colours += [one.get_edgecolor(), one.get_facecolor()]
    from matplotlib.colors import to_rgba

    colours += [to_rgba(text.get_color()) for text in figure.axes[0].texts]
    for red, green, blue, alpha in colours:
        assert alpha in (0.0, 1.0)
        assert (red, green, blue) in ((0.0, 0.0, 0.0), (1.0, 1.0, 1.0)) or alpha == 0.0


def test_limits_have_as_many_decimals_as_each_other():
    from simlink.tracing.run_limits import Limits

    scenario = load(SHIPPED / "bench-supply.toml")
    law = {"t_CONV": Limits(98_765_432, 640_000_000, 1_234_567_890, 9)}
    (one,) = draw(scenario, "0", names=["t_CONV"], limits=law).dimensions
    assert one.text.endswith("$ 636 ns (99 … 640 … 1235)")
