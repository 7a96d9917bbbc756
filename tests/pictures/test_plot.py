import itertools
import subprocess
import sys

import numpy as np
import pytest
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.patches import StepPatch

import simlink
from simlink.base.instants import FS_PER_SECOND
from simlink.pictures import plot, style
from simlink.pictures.spreading import spread

NAMES = ("latency", "occupancy", "period")


def texts_of(ax):
    """Every text that is seen, with the box that it takes."""
    figure = ax.get_figure(root=True)
    figure.canvas.draw()
    found = [*ax.texts, ax.xaxis.label, ax.yaxis.label]
    found += [title for title in (ax.title, ax._left_title, ax._right_title) if title.get_text()]
    for axis in (ax.xaxis, ax.yaxis):
        low, high = sorted(axis.get_view_interval())
        inside = [tick for tick in axis.get_major_ticks() if low <= tick.get_loc() <= high]
        found += [tick.label1 for tick in inside]
    seen = [text for text in found if text.get_visible() and text.get_text()]
    return [(text.get_text(), text.get_window_extent()) for text in seen]


def words(ax):
    return [text.get_text() for text in ax.texts]


@pytest.mark.parametrize("name", NAMES)
def test_no_text_runs_into_another_or_out_of_the_picture(any_run, name):
    ax = getattr(plot, name)(any_run)
    found = texts_of(ax)
    page = ax.get_figure(root=True).bbox
    for text, box in found:
        assert page.x0 <= box.x0, text
        assert box.x1 <= page.x1, text
        assert page.y0 <= box.y0, text
        assert box.y1 <= page.y1, text
    for (one, box), (other, second) in itertools.combinations(found, 2):
        assert not box.overlaps(second), (one, other)


def check_narrow(draw):
    """Draw on axes of a small figure: nothing is cut, and no text meets another."""
    figure = Figure(figsize=(4.5, 3.0))
    FigureCanvasAgg(figure)
    ax = figure.add_subplot()
    draw(ax)
    found = texts_of(ax)
    legend = ax.get_legend()
    if legend is not None:
        found += [(text.get_text(), text.get_window_extent()) for text in legend.get_texts()]
    for text, box in found:
        assert figure.bbox.x0 <= box.x0, text
        assert box.x1 <= figure.bbox.x1, text
        assert figure.bbox.y0 <= box.y0, text
        assert box.y1 <= figure.bbox.y1, text
    for (one, box), (other, second) in itertools.combinations(found, 2):
        assert not box.overlaps(second), (one, other)
    # And there is room left for what is drawn.
    assert ax.get_window_extent().width > 0.45 * figure.bbox.width
    assert ax.get_window_extent().height > 0.4 * figure.bbox.height


@pytest.mark.parametrize("name", NAMES)
def test_a_small_figure_holds_the_whole_plot(any_run, name):
    check_narrow(lambda ax: getattr(plot, name)(any_run, ax))


def test_a_small_figure_holds_a_sweep_a_search_and_a_pass_map():
    study = simlink.load("scenarios/shallow-fifo.toml").with_(trials=6)
    check_narrow(study.vary({"fifo.depth": "2..5"}).plot)
    check_narrow(study.size(at_most=1e-2).plot)
    kiln = simlink.load("scenarios/kiln-recorder.toml")
    check_narrow(kiln.pass_map(steps=5, trials=1, conversions=1).plot)


@pytest.mark.parametrize("name", NAMES)
def test_a_run_in_which_nothing_arrived_is_drawn(nothing_arrived, name):
    ax = getattr(plot, name)(nothing_arrived)
    found = texts_of(ax)
    for (one, box), (other, second) in itertools.combinations(found, 2):
        assert not box.overlaps(second), (one, other)
    said = {"latency": "no frame was released", "occupancy": "no frame arrived"}
    if name in said:
        assert said[name] in words(ax)


def test_latency_marks_stand_at_the_runs_figures(any_run):
    ax = plot.latency(any_run)
    marks = {line.get_label(): line.get_xdata()[0] for line in ax.lines}
    for name, figure in any_run.figures.items():
        if name.startswith("latency_"):
            assert marks.get(f"_{name}") == figure.value
            assert style.proper(figure.text()) in words(ax)
    assert any("median" in said for said in words(ax))
    assert any("99.9 %" in said for said in words(ax))
    assert any("largest seen" in said for said in words(ax))


