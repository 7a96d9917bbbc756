"""What an edge that nobody sent does, worked by hand for each channel, scheme and style.

The base chain's conversion k: the trigger crosses from 1000 + 1000 k to 1010 ns; the converter is
free again at 1295; bit i is on its lane from 1225 + 20 i to 1240 + 20 i, its strobe from
1235 + 20 i to 1250 + 20 i; the frame is released at 1306 and read from 1406 to 1566. Windows are
as short as can be, or a few ns wide.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simlink.base.errors import InputError
from simlink.base.instants import NEVER
from simlink.figures.associating import Association
from simlink.figures.association import COUNTS
from simlink.figures.tally import Tally
from simlink.link.fate import Fate
from simlink.records import Cause
from simlink.scenario.loading import from_dict
from tests.engines.chain import NS, chain, put, record
from tests.engines.host_clocked_scenarios import serial
from tests.engines.test_transients import (
    COUNTED,
    FORWARD,
    RETURN,
    at,
    conserved,
    outcome,
    upset_scenarios,
)

FALSE = {"barrier.false_edge": 1}
TRIGGER = {"conversions": 3, **FORWARD, **FALSE}
STROBE = COUNTED | FALSE


def frames(scenario):
    """Return the conversion that each frame comes after that no trigger asked for, and its fate."""
    found = record(scenario).unrequested
    return [(one["after"], Fate(one["fate"]).word) for one in found]


def believed(scenario):
    """Return the belief about each conversion's frame, and the sums of the run."""
    block = record(scenario)
    tally = Tally(scenario, range(1), keeps=True)
    tally.add(block)
    (outcomes,) = tally.closed().values()
    return [None if one < 0 else one for one in outcomes["believed"][0].tolist()], tally


@pytest.mark.parametrize(
    ("time", "starts"),
    [
        # While a trigger is on its way it is hit, or, at either end, not on the channel.
        (1000 * NS + 1, False),
        (1010 * NS - 1, False),
        # The converter is busy, or read, until the last falling edge of the remote clock.
        (1011 * NS, False),
        (1295 * NS - 1, False),
        (1295 * NS, True),
        (1700 * NS, True),
    ],
)
def test_a_false_trigger_starts_a_conversion_if_the_converter_is_free(time, starts):
    scenario = chain(at(TRIGGER | {"barrier.upset": 0}, time, swing=1))
    assert [one for one, _ in outcome(scenario)] == ["delivered"] * 3
    assert frames(scenario) == ([(0, "delivered")] if starts else [])


def test_an_unrequested_frame_is_read_like_any_other():
    scenario = chain(at(TRIGGER, 1700 * NS, swing=1))
    (found,) = record(scenario).unrequested.tolist()
    # As the base conversion, 690 ns later than its trigger arrives.
    times = [1700, 1900, 1996, 2096, 2256]
    served = (2256 - 1996) * NS
    assert found == (0, 0, *(time * NS for time in times), served, Fate.DELIVERED, False, -1)


def test_the_host_takes_an_unrequested_frame_for_the_oldest_unanswered_trigger_s():
    # At 2256 trigger 1, of 2000, is unanswered; its own frame then answers none, and the idle link
    # after that puts the host right.
    found, tally = believed(chain(at(TRIGGER, 1700 * NS, swing=1)))
    assert found == [0, None, 2]
    assert (tally.unrequested.sum(), tally.misaligned_silent.sum()) == (1, 1)
    never = TRIGGER | {"host.realign": "never"}
    # Without that, too, a frame read while nothing is unanswered shifts nothing.
    assert believed(chain(at(never, 1700 * NS, swing=1)))[0] == [0, None, 2]
    # One that is read while none is unanswered belongs to none: 1300 to 1856.
    assert believed(chain(at(TRIGGER, 1300 * NS, swing=1)))[0] == [0, 1, 2]


def test_a_false_trigger_makes_the_converter_miss_the_next():
    # It converts and is read from 1900 to 2185.
    scenario = chain(at(TRIGGER, 1900 * NS, swing=1))
    assert [one for one, _ in outcome(scenario)] == ["delivered", "missed_trigger", "delivered"]
    # Its frame is taken for the missed trigger's; nothing is shifted.
    found, tally = believed(scenario)
    assert found == [0, None, 2]
    assert tally.lost_silent.sum() == 1


