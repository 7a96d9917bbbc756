"""The first screen of a run: it fits, and leaves nothing out that is broken."""

from fractions import Fraction
from pathlib import Path

import pytest

import simlink
from simlink.base.cautions import BRIEF
from simlink.pictures.table import LINES, limits, table
from simlink.running.run import run
from simlink.verdict.limit import Cause, Known, Limit, Remedy
from tests.engines.chain import chain
from tests.pictures.test_report import flat

SCENARIOS = sorted((Path(simlink.__file__).parents[1] / "scenarios").glob("*.toml"))


def fits(text):
    lines = text.splitlines()
    assert len(lines) <= LINES, text
    assert max(map(len, lines)) <= 80, text
    assert not any(line != line.rstrip() for line in lines)
    assert text.endswith("\n")


@pytest.mark.parametrize("path", SCENARIOS, ids=lambda path: path.stem)
def test_the_screen_of_every_shipped_scenario_fits(path):
    found = simlink.load(path).run(ledger=False)
    text = table(found)
    fits(text)
    assert text.splitlines()[0] == found.scenario.title
    said = flat(text)
    order = [found.verdict.sentence, found.verdict.because, "limit of", "seen in ", "defaults",
             "Engine ", f"Cautions: {BRIEF}"]  # fmt: skip
    places = [said.index(flat(part)) for part in order[:2]]
    places += [said.index(part, places[-1]) for part in order[2:]]
    assert places == sorted(places)


def test_the_screen_of_any_run_fits_and_names_what_is_broken(any_run):
    text = table(any_run)
    fits(text)
    lines = text.splitlines()
    for one in any_run.verdict.limits:
        if not one.holds:
            (line,) = (line for line in lines if line.startswith(f"  {one.what}  "))
            assert line.endswith(one.known.value)
    assert "says nothing about safety" in flat(text)


def row(number, share, known=Known.PROVEN):
    margin = Fraction(share)
    return Limit(
        "setup", f"limit {number:02}", "s", Fraction(1), 1 - margin, margin, known, "why it is so",
        ("fifo.depth",),
    )  # fmt: skip


def test_limits_that_are_far_are_counted_and_the_near_ones_shown():
    shares = [0.5, 0.1, 0.9, 0.3, 0.7, 0.2, 0.6, 0.4]
    text = limits(tuple(row(i, Fraction(str(share))) for i, share in enumerate(shares)))
    assert [line.split()[1] for line in text.splitlines() if line.startswith("  limit 0")] == [
        "00", "01", "03", "05", "06", "07"
    ]  # fmt: skip
    assert "2 other limits hold with at least 70 % margin, all proven" in text


def test_one_limit_more_than_there_is_room_for_is_shown_itself():
    text = limits(tuple(row(i, Fraction(i + 1, 10)) for i in range(7)))
    assert "other limit" not in text
    assert text.count("limit 0") == 7


def test_no_broken_limit_is_counted_with_others():
    broken = [row(i, Fraction(-1, 10), Known.VIOLATED) for i in range(5)]
    possible = [row(i, Fraction(-1, 10), Known.POSSIBLE) for i in range(5, 8)]
    held = [row(i, Fraction(i, 100)) for i in range(8, 18)]
    text = limits((*broken, *possible, *held))
    for i in range(8):
        assert f"limit {i:02}" in text
    assert text.count("10 % over") == 8
    assert text.count("why it is so") == 3
    assert "4 other limits hold with at least 14 % margin, all proven" in text


def test_what_a_run_that_saw_nothing_says_is_told_once():
    unseen = [
        Limit("setup", f"limit {i}", "s", Fraction(1), None, None, Known.NOT_SEEN,
              f"0 of 50 words: below 0.06 if words are independent; {i}")
        for i in range(3)
    ]  # fmt: skip
    text = limits(tuple(unseen))
    assert (
        flat(text).count("not seen broken: 0 of 50 words: below 0.06 if words are independent") == 1
    )


def test_the_longest_screen_fits(runs):
    """Everything broken, with long sentences, three remedies and an interruption."""
    from dataclasses import replace

    found = replace(runs["too fast"], interrupted=True)
    verdict = found.verdict
    long = "a sentence that goes on and on, " * 12
    causes = tuple(Cause("setup", "fifo.depth", long, True) for _ in range(4))
    remedies = tuple(Remedy("setup", (("fifo.depth", "8"),), long, True) for _ in range(4))
    rows = [row(i, Fraction(-1, 10), Known.VIOLATED) for i in range(12)]
    rows += [row(i, Fraction(i, 100)) for i in range(12, 18)]
    found.__dict__["verdict"] = replace(
        verdict, limits=tuple(rows), sentence=long, explain=lambda: (causes, remedies)
    )
    lines = table(found).splitlines()
    assert max(map(len, lines)) <= 80
    assert sum(line.startswith("Cure: ") for line in lines) == 3
    assert "Interrupted: " in table(found)


def test_losses_are_told_by_kind(runs):
    found = runs["too fast"]
    text = table(found)
    lost = found.figures["overrun"]
    (line,) = (line for line in text.splitlines() if line.startswith("  overrun  "))
    assert line.endswith(f"{lost.count} of {lost.of} words")
    assert "words lost" not in text
    assert "words lost           none of 720" in table(runs["plain"])


def test_what_never_happened_has_no_line(nothing_arrived):
    text = table(nothing_arrived)
    fits(text)
    assert "trigger to release" not in text
    assert "never received" in text


def test_the_largest_seen_and_what_is_delivered_agree_with_what_stands_beside_them():
    """Every frame is released after 300 ns and 6.04 of the FIFO, and none is lost."""
    values = {"trials": 4, "conversions": 50, "trigger.rate": "451 kHz"}
    text = table(run(chain({**values, "fifo.sync_delay": "6.04 ns"}), engine="event"))
    fits(text)
    assert "  trigger to release   306.04 ns median, at 99 %, and largest seen\n" in text
    assert "  throughput           all of 451 kwords/s offered\n" in text


def test_what_still_waits_is_not_said_to_be_delivered():
    """A watermark of 4 leaves the last frame of 5 in the FIFO."""
    values = {"trials": 3, "conversions": 5, "fifo.depth": 8, "host.watermark": 4}
    text = table(run(chain(values), engine="event"))
    assert "  throughput            1 Mwords/s offered, none lost so far\n" in text


def test_a_title_cannot_steer_the_terminal(runs):
    scenario = runs["one frame"].scenario.with_value("title", "a\x1b[2Jb\nc")
    assert table(run(scenario)).splitlines()[0] == "a [2Jb c"
