"""Captures made to take room and time, or to be obeyed: one clear line, and little of either.

Each says how the large one, of which this is a small one, is made: a process that has no more than
`ROOM` bytes reads it.
"""

from __future__ import annotations

import random
from contextlib import closing
from itertools import pairwise

import pytest

from simlink.base.errors import InputError
from simlink.scenario.loading import load
from simlink.waveform import faults, reader
from simlink.waveform.comparing import compare
from simlink.waveform.reader import Dump
from tests.robustness.bench import BENCH
from tests.robustness.limited import simlink_within

VARIABLE = "$var wire 1 ! clock $end\n"


def head(variables=VARIABLE, scope="remote"):
    """Return a header; the clock of the remote side is its variable."""
    opened = f"$timescale 1 ps $end\n$scope module {scope} $end\n"
    return f"{opened}{variables}$upscope $end\n$enddefinitions $end\n"


def whole(path):
    """Read a dump to its end."""
    with closing(Dump(path)) as dump:
        return list(dump.changes())


def refused(folder, text):
    """Return the one line with which a dump is refused."""
    path = folder / "c.vcd"
    path.write_text(text, encoding="latin-1")
    with pytest.raises(InputError) as caught:
        whole(path)
    said = str(caught.value)
    assert said.isprintable()
    assert len(said) < len(str(path)) + 300
    return said


@pytest.mark.parametrize("digits", ["\xb2", "1\xb9", "9" * 4301, "0" * 5000 + "1"])
def test_digits_that_are_none_or_too_many_are_refused(tmp_path, digits):
    said = refused(tmp_path, head() + f"#0\n0!\n#{digits}\n1!\n")
    assert "line 8: got #" in said
    assert "a whole number of at most 40 digits" in said
    assert "$var" in refused(tmp_path, head(f"$var wire {digits} ! clock $end\n"))


def test_an_instant_later_than_any_trial_is_refused(tmp_path):
    assert "2.5 h" in refused(tmp_path, head() + f"#{'9' * 30}\n")


@pytest.mark.parametrize("keyword", ["$var", "$scope", "$timescale", "$upscope"])
def test_a_section_without_end_is_not_read_for_ever(tmp_path, keyword):
    # 60 MB of it took 1.5 GB.
    said = refused(tmp_path, f"{keyword} " + "a b c d\n" * 20_000)
    assert f"got {keyword}; no $end follows within 65536 characters" in said


def test_a_comment_without_end_is_told(tmp_path):
    assert refused(tmp_path, "$comment " + "a b c d\n" * 20_000).endswith(
        "$comment: no $end follows"
    )


def test_a_long_comment_is_read_past(tmp_path):
    path = tmp_path / "c.vcd"
    path.write_text("$comment " + "a b c d\n" * 20_000 + "$end\n" + head() + "#0\n0!\n#1\n1!\n")
    assert [change.time for change in whole(path)] == [0, 1]


def test_long_names_are_refused(tmp_path):
    # One of 1 MB, and 2,000 variables in it, took 2 GB.
    names = "".join(f"$var wire 1 {i} v{i} $end\n" for i in range(100))
    assert "4096 characters with its scopes" in refused(tmp_path, head(names, "x" * 5000))
    assert "65536" in refused(tmp_path, head(names, "x" * 100_000))
    deep = "$timescale 1 ps $end\n" + "$scope module x $end\n"
    assert "4096 characters with its scopes" in refused(tmp_path, deep * 3000 + names)
    assert "4096 scopes within one another" in refused(tmp_path, deep * 5000)


def test_more_variables_than_any_capture_has_are_refused(tmp_path, monkeypatch):
    monkeypatch.setattr(reader, "_MOST_VARIABLES", 99)
    names = "".join(f"$var wire 1 {i} v{i} $end\n" for i in range(100))
    assert "more than 99 variables" in refused(tmp_path, head(names))


def without_short(near, limit):
    """Take the shortest pulse out, again and again; the earliest of those alike."""
    near, taken = list(near), []
    while len(near) > 1:
        widths = [end - start for (start, _), (end, _) in pairwise(near)]
        first = widths.index(min(widths))
        if widths[first] > limit:
            break
        taken.append((near[first], widths[first]))
        del near[first : first + 2]
    return near, taken


@pytest.mark.parametrize("seed", range(40))
def test_glitches_are_taken_out_the_shortest_first(seed):
    rng = random.Random(seed)
    times = sorted(rng.sample(range(rng.choice([100, 1000])), rng.randint(1, 60)))
    near = [(time, i % 2) for i, time in enumerate(times)]
    for limit in (0, 3, 20, 10**6):
        assert faults._without_short(near, limit) == without_short(near, limit)


def glitching(pulses):
    """Return a clock that has so many short pulses, one after another."""
    lines, now = [head(), "#0\n0!\n"], 0
    for i in range(2 * pulses):
        now += 300 if i % 3 else 1000
        lines.append(f"#{now}\n{1 - i % 2}!\n")
    return "".join(lines)


def test_many_glitches_take_time_by_their_number_and_a_hundred_lines(tmp_path):
    path = tmp_path / "c.vcd"
    path.write_text(glitching(20_000))
    # Of each, one after the other, it took minutes.
    found = compare(load(BENCH), path)
    glitches = [one for one in found.complaints if one.kind == "glitch"]
    assert len(glitches) == faults.MOST_ALIKE + 1
    # Both pieces of each pulse are short, and the last is cut off by the end.
    assert " more like it (glitch) from here to " in glitches[-1].text
    count = int(glitches[-1].text.split()[0])
    assert 15_000 < count <= 20_000


@pytest.mark.parametrize("text", ["", "#0\n$dumpvars\n0!\n", "$dumpvars\n", "#0\n0!\n#9\n1!\n"])
def test_what_shows_nothing_is_no_success(tmp_path, text):
    (tmp_path / "c.vcd").write_text(head() + text)
    status, _, said = simlink_within(tmp_path, "measure", BENCH, "c.vcd")
    assert status == 1
    assert "c.vcd: nothing was measured: it shows both ends of no interval" in said


def test_a_torn_end_is_shown_and_not_obeyed(tmp_path):
    (tmp_path / "c.vcd").write_text(head() + "#0\n0!\n#10\n1\x1b[2J\x9bq", encoding="latin-1")
    status, out, said = simlink_within(tmp_path, "measure", BENCH, "c.vcd")
    assert status == 1
    assert 'it ends within "1 [2J q"' in said
    assert not {"\x1b", "\x9b"} & set(out + said)
