import math
import re
from fractions import Fraction

import pytest

from simlink.base.cautions import CAUTIONS
from simlink.figures.cycle import Cycle, Piece
from simlink.pictures.report import bars, figures, report

US = Fraction(10**9)


def flat(text):
    return " ".join(text.split())


def test_the_verdict_leads_and_the_cautions_end_it(any_run):
    text = report(any_run)
    said = flat(text)
    verdict = any_run.verdict
    order = [
        "A link",
        verdict.sentence,
        verdict.because,
        f"Engine {any_run.engine}",
        "limits:",
        "one frame on each side",
        "triggers sent",
        "assumed, because",
        f"Cautions: {CAUTIONS}",
    ]
    places = [said.index(flat(part)) for part in order]
    assert places == sorted(places)
    assert text.splitlines()[0] == "A link"
    assert text.endswith("\n")
    assert not any(line != line.rstrip() for line in text.splitlines())


def test_every_limit_is_told_in_full(any_run):
    said = flat(report(any_run))
    for one in any_run.verdict.limits:
        assert f"{one.known.value}: {flat(one.evidence)} rests on {', '.join(one.keys)}" in said


def test_every_assumption_is_told_with_its_reason(any_run):
    lines = {flat(line) for line in report(any_run).splitlines()}
    for one in any_run.scenario.assumed:
        value = str(one.value).lower() if isinstance(one.value, bool) else one.value
        assert f"{one.key} = {value} {one.why}" in lines


def test_notes_are_told(runs):
    scenario = runs["one frame"].scenario.with_value("trigger.tolerance", "50 ppm")
    from simlink.running.run import run

    assert scenario.notes
    assert flat(scenario.notes[0]) in flat(report(run(scenario)))


def test_a_title_cannot_steer_the_terminal(runs):
    from simlink.running.run import run

    scenario = runs["one frame"].scenario.with_value("title", "a\x1b[2Jb\nc")
    assert report(run(scenario)).splitlines()[0] == "a [2Jb c"


def test_figures_have_value_interval_and_count(runs):
    found = runs["too fast"].figures
    text = figures(dict(found))
    lost = found["overrun"]
    (line,) = (line for line in text.splitlines() if line.startswith("  overrun"))
    assert lost.text() in line
    assert " to " in line
    assert line.endswith(f"{lost.count} of {lost.of}")
    (line,) = (line for line in text.splitlines() if line.startswith("  underrun"))
    assert re.search(r"0 seen +below \d+ % of boards; below .* independent +0 of", line)
    assert "95 % interval" in text.splitlines()[0]


def test_a_kind_of_loss_that_was_not_seen_is_still_named(runs):
    text = flat(figures(dict(runs["plain"].figures)))
    assert re.search(r"none seen: .*timed out", text)


def bar_of(text, side):
    (line,) = (line for line in text.splitlines() if line.startswith(f"  {side} "))
    return line.split()[-1]


def test_bars_share_one_scale_and_end_at_the_period():
    converter = [Piece("conversion", 2 * US, 2 * US), Piece("readout", US, US)]
    host = [Piece("service latency", 13 * US / 4, math.inf), Piece("read", 2 * US, 2 * US)]
    text = bars([Cycle("converter", converter, 4 * US), Cycle("host", host, 4 * US)])
    first, second = bar_of(text, "converter"), bar_of(text, "host")
    scale = 52 / 5.25e-6
    assert first.count("#") == round(2e-6 * scale) == 20
    assert first.index("|") == round(4e-6 * scale) == second.index("|") == 40
    assert set(first[first.rindex("=") + 1 : first.index("|")]) == {"."}
    assert set(second[second.index("|") + 1 :]) == {"!"}
    assert len(second) == 53
    assert "# service latency 3.25 us  = read 2 us  ! over by 1.25 us (31 %)" in text
    assert "# conversion 2 us  = readout 1 us  . margin 1 us (25 %)" in text


def test_a_piece_too_short_to_see_still_has_a_mark():
    text = bars([Cycle("converter", [Piece("start delay", Fraction(1000), 1000)], 10**6 * US)])
    assert bar_of(text, "converter").startswith("#.")


@pytest.mark.parametrize("over", [1, 10**6, 10**9, 10**15])
def test_any_excess_shows_past_the_period(over):
    text = bars([Cycle("host", [Piece("read", US + over, math.inf)], US)])
    assert "|!" in bar_of(text, "host")


def test_no_period_no_line(runs):
    text = bars(runs["after read"].cycles)
    assert "|" not in text
    assert "margin" not in text


def test_every_piece_of_a_cycle_is_drawn_with_a_fill_of_its_own():
    """Seven pieces of 1 us each fill the 8 us but for one."""
    names = ["conversion", "busy crossing", "synchroniser", "service latency", "clock crossing",
             "read", "rest of acquisition"]  # fmt: skip
    cycle = Cycle("converter and host", [Piece(name, US, US) for name in names], 8 * US)
    text = bars([cycle])
    (line,) = (line for line in text.splitlines() if line.startswith("  converter and host "))
    drawn = line.removeprefix("  converter and host  ")
    fills = list(dict.fromkeys(drawn))
    assert len(fills) == 7 + 2
    assert fills[-2:] == [".", "|"]
    assert drawn.count(".") == 52 - round(52 * 7 / 8)
    for fill, name in zip(fills, names, strict=False):
        assert f"{fill} {name} 1 us" in flat(text)
    assert ". margin 1 us (12 %)" in flat(text)


def test_lines_fit_a_terminal(any_run):
    text = bars(any_run.cycles)
    assert max(map(len, text.splitlines())) <= 78