def test_latency_counts_every_frame_once(any_run):
    ax = plot.latency(any_run)
    steps = {
        patch.get_label(): patch.get_data() for patch in ax.patches if isinstance(patch, StepPatch)
    }
    for label, law in (
        ("trigger to release", any_run.tally.to_release),
        ("trigger to last bit read", any_run.tally.to_read),
    ):
        values, edges, _ = steps[label]
        assert np.nansum(values) == law.count
        if law.count:
            filled = np.flatnonzero(~np.isnan(values))
            assert edges[filled[0]] <= law.least / FS_PER_SECOND <= edges[filled[0] + 1]
            assert edges[filled[-1]] <= law.largest / FS_PER_SECOND <= edges[filled[-1] + 1]
    assert ax.get_yscale() == "log"


def test_frames_released_and_not_read_are_drawn_without_a_read(runs):
    run = runs["none read"]
    assert run.tally.to_release.count == 6
    assert run.tally.to_read.count == 0
    assert words(plot.latency(run)).count("-") == 4


def test_occupancy_bars_are_the_shares_of_arriving_frames(any_run):
    ax = plot.occupancy(any_run)
    filling = any_run.tally.filling
    bottom = ax.get_ylim()[0]
    drawn = {}
    for container in ax.containers:
        for bar in container:
            drawn[round(bar.get_x() + bar.get_width() / 2)] = bar.get_height() + bottom
    want = {int(n): filling[n] / filling.sum() for n in np.flatnonzero(filling)}
    assert drawn == pytest.approx(want)
    assert ax.get_yscale() == "log"
    low, high = ax.get_xlim()
    assert all(low < slot < high for slot in drawn)


def test_overruns_are_drawn_apart_and_told(runs):
    ax = plot.occupancy(runs["too fast"])
    lost = runs["too fast"].figures["overrun"]
    assert lost.count
    labels = [container.get_label() for container in ax.containers]
    assert labels == ["found a slot", "found none"]
    (bar,) = ax.containers[1]
    assert bar.get_x() + bar.get_width() / 2 == 16
    assert bar.get_hatch()
    (depth,) = (line for line in ax.lines if line.get_label() == "depth")
    assert list(depth.get_xdata()) == [15.5, 15.5]
    assert f"{lost.count} found no slot; overrun {lost.text()} of the words" in words(ax)


def test_no_overrun_seen_is_a_bound_and_not_zero(runs):
    ax = plot.occupancy(runs["after read"])
    assert any(said.startswith("none found no slot; overrun below ") for said in words(ax))


def test_a_depth_out_of_sight_is_told(runs):
    assert "depth 200 lies beyond  →" in words(plot.occupancy(runs["burst"]))


#: The host's bar of the scenario in `conftest`, at a service latency of 700 ns on average and a
#: read of 18 bits at 40 MHz, 450 ns; the converter's 500 ns, 8 ns and 18 bits at 50 MHz, 360 ns,
#: which leave 32 ns of an acquisition of 400 ns.
_CONVERTER = [("conversion", 0, 500), ("start delay", 500, 8), ("readout", 508, 360),
              ("rest of acquisition", 868, 32)]  # fmt: skip
_HOST = [("service latency", 0, 700), ("read", 700, 450)]


@pytest.mark.parametrize(
    ("name", "rows", "lines"),
    [
        # 2 us a frame.
        (
            "plain",
            {
                "converter": [*_CONVERTER, ("margin", 900, 1100)],
                "host": [*_HOST, ("margin", 1150, 850)],
            },
            {2000},
        ),
        # 2 + 8, 2 + 8 and 2 bits, 12 + 12 + 6 of the line's at 100 MHz: 300 ns.
        (
            "packets",
            {
                "converter": [*_CONVERTER, ("margin", 900, 1100)],
                "return line": [("packets", 0, 300), ("margin", 300, 1700)],
                "host": [*_HOST, ("margin", 1150, 850)],
            },
            {2000},
        ),
        # Five triggers in 4 us and 20 us: 1 us within a burst, 4.8 us on average.
        (
            "burst",
            {
                "converter": [*_CONVERTER, ("margin", 900, 100)],
                "host": [*_HOST, ("margin", 1150, 3650)],
            },
            {1000, 4800},
        ),
        # Triggers wait for the host.
        ("after read", {"converter": _CONVERTER, "host": _HOST}, set()),
        # A latency for four frames.
        (
            "none read",
            {
                "converter": [*_CONVERTER, ("margin", 900, 1100)],
                "host": [("service latency / 4", 0, 175), ("read", 175, 450),
                         ("margin", 625, 1375)],
            },
            {2000},
        ),
    ],
)  # fmt: skip
def test_period_bars_are_the_cycles(runs, name, rows, lines):
    ax = plot.period(runs[name])
    drawn = {row: [] for row in range(len(rows))}
    for container in ax.containers:
        for bar in container:
            row = round(bar.get_y() + bar.get_height() / 2)
            drawn[row].append((container.get_label(), bar.get_x(), bar.get_width()))
    for row, (side, want) in enumerate(rows.items()):
        assert ax.get_yticklabels()[row].get_text().startswith(side)
        assert [said for said, *_ in drawn[row]] == [said for said, *_ in want]
        for (_, x, width), (_, start, length) in zip(drawn[row], want, strict=True):
            assert (x, width) == pytest.approx((start * 1e-9, length * 1e-9), rel=1e-9, abs=1e-18)
        for piece, *_ in want:
            assert any(said.startswith(piece) for said in words(ax))
    seen = {line.get_xdata()[0] for line in ax.lines if line.get_label() == "period"}
    assert sorted(seen) == pytest.approx(sorted(end * 1e-9 for end in lines))


