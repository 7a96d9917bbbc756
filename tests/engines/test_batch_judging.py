"""Harm that the batch engine judges comes to what it comes to by the event engine's rule."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simlink.base.compiled import compiled
from simlink.base.instants import NEVER
from simlink.engines.batch.engine import BatchEngine
from simlink.engines.batch.harms import Harms
from simlink.engines.batch.hits import CLOSED, INVERTED, LOST, PART
from simlink.engines.batch.judging import contents_of, is_plain, judge_noted
from simlink.link import check
from simlink.link.damage import Harm, Layout, damage, judged
from simlink.link.fate import CORRUPTED, DROPPED, NOT_RECEIVED, UNDERRUN
from simlink.records import BLANK, Cause
from tests.engines.chain import chain

TRIALS = range(3, 6)
judging = compiled(judge_noted)


@st.composite
def harmed(draw, bits, lanes):
    """Draw what is noted of one frame."""
    lost = draw(st.sets(st.integers(0, bits - 1), max_size=3))
    own = bits - len(lost)
    notes = [(LOST, 0, bit, NEVER) for bit in sorted(lost)]
    if lost:
        own = draw(st.integers(0, own))
        notes.append((CLOSED, 0, own, draw(st.integers(0, 9))))
    places = st.tuples(st.integers(0, lanes - 1), st.integers(0, max(own - 1, 0)))
    for lane, place in draw(st.sets(places, max_size=3)) if own else ():
        notes.append((INVERTED, lane, place, draw(st.integers(0, 9))))
    return draw(st.permutations(notes))


def law_of(scenario):
    (walk,) = BatchEngine().walks(scenario, range(1), words=False)
    return walk.law[0]


def expect(scenario, trial, conversion, record, notes):
    """Judge a frame by `link.damage`, from which bits the event engine's receiver would have."""
    lanes, every = range(scenario.frame.lanes), range(scenario.bits_per_lane)
    lost = {bit for kind, _, bit, _ in notes if kind == LOST}
    closes = min((bit for kind, _, bit, _ in notes if kind == CLOSED), default=len(every))
    kept = [bit for bit in every if bit not in lost][:closes]
    end, harm = record["read_end"], Harm(slipped=kept != [*range(len(kept))])
    harm.sources = [(conversion, bit) for bit in kept] if harm.slipped else None
    if lost:
        harm.lost = {(lane, place) for lane in lanes for place in every[len(kept) :]}
        harm.hit = 1 << Cause.STROBE | harm.slipped << Cause.SLIP
    came = {(lane, bit): when for kind, lane, bit, when in notes if kind == INVERTED}
    harm.inverted = {place for place, when in came.items() if when < end}
    if end == NEVER:
        if lost:
            late = bool(came) and record["fate"] == NOT_RECEIVED
            record["hit"] = harm.hit | late << Cause.DATA
        return
    if not lost and not harm.inverted:
        return

    def sent(which, lane):
        return check.sent(scenario, trial, which, lane, which)

    found = judged(Layout.of(scenario), damage(harm, conversion, len(lanes), sent))
    record["wrong_bits"] = found.wrong
    record["hit"] = harm.hit | bool(harm.inverted) << Cause.DATA
    if record["fate"] == UNDERRUN:
        return
    record["counter_error"] = found.counter_error
    short = bool(lost) and any(kind == CLOSED and when <= end for kind, _, _, when in notes)
    record["check_failed"] = found.failed or short
    if record["check_failed"] and Layout.of(scenario).drops:
        record["fate"] = DROPPED


@st.composite
def scenarios(draw, checks):
    """Draw a chain with a strobe, and how many bits and lanes its frames have."""
    bits, words, lanes = (draw(st.integers(1, most)) for most in (7, 2, 2))
    values = {"frame.word_bits": bits, "frame.words_per_lane": words, "frame.lanes": lanes}
    values["frame.content"] = draw(st.sampled_from(["counter", "random"]))
    values |= {"seed": draw(st.integers(0, 2**63 - 1)), "trigger.rate": "100 kHz"}
    return chain(values | {"barrier.return.strobe": True} | (draw(CHECKS) if checks else {}))


CHECKS = st.sampled_from(
    [
        {"check.kind": "parity"},
        {"check.sequence_bits": 3},
        {"check.kind": "parity", "check.on_failure": "drop"},
        {"check.kind": "crc", "check.width": 5, "check.polynomial": 0x15, "check.sequence_bits": 2},
    ]
)


