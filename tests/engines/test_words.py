"""What the host reads of words that are given: where bits are wrong, and of frames without trigger.

In the base chain bit i is on its lane from 1225 + 20 i to 1240 + 20 i ns.
"""

from __future__ import annotations

from simlink.engines.event.wiring import with_words
from tests.engines.chain import NS, chain
from tests.engines.test_transients import FORWARD, LANES, at


def run(values, lane, *times):
    """Run one trial with events at some instants in ns; return what is read and what was asked."""
    asked = []

    def code(conversion, lane, position, aperture):
        asked.append((conversion, lane, position, aperture // NS))
        return 10 - position - 4 * lane

    scenario = chain(at(values, *(time * NS for time in times)))
    _, read, apart = with_words(scenario, 0, code, lane)
    return read, apart, asked


def test_a_word_with_an_inverted_bit_is_read_as_it_came():
    """1010 with its second bit hit; the frame after it is right, so that nobody has to ask."""
    read, apart, asked = run(LANES | {"conversions": 2}, 0, 1250)
    assert read == {0: [0b1110]}
    assert apart == []
    assert set(asked) == {(0, 0, 0, 1010)}


def test_the_words_of_the_lane_that_was_asked_for_are_kept_in_order():
    """Two words on each of two lanes: 10 and 9, 6 and 5; bit 6 is the third of the second word."""
    two = LANES | {"frame.lanes": 2, "frame.words_per_lane": 2}
    assert run(two, 0, 1350)[0] == {0: [0b1010, 0b1011]}
    assert run(two, 1, 1350)[0] == {0: [0b0110, 0b0111]}


def test_what_no_trigger_asked_for_has_the_word_of_its_own_instant():
    """A false trigger at 500 ns, and the one that is sent at 1000 ns."""
    read, apart, asked = run(FORWARD | {"barrier.false_edge": 1}, 0, 500)
    assert apart == [[10]]
    assert read == {}
    assert [one for *_, one in asked] == [500]