def test_what_does_not_fit_stands_past_the_period(runs):
    """900 ns of converter and 1150 ns of host in 666.7 ns: 233.3 and 483.3 ns too much."""
    ax = plot.period(runs["far too fast"])
    over = [bar for c in ax.containers if c.get_label() == "over" for bar in c]
    period = 1 / 1.5e6
    assert [bar.get_x() for bar in over] == pytest.approx([period, period])
    assert [bar.get_width() for bar in over] == pytest.approx([900e-9 - period, 1150e-9 - period])


def test_slack_is_hatched_and_what_does_not_fit_is_crossed_out_past_the_period(runs):
    ax = plot.period(runs["far too fast"])
    hatches = {c.get_label(): {bar.get_hatch() for bar in c} for c in ax.containers}
    assert hatches["over"] == {"xxx"}
    assert any(said.startswith("over by") for said in words(ax))
    hatches = {
        c.get_label(): {bar.get_hatch() for bar in c} for c in plot.period(runs["plain"]).containers
    }
    assert hatches["margin"] == {"///"}
    assert hatches["conversion"] == {None}


def test_period_takes_a_scenario_or_a_study_as_well(runs):
    run = runs["plain"]
    study = simlink.Study(run.scenario)
    drawn = [words(plot.period(given)) for given in (run, run.scenario, study)]
    assert drawn[0] == drawn[1] == drawn[2]


@pytest.mark.parametrize("name", NAMES)
def test_axes_that_are_given_are_drawn_on_and_returned(runs, name):
    ax = Figure(figsize=(9, 6), layout="constrained").add_subplot()
    assert getattr(plot, name)(runs["plain"], ax) is ax
    assert getattr(simlink.plot, name) is getattr(plot, name)
    own = getattr(plot, name)(runs["plain"])
    assert own.figure is not ax.figure


@pytest.mark.parametrize("name", NAMES)
def test_the_bytes_are_the_same_whatever_the_user_has_set(runs, name):
    import matplotlib as mpl

    first = [style.encode(getattr(plot, name)(runs["plain"]).figure, k) for k in ("svg", "png")]
    with mpl.rc_context({"font.size": 20, "lines.linewidth": 5, "axes.facecolor": "black"}):
        second = [
            style.encode(getattr(plot, name)(runs["plain"]).figure, k) for k in ("svg", "png")
        ]
    assert first == second
    assert b"<dc:date>" not in first[0]
    assert first[0].startswith(b"<?xml")
    assert first[1].startswith(b"\x89PNG")


def test_a_png_has_150_pixels_an_inch(runs):
    import io

    from matplotlib.image import imread

    ax = plot.latency(runs["plain"])
    drawn = imread(io.BytesIO(style.encode(ax.figure, "png")))
    width, height = ax.figure.get_size_inches()
    assert drawn.shape[:2] == (round(height * 150), round(width * 150))


def test_nothing_is_drawn_through_a_shared_state():
    code = (
        "import sys, simlink; simlink.plot; from simlink.pictures import style; "
        "style.new_axes(4, 3); assert 'matplotlib.pyplot' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)


def test_labels_are_spread_in_order_and_apart():
    placed = spread([1.0, 1.1, 9.9], [2.0, 2.0, 2.0], 0.0, 10.0, 0.5)
    assert placed == [1.0, 3.5, 9.0]
    assert spread([9.0, 9.1], [2.0, 2.0], 0.0, 10.0, 0.0) == [7.0, 9.0]
    assert spread([], [], 0.0, 1.0, 0.1) == []