def noted(data, scenario, harms):
    """Note harm to some frames, and return their records, blank but for it; with what it is."""
    blank = np.full((len(TRIALS), 8), BLANK)
    frames = st.tuples(st.integers(0, len(TRIALS) - 1), st.integers(8, 15))
    found = {}
    for row, conversion in data.draw(st.lists(frames, unique=True, max_size=6)):
        record = blank[row, conversion % 8]
        record["read_end"] = data.draw(st.sampled_from([NEVER, 3, 5, 7]))
        record["fate"] = data.draw(st.sampled_from([CORRUPTED, NOT_RECEIVED, UNDERRUN]))
        # A trigger that came: the counter counts it.
        record["aperture"] = 0
        notes = data.draw(harmed(scenario.bits_per_lane, scenario.frame.lanes))
        found[row, conversion] = notes
        for kind, *what in notes:
            harms.noted[0, 0] += 1
            harms.noted[harms.noted[0, 0]] = kind, row, conversion, *what
    return blank, found


@settings(max_examples=300)
@given(st.data())
def test_the_loop_judges_harm_to_frames_of_nothing_but_words(data):
    scenario = data.draw(scenarios(checks=False))
    assert is_plain(scenario)
    harms = Harms(scenario)
    expected, frames = noted(data, scenario, harms)
    found, notes, count = expected.copy(), harms.noted, int(harms.noted[0, 0])
    low = data.draw(st.integers(8, 16))
    for (row, conversion), some in frames.items():
        if conversion < low:
            record = expected[row, conversion % 8]
            expect(scenario, TRIALS[row], conversion, record, some)
    law, contents = law_of(scenario), contents_of(scenario, TRIALS)
    kept = np.empty(scenario.bits_per_lane, dtype=np.int64)
    for row in range(len(TRIALS)):
        left = judging(law, row, found[row].view(np.recarray), low, contents[row], notes, kept)
        later = notes[1 : 1 + int(notes[0, 0])]
        assert left == ((later[:, 1] == row) & (later[:, 2] >= low)).sum()
        assert not ((later[:, 1] == row) & (later[:, 2] < low)).any()
    assert found.tolist() == expected.tolist()
    assert notes[0, 0] <= count


@pytest.mark.parametrize("by_row", [False, True])
@settings(max_examples=200)
@given(st.data())
def test_harm_to_frames_with_checks_is_judged_once_they_are_handed_over(by_row, data):
    scenario = data.draw(scenarios(checks=True))
    harms = Harms(scenario)
    harms.open(TRIALS)
    expected, frames = noted(data, scenario, harms)
    found = expected.copy()
    for (row, conversion), some in frames.items():
        record = expected[row, conversion % 8]
        expect(scenario, TRIALS[row], conversion, record, some)
    harms.collect()
    if by_row and not scenario.check.sequence_bits:
        for row in range(len(TRIALS)):
            harms.settle_row(row, found[row], 16)
    else:
        harms.settle(found, 8)
    assert found.tolist() == expected.tolist()


def test_a_frame_that_nobody_asked_for_is_left_to_be_told_of():
    scenario = chain({"barrier.return.strobe": True})
    noted = np.zeros((9, 6), dtype=np.int64)
    noted[0, 0], noted[1], noted[2] = 2, (LOST, 1, 4, 0, 2, NEVER), (PART, 1, 4, 5, 0, NEVER)
    records, kept = np.full(8, BLANK).view(np.recarray), np.empty(4, dtype=np.int64)
    before, content = noted.copy(), contents_of(scenario, range(2))[1]
    assert judging(law_of(scenario), 1, records, 9, content, noted, kept) == -1
    assert (noted == before).all()
    assert judging(law_of(scenario), 0, records, 9, content, noted, kept) == 0


@pytest.mark.parametrize(
    ("values", "plain"),
    [
        ({}, True),
        ({"check.kind": "parity"}, False),
        ({"check.sequence_bits": 1}, False),
        ({"frame.word_bits": 62, "trigger.rate": "100 kHz"}, True),
        ({"frame.word_bits": 63, "trigger.rate": "100 kHz"}, False),
    ],
)
def test_what_is_plain(values, plain):
    assert is_plain(chain({"barrier.return.strobe": True} | values)) == plain
