"""What one event costs, worked by hand for each phase, a femtosecond either side of each crossing.

The base chain's only conversion: the trigger crosses from 1000 to 1010 ns; bit i is on its lane
from 1225 + 20 i to 1240 + 20 i, its strobe from 1235 + 20 i to 1250 + 20 i. A window is 5 ns wide.
"""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simlink.base.errors import InputError
from simlink.engines.batch import BatchEngine
from simlink.engines.choice import choose
from simlink.engines.event import EventEngine
from simlink.engines.event.wiring import Chain, blank
from simlink.link.content import lane_bits
from simlink.link.fate import Fate
from simlink.records import RECORD
from simlink.scenario.loading import from_dict
from tests.engines.chain import NS, chain, put, record
from tests.engines.host_clocked_scenarios import as_serial, serial
from tests.strategies import FINE, GRIDS, raw_scenarios

EDGE = {"slew": "80 kV/us", "swing": "400 V"}
FORWARD = {"barrier.forward.slew_immunity": "50 kV/us"}
RETURN = {"barrier.return.slew_immunity": "50 kV/us"}
LANES = {**RETURN, "barrier.return.strobe": False}


def at(values, *times, swing=400):
    """Return changes with events at some instants in fs; 80 V of swing are a nanosecond."""
    source = {"kind": "at", "times": [f"{time} fs" for time in times], "slew": "80 kV/us"}
    return values | {"transient": [source | {"swing": f"{swing} V"}]}


def outcome(scenario):
    """Return the fate and the wrong bits of each conversion."""
    found = record(scenario)
    fates = [Fate(one).word for one in found.fate[0].tolist()]
    return list(zip(fates, found.wrong_bits[0].tolist(), strict=True))


@pytest.mark.parametrize(
    ("way", "time", "fate", "wrong"),
    [
        (FORWARD, 995 * NS, "delivered", 0),
        (FORWARD, 995 * NS + 1, "not_received", 0),
        (FORWARD, 1010 * NS - 1, "not_received", 0),
        (FORWARD, 1010 * NS, "delivered", 0),
        # Conversion, and between the frame and its read: nothing is on its way.
        (LANES, 1100 * NS, "delivered", 0),
        (LANES, 1450 * NS, "delivered", 0),
        # First, middle and last bit.
        (LANES, 1220 * NS, "delivered", 0),
        (LANES, 1220 * NS + 1, "corrupted", 1),
        (LANES, 1240 * NS - 1, "corrupted", 1),
        (LANES, 1240 * NS, "delivered", 0),
        (LANES, 1240 * NS + 1, "corrupted", 1),
        (LANES, 1260 * NS, "delivered", 0),
        (LANES, 1300 * NS - 1, "corrupted", 1),
        (LANES, 1300 * NS, "delivered", 0),
        # The other direction's edge does nothing.
        (FORWARD, 1250 * NS, "delivered", 0),
        (LANES, 1005 * NS, "delivered", 0),
    ],
)
def test_a_remote_master_s_trigger_and_bits(way, time, fate, wrong):
    assert outcome(chain(at(way, time))) == [(fate, wrong)]


def test_a_hit_bit_moves_no_instant():
    plain, hit = record(chain(LANES)), record(chain(at(LANES, 1250 * NS)))
    for name in set(RECORD.names) - {"fate", "wrong_bits", "hit"}:
        assert np.array_equal(plain.records[name], hit.records[name]), name
    assert np.array_equal(plain.last_bit, hit.last_bit)


def test_a_lost_trigger_takes_place_in_the_line_of_triggers():
    values = {"conversions": 3, **FORWARD}
    assert [one for one, _ in outcome(chain(at(values, 2005 * NS)))] == [
        "delivered", "not_received", "delivered",
    ]  # fmt: skip
    # A remote timer's trigger crosses no barrier.
    assert (
        outcome(chain(at(values | {"trigger.source": "remote"}, 2005 * NS)))
        == [("delivered", 0)] * 3
    )


#: Bits 1 0 1 1 of conversion 11 and so on; two a lane would be the same.
COUNTED = {"conversions": 12, "trigger.rate": "1 MHz", **RETURN}