def test_an_unrequested_frame_takes_a_slot():
    # Read from 2096 to 2256; the frame of 2000 arrives at 2240. With one slot it is lost.
    scenario = chain(at(TRIGGER | {"fifo.depth": 1}, 1700 * NS, swing=1))
    assert [one for one, _ in outcome(scenario)] == ["delivered", "overrun", "delivered"]


def test_an_unrequested_frame_gives_its_credit_back():
    values = TRIGGER | {"fifo.when_full": "stall", "fifo.depth": 1, "conversions": 6}
    scenario = chain(at(values, 1700 * NS, 3700 * NS, swing=1))
    assert frames(scenario) == [(0, "delivered"), (2, "delivered")]
    assert [one for one, _ in outcome(scenario)] == ["delivered"] * 6


@pytest.mark.parametrize(
    ("time", "fate", "wrong"),
    [
        # Ahead of the first strobe by no more than the gap of 40 ns: 0 1 0 1 for 1 0 1 0.
        (11210 * NS - 1, "delivered", 0),
        (11210 * NS, "corrupted", 4),
        (11235 * NS, "corrupted", 4),
        (11235 * NS + 1, "delivered", 0),
        (11250 * NS - 1, "delivered", 0),
        # After it: 1 0 0 1.
        (11250 * NS, "corrupted", 2),
        (11255 * NS, "corrupted", 2),
        (11255 * NS + 1, "delivered", 0),
        # After bit 1: 1 0 0 1 again; after bit 2: 1 0 1 0, for which it takes the place of a 0.
        (11272 * NS, "corrupted", 2),
        (11292 * NS, "corrupted", 0),
        # After the last: ignored up to the gap, and then a frame that ends short.
        (11310 * NS, "delivered", 0),
        (11350 * NS, "delivered", 0),
        (11350 * NS + 1, "delivered", 0),
    ],
)
def test_a_false_strobe_pushes_a_bit_of_0(time, fate, wrong):
    scenario = chain(at(STROBE | {"barrier.upset": 0}, time, swing=1))
    found = outcome(scenario)
    assert found[10] == (fate, wrong)
    del found[10]
    assert found == [("delivered", 0)] * 11
    alone = time == 11210 * NS - 1 or time > 11350 * NS
    after = 9 if time < 11250 * NS else 10
    assert frames(scenario) == ([(after, "not_received")] if alone else [])


def test_a_false_strobe_where_the_receiver_only_counts():
    values = STROBE | {"fifo.realign": "never", "barrier.upset": 0}
    scenario = chain(at(values, 6100 * NS, swing=1))
    found = outcome(scenario)
    # It begins a frame that conversion 5's bits go on with; every later one begins with the last
    # bit of its own conversion, and the last waits for ever.
    assert [one for one, _ in found] == ["delivered"] * 5 + ["corrupted"] * 6 + ["in_flight"]
    # 5 6 7 8 9 10 11: 0101 -> 1 011, and so on: last bit, then the next one's first three.
    words = [(5, 0b1011), (6, 0b0011), (7, 0b1100), (8, 0b0100), (9, 0b1101), (10, 0b0101)]
    for k, there in words:
        assert found[k][1] == (k ^ there).bit_count(), k
    assert frames(scenario) == [(4, "corrupted")]


def test_a_frame_released_before_its_conversion_s_bits_come_stays_apart():
    values = STROBE | {"fifo.release_bits": 1, "fifo.realign_gap": "60 ns", "barrier.upset": 0}
    scenario = chain(at(values, 11200 * NS, swing=1))
    # All but the last bit of conversion 10 go into the frame that the host was told of.
    assert outcome(scenario)[10] == ("not_received", 0)
    ((after, _),) = frames(scenario)
    assert after == 9


#: A remote timer's trigger crosses no barrier: the clock is alone on the way forward.
CLOCK = {"conversions": 2, "trigger.source": "remote", "barrier.upset": 0, **FORWARD, **FALSE}


