"""The pictures of budgets and pass maps hold what the figures say."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from simlink.budget import budget
from simlink.pictures import style
from simlink.pictures.budget import budget as draw
from simlink.pictures.budget_table import table
from simlink.pictures.pass_map import passmap
from simlink.studies.pass_map import pass_map
from tests.budget.budget_cases import SCHEMES, made

PARTS = {
    "title": "Some parts",
    "converter.data_valid": {"shape": "uniform", "low": "4 ns", "high": "8 ns"},
    "barrier.forward.delay": "11 ns",
    "barrier.return.delay": "12 ns",
    "barrier.channel_skew": {"shape": "uniform", "low": "-500 ps", "high": "500 ps"},
    "barrier.return.jitter": {"shape": "normal", "mean": "0 ps", "sigma": "50 ps"},
    "host.setup": "2 ns",
    "remote_clock.setup": "2 ns",
}


@pytest.fixture(scope="module")
def found():
    return budget(made(PARTS), trials=20)


@pytest.fixture(scope="module")
def covered():
    limits = {"shape": "limits", "low": "9 ns", "typical": "11 ns", "high": "14 ns"}
    values = {"barrier.forward.delay": limits, "barrier.return.delay": limits}
    values["barrier.pulse_width_distortion"] = {"shape": "uniform", "low": "-1 ns", "high": "1 ns"}
    values["barrier.delay_covers"] = ["part_to_part_skew", "channel_skew", "pulse_width_distortion"]
    return budget(made(PARTS | values), trials=20)


def stretches(figure, begins):
    """Return where the labelled bars lie: (left, width) in seconds, in their order."""
    (ax,) = figure.axes
    return [
        (bars[0].get_x(), bars[0].get_width())
        for bars in ax.containers
        if bars.get_label().startswith(begins)
    ]


@pytest.mark.parametrize("scheme", SCHEMES)
@pytest.mark.parametrize("which", ["nominal", "worst"])
@pytest.mark.parametrize("parts", ["found", "covered"])
def test_the_terms_are_stacked_up_to_what_they_come_to(request, parts, scheme, which):
    found = request.getfixturevalue(parts)
    one = found[scheme]
    setup = one.margin("setup")
    figure = draw(found)
    (ax,) = figure.axes
    mine = [
        (bars[0].get_x(), bars[0].get_width())
        for bars in ax.containers
        if bars.get_label().startswith(f"_{scheme} ") and bars.get_label().endswith(which)
    ]
    assert mine
    total = setup.nominal if which == "nominal" else setup.worst(one.ber)
    at = 0.0
    for left, width in mine:
        assert left == pytest.approx(at)
        at += width
    assert at == pytest.approx(float(total) / 1e15)
    (rest,) = stretches(figure, f"_{scheme} {which} rest")
    left = setup.left(one.clock) if which == "nominal" else setup.left_at_worst(one.clock, one.ber)
    assert rest[1] == pytest.approx(abs(float(left)) / 1e15)


def test_the_capture_edges_are_marked(found):
    (ax,) = draw(found).axes
    for scheme, one in found.items():
        (line,) = [line for line in ax.lines if line.get_label() == f"_{scheme} capture"]
        interval = float(one.margin("setup").interval(one.clock)) / 1e15
        assert list(line.get_xdata()) == pytest.approx([interval] * 2)


def test_a_term_without_a_bound_is_said_so():
    spread = {"shape": "normal", "mean": "0 ps", "sigma": "500 ps"}
    figure = draw(budget(made(PARTS | {"barrier.forward.part_to_part_skew": spread}), trials=20))
    said = [text.get_text() for text in figure.axes[0].texts]
    assert sum("no bound" in text for text in said) == 1


def test_the_same_budget_gives_the_same_bytes(found):
    assert style.encode(draw(found), "svg") == style.encode(draw(found), "svg")


def test_the_table_holds_every_scheme_and_the_cautions(found):
    said = table(found)
    assert said.splitlines()[0] == "Some parts"
    for one in found.values():
        assert f"\n{one.name}, at " in said
    assert "It says nothing about safety" in " ".join(said.split())
    assert max(len(line) for line in said.splitlines()) <= 110
    assert "refused: setup is" in said


# The pass map.

CONSTANT = {
    "converter.data_valid": "9 ns",
    "host.setup": "3 ns",
    "host.capture": "whole",
    "barrier.forward.delay": "14 ns",
    "barrier.return.delay": "14 ns",
}
CLOCKS = [Fraction(f * 10**6) for f in (5, 15, 22, 24, 26, 40, 60)]
DELAYS = [0, 7 * 10**6, 14 * 10**6, 21 * 10**6]


@pytest.mark.parametrize("scheme", SCHEMES)
def test_frames_come_through_below_the_closed_form_and_not_above(scheme):
    """Nothing is left to chance, so a point passes exactly if its clock is below the limit."""
    values = CONSTANT | {"link.scheme": scheme, "converter.data_hold": "2 ns"}
    mapped = pass_map(made(values), CLOCKS, DELAYS, trials=1, conversions=2)
    for row, clock in enumerate(CLOCKS):
        for column in range(len(DELAYS)):
            assert mapped.frames[row, column] == 2
            assert mapped.good[row, column] == float(clock <= mapped.highest[column])
    assert mapped.highest == mapped.nominal
    limit = {"forwarded_clock": Fraction(25 * 10**6)}.get(scheme, mapped.highest[0])
    assert mapped.highest[2] == limit


def test_the_trigger_is_slowed_so_that_the_map_is_of_the_link_alone():
    fast = {"trigger.rate": "5 MHz", "conversions": 9, "host.watermark": 1}
    mapped = pass_map(made(CONSTANT | fast), CLOCKS[:2], DELAYS[:2], trials=1, conversions=3)
    assert (mapped.frames == 3).all()


def test_refused_points_are_blank_and_say_why():
    values = CONSTANT | {"barrier.line_rate": "60 Mbit/s"}
    mapped = pass_map(made(values), CLOCKS, DELAYS[:2], trials=1, conversions=1)
    refused = [row for row, clock in enumerate(CLOCKS) if clock > 30 * 10**6]
    assert np.isnan(mapped.good[refused]).all()
    assert np.isfinite(mapped.good[: refused[0]]).all()
    assert "bit/s more" in mapped.refused[refused[0], 0]
    again = mapped.to_dict()
    assert len(again["refused"]) == 2 * len(refused)
    assert again["good_frames"][refused[0]] == [None, None]
    assert mapped.to_pandas().shape == (len(CLOCKS), 2)
    assert list(passmap(mapped).collections[0].get_array().ravel().mask) == [
        row in refused for row in range(len(CLOCKS)) for _ in range(2)
    ]


def test_the_limits_are_drawn_over_the_map():
    capture = {"host.capture": 3, "converter.data_hold": "0 ns"}
    mapped = pass_map(made(CONSTANT | capture), CLOCKS, DELAYS[1:], trials=1, conversions=1)
    ax = passmap(mapped)
    drawn = {line.get_label(): line.get_ydata() for line in ax.lines}
    assert list(drawn["highest clock, worst case"]) == [float(f) for f in mapped.highest]
    assert list(drawn["lowest clock, worst case"]) == [float(f) for f in mapped.lowest]
    # At 21 ns one way: 3 T / 2 within 54 ns, and T / 2 no longer than 42 ns.
    assert mapped.highest[-1] == Fraction(3 * 10**9, 108)
    assert mapped.lowest[-1] == Fraction(10**9, 84)


def test_delays_at_which_no_clock_will_do_are_hatched():
    hold = {"host.hold": "20 ns", "converter.data_hold": "0 ns"}
    mapped = pass_map(made(CONSTANT | hold), CLOCKS[:2], DELAYS, trials=1, conversions=1)
    assert mapped.never == [("hold",), ("hold",), (), ()]
    assert mapped.highest[0] is None
    assert len([patch for patch in passmap(mapped).patches if patch.get_hatch()]) == 2
    assert (mapped.good[:, :2] == 0).all()
    assert (mapped.good[:, 2:] == 1).all()


@pytest.mark.parametrize(
    ("clocks", "named"),
    [
        # The limit of 25 MHz at 14 ns one way lies within 22 to 26 MHz, and above 5 to 15 MHz.
        (CLOCKS[2:5], {"highest clock, worst case", "highest clock, nominal"}),
        (CLOCKS[:2], set()),
    ],
)
def test_the_legend_names_what_is_drawn_and_nothing_else(clocks, named):
    scheme = {"link.scheme": "forwarded_clock", "converter.data_hold": "2 ns"}
    mapped = pass_map(made(CONSTANT | scheme), clocks, DELAYS[1:3], trials=1, conversions=1)
    assert mapped.highest[1] == 25 * 10**6 < mapped.highest[0]
    ax = passmap(mapped)
    assert {line.get_label() for line in ax.lines} == named
    legend = ax.get_legend()
    texts = [] if legend is None else [one.get_text() for one in legend.get_texts()]
    assert set(texts) == named