def test_a_lost_strobe_moves_later_bits_up():
    # Conversion 10 says 1010; its strobes are from 11235 + 20 i to 11250 + 20 i, ns. With a window
    # of 1 ns at 11241 strobe 0 is lost alone, for bit 0 has come and bit 1 has not set out.
    scenario = chain(at(COUNTED, 11241 * NS, swing=80))
    found = record(scenario)
    assert found.fate[0, 10] == Fate.NOT_RECEIVED
    assert found.release[0, 10] < 0
    assert (np.delete(found.fate[0], 10) == Fate.DELIVERED).all()
    # Released after two bits: 0 1 0 and a bit that is missing, for 1 0 1 0.
    early = record(chain(at(COUNTED | {"fifo.release_bits": 2}, 11241 * NS, swing=80)))
    assert (early.fate[0, 10], early.wrong_bits[0, 10]) == (Fate.CORRUPTED, 3)
    # Bits 1 and 2 are the first two to be pushed, at 11260 and 11280.
    assert early.first_bit[0, 10, 0, 0] == 11260 * NS
    assert early.release[0, 10] == 11286 * NS
    assert (np.delete(early.fate[0], 10) == Fate.DELIVERED).all()


@pytest.mark.parametrize(
    ("time", "lost"),
    [
        (11234 * NS, False),
        (11234 * NS + 1, True),
        (11250 * NS - 1, True),
        (11250 * NS, False),
    ],
)
def test_a_strobe_is_lost_within_its_crossing_alone(time, lost):
    # With a window of 1 ns.
    fates = record(chain(at(COUNTED, time, swing=80))).fate[0]
    assert bool(fates[10] == Fate.NOT_RECEIVED) is lost


def test_a_short_frame_frees_its_slot_after_the_gap():
    # Slot 10 is taken by conversion 10's frame until 40 ns after its last strobe, 11310.
    values = COUNTED | {"fifo.depth": 1, "trigger.rate": "1 MHz"}
    found = record(chain(at(values, 11241 * NS, swing=80)))
    assert found.occupancy_at_arrival[0].tolist() == [0] * 12
    assert (found.fate[0] == Fate.NOT_RECEIVED).sum() == 1


def test_a_longer_gap_splits_the_frame():
    # Strobes 2, 3 and 4 of eight are lost: the next comes 80 ns after strobe 1, twice the gap.
    values = COUNTED | {"frame.word_bits": 8}
    hit = at(values, 11276 * NS, swing=80 * 45)
    assert outcome(chain(hit))[10] == ("not_received", 0)
    # Both parts are released after two bits, and both are read: one has no row.
    both = chain(hit | {"fifo.release_bits": 2})
    made = Chain(both, 0, blank(both, 0, words=True))
    made.run()
    assert made.counts.frames == 13
    assert [Fate(one).word for one in made.trial.record.fate[9:].tolist()] == [
        "delivered", "corrupted", "delivered",
    ]  # fmt: skip


def test_a_receiver_that_only_counts_slips_for_good():
    values = COUNTED | {"fifo.realign": "never"}
    fates = [one for one, _ in outcome(chain(at(values, 6241 * NS, swing=80)))]
    assert fates[:5] == ["delivered"] * 5
    # Each frame waits for the next one's first bit; the last waits for ever.
    assert fates[5:] == ["corrupted"] * 6 + ["in_flight"]


def test_the_share_of_lost_triggers_is_that_of_its_vulnerable_time():
    # Events from 5 ns ahead of the trigger's leaving to its arrival lose it: 15 ns.
    rate, n = 20e6, 4000
    source = {"kind": "poisson", "rate": "20 MHz", **EDGE}
    values = {"conversions": n, "transient": [source], **FORWARD}
    share = (record(chain(values)).fate == Fate.NOT_RECEIVED).mean()
    expected = 1 - math.exp(-rate * 15e-9)
    assert abs(share - expected) < 4 * math.sqrt(expected * (1 - expected) / n)


def test_the_share_of_damaged_words_is_that_of_their_vulnerable_time():
    # Each of the four bits has 15 + 5 ns, one after the other.
    rate, n = 5e6, 4000
    source = {"kind": "poisson", "rate": "5 MHz", **EDGE}
    values = {"conversions": n, "transient": [source], **LANES}
    share = (record(chain(values)).fate == Fate.CORRUPTED).mean()
    expected = 1 - math.exp(-rate * 80e-9)
    assert abs(share - expected) < 4 * math.sqrt(expected * (1 - expected) / n)


