"""Harm that the compiled loop judges comes to what it comes to for every kind of frame."""

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
from simlink.link.fate import CORRUPTED, NOT_RECEIVED, UNDERRUN
from simlink.records import BLANK
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


@settings(max_examples=300)
@given(st.data())
def test_harm_is_judged_alike_wherever_it_is(data):
    bits, words, lanes = (data.draw(st.integers(1, most)) for most in (7, 2, 2))
    values = {"frame.word_bits": bits, "frame.words_per_lane": words, "frame.lanes": lanes}
    values["frame.content"] = data.draw(st.sampled_from(["counter", "random"]))
    values |= {"seed": data.draw(st.integers(0, 2**63 - 1)), "trigger.rate": "100 kHz"}
    values |= {"barrier.return.strobe": True}
    scenario, bits = chain(values), bits * words
    assert is_plain(scenario)
    blank = np.full((len(TRIALS), 8), BLANK)
    frames = st.tuples(st.integers(0, len(TRIALS) - 1), st.integers(8, 15))
    harms, kept = Harms(scenario), np.empty(bits, dtype=np.int64)
    harms.open(TRIALS)
    for row, conversion in data.draw(st.lists(frames, unique=True, max_size=6)):
        record = blank[row, conversion % 8]
        record["read_end"] = data.draw(st.sampled_from([NEVER, 3, 5, 7]))
        record["fate"] = data.draw(st.sampled_from([CORRUPTED, NOT_RECEIVED, UNDERRUN]))
        for kind, *what in data.draw(harmed(bits, lanes)):
            harms.noted[0, 0] += 1
            harms.noted[harms.noted[0, 0]] = kind, row, conversion, *what
    low = data.draw(st.integers(8, 16))
    expected, found, noted = blank.copy(), blank.copy(), harms.noted.copy()
    harms.collect()
    law, contents = law_of(scenario), contents_of(scenario, TRIALS)
    count = int(noted[0, 0])
    for row in range(len(TRIALS)):
        harms.settle_row(row, expected[row], low)
        left = judging(law, row, found[row].view(np.recarray), low, contents[row], noted, kept)
        later = noted[1 : 1 + int(noted[0, 0])]
        assert left == ((later[:, 1] == row) & (later[:, 2] >= low)).sum()
        assert not ((later[:, 1] == row) & (later[:, 2] < low)).any()
    assert found.tolist() == expected.tolist()
    assert noted[0, 0] <= count


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