@pytest.mark.parametrize(
    ("offset", "fate"),
    [
        # From busy's fall, 1200, to the read, at 1318: the whole word is shifted.
        (-119 * NS, "delivered"),
        (-118 * NS - 1, "delivered"),
        (-118 * NS, "corrupted"),
        (5 * NS, "corrupted"),
        # Pulse 0 leaves at 10 and its fall arrives at 30; pulse 1 leaves at 30.
        (10 * NS, "corrupted"),
        (10 * NS + 1, "delivered"),
        (30 * NS - 1, "delivered"),
        (30 * NS, "corrupted"),
        (30 * NS + 1, "delivered"),
        # After the last fall has arrived, at 70, nothing is left to be shifted.
        (70 * NS, "delivered"),
    ],
)
@pytest.mark.parametrize("scheme", ["forwarded_clock", "returned_clock"])
def test_a_false_clock_pulse_shifts_the_word(scheme, offset, fate):
    values = CLOCK | {"link.scheme": scheme}
    values |= {"host.capture": "whole"} if scheme == "returned_clock" else {}
    plain = record(serial(values))
    assert plain.fate[0].tolist() == [Fate.DELIVERED] * 2
    assert (plain.ready[0, 0], plain.read_start[0, 0]) == (1200 * NS, 1318 * NS)
    found = record(serial(at(values, 1318 * NS + offset, swing=1)))
    assert [Fate(one).word for one in found.fate[0].tolist()] == [fate, "delivered"]
    assert not len(found.unrequested)


@pytest.mark.parametrize(("pulses", "wrong"), [(1, 2), (2, 1), (3, 1), (4, 1)])
def test_the_bits_of_a_shifted_word_are_counted(pulses, wrong):
    # Word 10 of a counter of 3 bits, 010, moves up with 0 behind it: 100, then 000.
    values = CLOCK | {"frame.content": "counter", "conversions": 12}
    starts = int(record(serial(values)).read_start[0, 10])
    times = [starts - (118 - 5 * pulse) * NS for pulse in range(pulses)]
    found = record(serial(at(values, *times, swing=1)))
    assert Fate(found.fate[0, 10]) is Fate.CORRUPTED
    assert found.wrong_bits[0].tolist() == [0] * 10 + [wrong, 0]
    assert found.hit[0, 10] == 1 << Cause.CLOCK


BUSY = {"conversions": 3, "barrier.upset": 0, **RETURN, **FALSE}


@pytest.mark.parametrize(
    ("time", "fate", "release"),
    [
        # Busy rises from 1010 to 1022 ns and falls from 1210 to 1222; released at 1228.
        (1010 * NS + 1, "delivered", 1228),
        (1022 * NS - 1, "delivered", 1228),
        # A false fall: the host waits 106 ns, and clocks a converter that still converts.
        (1022 * NS, "overrun", 1028),
        # Its clock arrives 20 ns after that, as the word is ready or later.
        (1084 * NS - 1, "overrun", 1090),
        (1084 * NS, "delivered", 1090),
        # While busy's fall crosses it makes no edge.
        (1210 * NS + 1, "delivered", 1228),
        # A false rise ahead of the read, at 1328: the host waits for a fall.
        (1222 * NS, "overrun", 1228),
        (1328 * NS, "overrun", 1228),
        (1328 * NS + 1, "delivered", 1228),
        # It sees the next conversion's fall all the same.
        (1700 * NS, "delivered", 1228),
    ],
)
def test_a_false_edge_of_busy_lasts_until_the_next_true_one(time, fate, release):
    found = record(serial(at(BUSY, time, swing=1)))
    assert [Fate(one).word for one in found.fate[0].tolist()] == [fate, "delivered", "delivered"]
    assert abs(found.release[0, 0] - release * NS) <= 1


def test_two_false_edges_of_busy_make_a_read_that_no_trigger_asked_for():
    scenario = serial(at(BUSY, 1600 * NS, 1650 * NS, swing=1))
    assert [one for one, _ in outcome(scenario)] == ["delivered"] * 3
    (found,) = record(scenario).unrequested
    assert (found["after"], found["release"]) == (0, 1656 * NS)
    assert (found["read_start"], found["read_end"]) == (1756 * NS, 1836 * NS)