@pytest.mark.parametrize("upset", [0, 0.3])
def test_a_symbol_that_meets_a_window_is_hit_as_likely_as_is_said(upset):
    n = 3000
    source = {"kind": "locked", "offset": "5 ns", **EDGE}
    values = {"conversions": n, "transient": [source], "barrier.upset": upset, **FORWARD}
    lost = record(chain(values)).fate == Fate.NOT_RECEIVED
    assert abs(lost.mean() - upset) <= 4 * math.sqrt(upset * (1 - upset) / n)


#: Two packets of a header bit, two of data and a check bit. They are on the line from 1245 and from
#: 1285 ns on, for 40 ns, and each line bit stays for 10 ns and its crossing of 15.
PACKETS = {
    **RETURN,
    "barrier.return.style": "packets",
    "barrier.return.packet_bits": 2,
    "barrier.return.overhead_bits": 2,
    "barrier.return.header_bits": 1,
    "barrier.return.line_rate": "100 Mbit/s",
}


@pytest.mark.parametrize(
    ("time", "fate"),
    [
        # The header alone, from 1245 to 1270; a femtosecond earlier nothing.
        (1246 * NS, "not_received"),
        (1244 * NS, "delivered"),
        # The second bit of data of the last packet, from 1305 to 1330, and its check bit.
        (1325 * NS, "corrupted"),
        (1330 * NS - 1, "corrupted"),
        # The check bit alone, up to 1340.
        (1330 * NS, "delivered"),
        (1340 * NS, "delivered"),
    ],
)
def test_a_line_bit_that_meets_a_window_is_inverted_half_the_time(time, fate):
    n = 400
    source = {"kind": "locked", "offset": f"{time - 1000 * NS} fs"}
    source |= {"slew": "80 kV/us", "swing": "80 V"}
    found = record(chain(PACKETS | {"conversions": n, "transient": [source]}))
    harmed = found.fate[0] != Fate.DELIVERED
    if fate == "delivered":
        assert not harmed.any()
        return
    assert {Fate(one).word for one in found.fate[0][harmed][:-1].tolist()} == {fate}
    assert abs(harmed.mean() - 0.5) < 4 * 0.5 / math.sqrt(n)
    assert (found.wrong_bits[0] == (harmed if fate == "corrupted" else 0)).all()


def test_a_lost_packet_s_bits_read_as_0_where_its_frame_was_released():
    # Released by two bits of either packet: of the frames without their first, bits 0 and 1 are 0.
    source = {"kind": "locked", "offset": "246 ns", "slew": "80 kV/us", "swing": "80 V"}
    values = PACKETS | {"conversions": 64, "transient": [source], "fifo.release_bits": 2}
    plain, found = (record(chain(values | more)) for more in ({"transient": None}, {}))
    lost = found.fate[0] == Fate.CORRUPTED
    assert 10 < lost.sum() < 54
    assert set(found.fate[0].tolist()) == {Fate.DELIVERED, Fate.CORRUPTED}
    assert (found.release[0][lost] > plain.release[0][lost]).all()
    assert (found.release[0][~lost] == plain.release[0][~lost]).all()
    ones = [bin(k >> 2 & 3).count("1") for k in range(64)]
    assert found.wrong_bits[0].tolist() == [
        one if gone else 0 for one, gone in zip(ones, lost, strict=True)
    ]


def test_the_only_slot_of_a_frame_short_of_a_packet_is_free_as_the_next_one_s_first_packet_comes():
    source = {"kind": "locked", "offset": "246 ns", "slew": "80 kV/us", "swing": "80 V"}
    values = PACKETS | {"conversions": 64, "transient": [source], "fifo.depth": 1}
    found = record(chain(values))
    lost = found.fate[0] == Fate.NOT_RECEIVED
    assert set(found.fate[0].tolist()) == {Fate.DELIVERED, Fate.NOT_RECEIVED}
    # One lost after one lost, and one that comes after it, are among them.
    assert (lost[:-1] & lost[1:]).any()
    assert (lost[:-1] & ~lost[1:]).any()
    assert (found.occupancy_at_arrival[0] == 0).all()


def test_a_lost_packet_is_lost_on_its_own_lane_alone():
    """A lane is 0 where a packet was lost, and as it was sent elsewhere."""
    source = {"kind": "locked", "offset": "246 ns", "slew": "80 kV/us", "swing": "80 V"}
    values = PACKETS | {"conversions": 256, "frame.lanes": 2, "fifo.release_bits": 2}
    values |= {"frame.content": "random"}
    scenario = chain(values | {"transient": [source]})
    found = record(scenario)
    ones = [[sum(lane_bits(scenario, 0, k, lane)[:2]) for lane in (0, 1)] for k in range(256)]
    seen = [{0, first, second, first + second} for first, second in ones]
    assert all(wrong in some for wrong, some in zip(found.wrong_bits[0], seen, strict=True))
    # Each is hit half the time by itself, so a quarter of the frames lose one of two that differ.
    one = [sum(pair) != wrong > 0 for pair, wrong in zip(ones, found.wrong_bits[0], strict=True)]
    both = sum(first > 0 and second > 0 for first, second in ones)
    assert abs(sum(one) - both / 2) < 4 * math.sqrt(both / 4)


def test_a_lost_credit_is_one_fewer_for_good():
    # The read ends at 1566 + 160 k or so; its credit crosses for 10 ns.
    values = {"conversions": 6, "fifo.when_full": "stall", "fifo.depth": 2, **FORWARD}
    plain = record(chain(values))
    assert (plain.fate == Fate.DELIVERED).all()
    first, second = (int(plain.read_end[0, k]) for k in (0, 1))
    one = record(chain(at(values, first + NS)))
    assert (one.fate == Fate.DELIVERED).all()
    both = record(chain(at(values, first + NS, second + NS)))
    assert both.fate[0].tolist()[:3] == [Fate.DELIVERED, Fate.DELIVERED, Fate.NOT_RECEIVED]
    assert (both.fate[0, 3:] == Fate.MISSED_TRIGGER).all()


def serial_at(values, *times, swing=400):
    """Return the serial base with events at some instants in fs."""
    return serial(at(values, *times, swing=swing))


def test_a_host_that_clocks_the_converter():
    values = {"conversions": 2}
    plain = record(serial(values))
    assert plain.fate[0].tolist() == [Fate.DELIVERED] * 2
    ready, start = int(plain.ready[0, 0]), int(plain.read_start[0, 0])
    for scheme in ("forwarded_clock", "returned_clock"):
        capture = {"link.scheme": scheme} | (
            {"host.capture": "whole"} if scheme == "returned_clock" else {}
        )
        base = values | capture
        assert record(serial(base)).fate[0].tolist() == [Fate.DELIVERED] * 2
        # Clock pulse 0 goes from 10 ns after the start to its fall's arrival at 30 ns.
        for time, wrong in (
            (start + 5 * NS, False), (start + 5 * NS + 1, True), (start + 30 * NS - 1, True),
        ):  # fmt: skip
            found = record(serial_at(base | FORWARD, time)).fate[0].tolist()
            assert found == [Fate.CORRUPTED if wrong else Fate.DELIVERED, Fate.DELIVERED], time
        # Busy's fall crosses for 12 ns: its frame is overwritten by the next one.
        for time, lost in ((ready - 5 * NS, False), (ready - 5 * NS + 1, True)):
            found = record(serial_at(base | RETURN, time)).fate[0].tolist()
            assert found == [Fate.OVERRUN if lost else Fate.DELIVERED, Fate.DELIVERED], time
        assert record(serial_at(base | FORWARD, 1005 * NS)).fate[0].tolist() == [
            Fate.NOT_RECEIVED, Fate.DELIVERED,
        ]  # fmt: skip


def test_a_bit_inverted_on_its_way_to_a_host_that_clocks():
    plain = record(serial({}))
    start = int(plain.read_start[0, 0])
    # Bit 1 is launched by the fall at 20 ns as it arrives, at 30, valid 4 ns later, 12 ns to cross.
    low, high = 29 * NS, 46 * NS
    for offset, wrong in ((low, 0), (low + 1, 1), (high - 1, 1), (high, 0)):
        found = record(serial_at(RETURN, start + offset))
        assert found.wrong_bits[0, 0] == wrong
        assert found.fate[0, 0] == (Fate.CORRUPTED if wrong else Fate.DELIVERED)