def test_a_false_trigger_overwrites_a_frame_that_was_not_read():
    values = {"conversions": 2, **FORWARD, **FALSE}
    scenario = serial(at(values, 1250 * NS, swing=1))
    assert [one for one, _ in outcome(scenario)] == ["overrun", "delivered"]
    assert frames(scenario) == [(0, "delivered")]


@pytest.mark.parametrize("chance", [0.3, 0.9])
def test_an_edge_is_made_as_likely_as_is_said_and_does_not_hang_on_what_is_beside(chance):
    n = 2000
    source = {"kind": "locked", "offset": "400 ns", "slew": "80 kV/us", "swing": "1 V"}
    values = FORWARD | {"conversions": n, "barrier.false_edge": chance, "transient": [source]}
    found = record(chain(values)).unrequested["after"]
    assert abs(len(found) - n * chance) < 4 * math.sqrt(n * chance * (1 - chance))
    # A source ahead of every trigger, whose edges come to nothing, moves no draw.
    other = {"kind": "locked", "offset": "100 ns", "slew": "80 kV/us", "swing": "1 V"}
    more = record(chain(values | {"transient": [source, other]})).unrequested["after"]
    assert np.array_equal(found, more)


def test_a_lost_credit_comes_back_as_the_fifo_runs_empty():
    values = {"conversions": 6, "fifo.when_full": "stall", "fifo.depth": 2, **FORWARD}
    plain = record(chain(values))
    hit = [int(plain.read_end[0, k]) + NS for k in (0, 2)]
    lost = record(chain(at(values, *hit)))
    assert (lost.fate[0] == Fate.DELIVERED).sum() == 3
    back = record(chain(at(values | {"fifo.credit_refresh": True}, *hit)))
    assert (back.fate == Fate.DELIVERED).all()
    with pytest.raises(
        InputError, match=r'fifo\.credit_refresh.*only with fifo\.when_full = "stall"'
    ):
        chain({"fifo.credit_refresh": True})


def test_compiled_and_as_written_associate_alike():
    times = [1700, 3700, 5900, 6300]
    for realign in ("idle", "never"):
        values = TRIGGER | {"conversions": 9, "host.realign": realign}
        scenario = chain(at(values, *(time * NS for time in times), swing=1))
        block = record(scenario)
        sums = np.zeros((2, 1), dtype=[(name, np.int64) for name in COUNTS])
        found = []
        for short in (True, False):
            one = Association(scenario, True)
            one.add(block, sums[int(short)], short)
            (outcomes,) = one.outcomes.values()
            found.append(outcomes)
        assert np.array_equal(*found)
        assert sums[0] == sums[1]
        assert sums[0, 0]["unrequested"] == len(block.unrequested) == 4


@st.composite
def false_scenarios(draw, scheme="remote_master"):
    """Draw a random scenario with transients that make edges."""
    scenario = draw(upset_scenarios(scheme))
    return scenario.with_value("barrier.false_edge", draw(st.sampled_from([1, 0.5])))


def counted_apart(scenario):
    conserved(scenario)
    block = record(scenario)
    assert (block.unrequested["fate"] >= 0).all()
    read = block.unrequested[block.unrequested["read_start"] != NEVER]
    assert (read["read_end"] > read["read_start"]).all()
    tally = Tally(scenario, range(1))
    tally.add(block)
    assert tally.fates.sum() == tally.sent.sum()
    assert tally.unrequested.sum() == len(block.unrequested)


@settings(max_examples=15)
@given(false_scenarios())
def test_random_false_edges_with_a_remote_master(scenario):
    counted_apart(scenario)


@settings(max_examples=15)
@given(st.sampled_from(["forwarded_clock", "returned_clock"]).flatmap(false_scenarios))
def test_random_false_edges_with_a_clock_that_crosses(scenario):
    counted_apart(scenario)


def test_none_where_nothing_upsets_or_nothing_is_asked_for():
    quiet = chain(at(TRIGGER | {"barrier.forward.slew_immunity": "90 kV/us"}, 1700 * NS))
    assert not len(record(quiet).unrequested)
    asked = put({"barrier": {"false_edge": 1.5}}, {})
    with pytest.raises(InputError, match=r"barrier\.false_edge"):
        from_dict(asked)