def test_a_host_that_saw_no_rise_of_busy_sees_no_fall():
    rises = 1010 * NS
    found = record(serial_at({"conversions": 2} | RETURN, rises + NS))
    assert found.fate[0].tolist() == [Fate.OVERRUN, Fate.DELIVERED]
    assert found.release[0, 0] < 0


SOURCES = [
    {"kind": "poisson", "rate": "2 MHz", "slew": "80 kV/us", "swing": "800 V"},
    {"kind": "locked", "offset": {"shape": "uniform", "low": "-100 ns", "high": "400 ns"}, **EDGE},
    {"kind": "switching", "frequency": "900 kHz", "jitter": "3 ns", **EDGE},
    {"kind": "eft", "peak": "2 kV", "coupling": 0.4, "start": "0 s", "repetition": "100 kHz"},
    {"kind": "at", "times": ["1 us", "1237 ns", "3 us"], "slew": "90 kV/us", "swing": "9 kV"},
]
UPSETS = {
    "barrier.slew_immunity": {"shape": "uniform", "low": "30 kV/us", "high": "85 kV/us"},
    "barrier.recovery": {"shape": "uniform", "low": "0 ns", "high": "30 ns"},
}


@st.composite
def raw_upset_scenario(draw, grid, scheme="remote_master"):
    """Draw a scenario with transients as a file would hold it, on one grid."""
    raw = draw(raw_scenarios(grid))
    if scheme != "remote_master":
        captures = ["half", "whole"] if scheme == "returned_clock" else ["half", 3, "30 ns"]
        raw = as_serial(raw, scheme, draw(st.sampled_from(captures)))
    loops = raw["trigger"].get("pattern") == "after_read"
    sources = [one for one in SOURCES if not (loops and one["kind"] == "locked")]
    chosen = draw(st.lists(st.sampled_from(sources), min_size=1, max_size=3))
    values = UPSETS | {"transient": chosen, "barrier.upset": draw(st.sampled_from([1, 1, 0.5]))}
    back = raw.get("barrier", {}).get("return", {})
    if back.get("style") == "packets":
        values |= {"barrier.return.header_bits": min(2, back.get("overhead_bits", 0))}
    elif scheme == "remote_master":
        values |= {"fifo.realign": draw(st.sampled_from(["gap", "never"]))}
        values |= {"fifo.realign_gap": "1 ns"} if draw(st.booleans()) else {}
        try:
            from_dict(put(raw, values))
        except InputError:
            # Frames that follow one another that soon are parted by no gap.
            values |= {"fifo.realign": "never"}
    return put(raw, values)


@st.composite
def upset_scenarios(draw, scheme="remote_master"):
    """Draw a random scenario with transients."""
    grid = draw(st.sampled_from([FINE, *GRIDS]))
    return from_dict(draw(raw_upset_scenario(grid, scheme)))


def conserved(scenario):
    """Every conversion that was sent has one fate, with every edge an event or not."""
    assert EventEngine().refuses(scenario) is None
    plain = blank(scenario, 0, words=True)
    Chain(scenario, 0, plain).run()
    assert (plain.fate[plain.trigger >= 0] >= 0).all()
    assert (plain.fate[plain.trigger == np.iinfo(np.int64).min] == Fate.NOT_SENT).all()
    watched = blank(scenario, 0, words=True)
    made = Chain(scenario, 0, watched)
    made.signals.every_edge = True
    made.run()
    assert watched.same_as(plain)
    if BatchEngine().refuses(scenario) is not None:
        assert choose("auto", scenario)[0].name == "event"


@settings(max_examples=60)
@given(upset_scenarios())
def test_random_transients_with_a_remote_master(scenario):
    conserved(scenario)


@settings(max_examples=40)
@given(st.sampled_from(["forwarded_clock", "returned_clock"]).flatmap(upset_scenarios))
def test_random_transients_with_a_clock_that_crosses(scenario):
    conserved(scenario)


@settings(max_examples=30)
@given(upset_scenarios())
def test_an_immunity_above_every_slew_changes_no_record(scenario):
    immune = {"barrier.slew_immunity": "2 kV/ns", "barrier.return.slew_immunity": None}
    immune = scenario.with_values(immune)
    without = immune.with_value("transient", None)
    assert record(immune).same_as(record(without))
    assert BatchEngine().refuses(immune) is None
