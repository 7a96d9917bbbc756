"""What a frame's check and counter say of frames that nobody asked for, worked by hand.

With one parity bit and a counter of 2 bits the base chain's frame has 7: the converter is free
again at 1355 ns, the frame is released at 1366 and read from 1466 on, 280 ns long, or 70 with a
host clock of 100 MHz. A conversion that a false trigger starts at 1400 is released at 1756.
"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simlink.base.errors import InputError
from simlink.base.instants import NEVER
from simlink.figures.associating import Association
from simlink.figures.association import COUNTS
from simlink.link.fate import Fate
from simlink.records import Cause
from simlink.scenario.loading import from_dict
from tests.engines.chain import NS, chain, put, record
from tests.engines.host_clocked_scenarios import serial
from tests.engines.test_checks import CHECKED, DROP, PARITY, told
from tests.engines.test_false_edges import BUSY, CLOCK, FALSE, STROBE, TRIGGER, counted_apart
from tests.engines.test_transients import FORWARD, at, raw_upset_scenario
from tests.strategies import FINE, GRIDS

COUNTER = {"check.sequence_bits": 2}
BOTH = PARITY | COUNTER
SEQUENCE = {"host.realign": "sequence"}
IDLE = {"host.realign": "idle"}


def found_of(scenario):
    """Return what is believed, what is told, and what is found of each frame of no conversion."""
    block, outcomes, _ = told(scenario)
    believed = [None if one < 0 else one for one in outcomes["believed"].tolist()]
    apart = [
        (one["after"], Fate(one["fate"]).word, bool(one["check_failed"]), int(one["counter"]))
        for one in block.unrequested
    ]
    return believed, outcomes["told"].tolist(), apart


@pytest.mark.parametrize("realign", [IDLE, SEQUENCE])
def test_a_frame_of_a_false_trigger_has_a_right_check_and_the_next_number(realign):
    """Read until 2136, it is taken for trigger 1's, of 2000. Frame 1 says 2, and the host, which
    has sent two triggers, finds out: three have come."""
    scenario = chain(at(TRIGGER | BOTH | realign, 1400 * NS, swing=1))
    believed, said, apart = found_of(scenario)
    assert apart == [(0, "delivered", False, 1)]
    assert record(scenario).counter_error[0].tolist() == [0, 1 ^ 2, 2 ^ 3]
    assert not record(scenario).check_failed.any()
    assert (believed, said) == ([0, None, 2], [False, True, False])


def test_a_check_alone_does_not_tell_of_it():
    believed, said, apart = found_of(chain(at(TRIGGER | PARITY, 1400 * NS, swing=1)))
    assert apart == [(0, "delivered", False, -1)]
    assert (believed, said) == ([0, None, 2], [False] * 3)


@pytest.mark.parametrize("realign", [IDLE, SEQUENCE])
def test_an_idle_link_tells_that_nobody_asked_for_it(realign):
    """Read until 1926, ahead of trigger 1: the host counts on from there, and nothing is harmed."""
    values = TRIGGER | BOTH | realign | {"host.clock": "100 MHz"}
    believed, said, apart = found_of(chain(at(values, 1400 * NS, swing=1)))
    assert apart == [(0, "delivered", False, 1)]
    assert (believed, said) == ([0, 1, 2], [False] * 3)


@pytest.mark.parametrize(("realign", "second"), [(IDLE, None), (SEQUENCE, 1)])
def test_a_false_trigger_that_the_converter_ignores_is_counted_too(realign, second):
    """Frame 1 says 2: one seems to be lost, and is struck off; the host's own count says not."""
    scenario = chain(at(TRIGGER | BOTH | realign, 1100 * NS, swing=1))
    assert found_of(scenario) == ([0, second, 2], [False, True, False], [])
    assert record(scenario).counter_error[0].tolist() == [0, 1 ^ 2, 2 ^ 3]


@pytest.mark.parametrize("law", [{}, DROP])
@pytest.mark.parametrize(
    ("time", "fate", "wrong", "failed"),
    [
        # 1010 0 with 0 ahead of it: 0101 0, which is even.
        (11235, "corrupted", 4, False),
        # 1011 1 likewise: 0101 1, which is odd.
        (12235, "corrupted", 3, True),
        # 0 in place of the parity bit, which is 0 and 1: no bit of the words is wrong.
        (11312, "delivered", 0, False),
        (12312, "delivered", 0, True),
    ],
)
def test_a_false_strobe_is_found_as_far_as_the_check_allows(time, fate, wrong, failed, law):
    values = STROBE | PARITY | law | {"barrier.upset": 0}
    scenario = chain(at(values, time * NS, swing=1))
    block, outcomes, _ = told(scenario)
    k = (time - 1000) // 1000
    if failed and law:
        fate = "dropped"
    assert (Fate(block.fate[0, k]).word, block.wrong_bits[0, k]) == (fate, wrong)
    assert bool(block.check_failed[0, k]) is bool(outcomes["told"][k]) is failed
    assert not np.delete(block.check_failed[0], k).any()


def test_a_false_strobe_makes_another_number():
    """1010 10 with 0 ahead of it: 0101 01."""
    values = STROBE | COUNTER | {"barrier.upset": 0}
    scenario = chain(at(values, 11235 * NS, swing=1))
    assert record(scenario).counter_error[0].tolist() == [0] * 10 + [0b10 ^ 0b01, 0]


UNENDED = STROBE | {"fifo.realign": "never", "barrier.upset": 0}


@pytest.mark.parametrize("law", [{}, DROP])
@pytest.mark.parametrize(("k", "failed"), [(5, False), (7, True)])
def test_a_frame_that_a_false_strobe_begins_is_checked_as_the_bits_that_fill_it(k, failed, law):
    """Where the receiver counts alone it takes 0 and the four bits of word k, the last one for its
    parity: it fails if that is odd. The later ones begin with the last bit of the one before."""
    scenario = chain(at(UNENDED | PARITY | law, (1000 * k + 1100) * NS, swing=1))
    block, _, _ = told(scenario)
    (apart,) = block.unrequested
    fate = Fate.DROPPED if failed and law else Fate.CORRUPTED
    assert (apart["after"], apart["fate"], apart["check_failed"]) == (k - 1, fate, failed)
    line = [0]
    for one in range(k, 12):
        line += [*(int(bit) for bit in f"{one:04b}"), one.bit_count() % 2]
    odd = [sum(line[first : first + 5]) % 2 == 1 for first in range(0, len(line) - 4, 5)]
    assert [failed, *block.check_failed[0, k:11].tolist()] == odd


def test_a_frame_that_a_false_strobe_begins_has_the_number_that_its_bits_say():
    """0 0101 0: the word 5 and the first bit of its counter, 01, move up by one."""
    apart = found_of(chain(at(UNENDED | COUNTER, 6100 * NS, swing=1)))[2]
    assert apart == [(4, "corrupted", False, 0b10)]


def test_a_frame_that_a_gap_ends_short_fails():
    """Released after its first bit, it is read all the same; three zeros would be even."""
    values = STROBE | PARITY | {"fifo.release_bits": 1, "barrier.upset": 0}
    apart = found_of(chain(at(values, 1600 * NS, swing=1)))[2]
    assert apart == [(0, "corrupted", True, -1)]


@pytest.mark.parametrize("scheme", ["forwarded_clock", "returned_clock"])
def test_a_host_that_clocks_the_converter_reads_the_frame_of_a_false_trigger(scheme):
    values = {"conversions": 2, "link.scheme": scheme, **FORWARD, **FALSE, **BOTH}
    values |= {"host.capture": "whole"} if scheme == "returned_clock" else {}
    scenario = serial(at(values, 1250 * NS, swing=1))
    block, outcomes, _ = told(scenario)
    assert block.fate[0].tolist() == [Fate.OVERRUN, Fate.DELIVERED]
    # Frame 0 is gone, and of the next one, which answers it for all that the host can see, the
    # counter says 1: it tells.
    assert outcomes["told"][0]
    (apart,) = block.unrequested
    assert (apart["fate"], apart["check_failed"], apart["counter"]) == (Fate.DELIVERED, False, 1)


@pytest.mark.parametrize(("realign", "second"), [(IDLE, None), (SEQUENCE, 1)])
def test_what_false_edges_of_busy_have_the_host_read_is_taken_for_the_next(realign, second):
    """Nothing is there. Frame 1 then says 1 once more, as if three had been lost: that tells."""
    values = BUSY | BOTH | realign
    believed, said, apart = found_of(serial(at(values, 1700 * NS, 1750 * NS, swing=1)))
    assert apart == [(0, "not_received", False, -1)]
    assert (believed, said) == ([0, second, 2], [False, True, False])


@pytest.mark.parametrize(
    ("pulses", "wrong", "failed"), [(1, 3, False), (2, 0, True), (3, 2, True), (4, 1, False)]
)
def test_a_shifted_register_is_found_as_far_as_the_check_allows(pulses, wrong, failed):
    """010 1 moves up to 101 0, 010 0, 100 0, which is odd, and 000 0."""
    values = CLOCK | PARITY | {"frame.content": "counter", "conversions": 12}
    starts = int(record(serial(values)).read_start[0, 10])
    times = [starts - (118 - 5 * pulse) * NS for pulse in range(pulses)]
    block, outcomes, _ = told(serial(at(values, *times, swing=1)))
    assert block.hit[0, 10] == 1 << Cause.CLOCK
    assert block.wrong_bits[0, 10] == wrong
    assert bool(block.check_failed[0, 10]) is bool(outcomes["told"][10]) is failed


def test_frames_that_are_asked_for_again_are_refused_by_name():
    repeat = {"check.on_failure": "repeat", "check.kept_frames": 2, "check.repeat_timeout": "9 us"}
    with pytest.raises(InputError, match=r'barrier\.false_edge.* only without.*"repeat"'):
        chain(at(TRIGGER | PARITY | repeat, 1400 * NS))


@st.composite
def checked_among_false(draw):
    """Draw a random scenario with checks and with transients that make edges."""
    schemes = ["remote_master", "remote_master", "forwarded_clock", "returned_clock"]
    scheme = draw(st.sampled_from(schemes))
    raw = draw(raw_upset_scenario(draw(st.sampled_from([FINE, *GRIDS])), scheme))
    values = draw(CHECKED) | {"check.sequence_bits": draw(st.integers(0, 3))}
    if values["check.sequence_bits"] or "check.kind" in values:
        values["check.on_failure"] = draw(st.sampled_from(["flag", "drop"]))
    if raw["barrier"].get("return", {}).get("style") == "packets":
        values["check.over"] = draw(st.sampled_from(["frame", "packet"]))
    elif scheme == "remote_master":
        # What stands beside the data may leave no gap that parts frames.
        values |= {"fifo.realign": "never", "fifo.realign_gap": None}
    if values["check.sequence_bits"]:
        values["host.realign"] = draw(st.sampled_from(["never", "idle", "sequence"]))
    return from_dict(put(raw, values | {"barrier.false_edge": draw(st.sampled_from([1, 0.5]))}))


@settings(max_examples=15)
@given(checked_among_false())
def test_random_false_edges_with_checks(scenario):
    counted_apart(scenario)
    block = record(scenario)
    dropped = block.unrequested["fate"] == Fate.DROPPED
    assert block.unrequested["check_failed"][dropped].all()
    if scenario.check.on_failure == "drop":
        kept = np.isin(block.unrequested["fate"], (Fate.DELIVERED, Fate.CORRUPTED))
        assert not block.unrequested["check_failed"][kept].any()
    assert (block.unrequested["counter"] < 1 << scenario.check.sequence_bits).all()
    # Compiled and as written it comes to the same.
    sums = np.zeros((2, 1), dtype=[(name, np.int64) for name in COUNTS])
    outcomes = []
    for mine, short in zip(sums, (True, False), strict=True):
        one = Association(scenario, True)
        one.add(block, mine, short)
        outcomes += one.outcomes.values()
    assert np.array_equal(*outcomes)
    assert sums[0] == sums[1]


def by_hand(scenario, block):
    """Return what a host believes of each conversion that never puts itself right: its own list."""
    mask = (1 << scenario.check.sequence_bits) - 1
    records, reads, came = block.records[0].tolist(), [], 0
    fields = block.records.dtype.names
    for k, values in enumerate(records):
        one = dict(zip(fields, values, strict=True))
        end = max(one["read_end"], one["void_read"])
        trusted = one["read_end"] != NEVER and not one["check_failed"]
        trusted = trusted and one["fate"] != Fate.UNDERRUN
        shown = came & mask ^ one["counter_error"] if trusted else None
        came += one["fate"] != Fate.NOT_RECEIVED or one["aperture"] != NEVER
        if end != NEVER:
            reads.append((end, k, shown))
    extras = block.unrequested[block.unrequested["read_end"] != NEVER]
    reads += [(int(one["read_end"]), None, int(one["counter"])) for one in extras]
    left, last, found = block.trigger[0].tolist(), -1, {}
    unanswered, sent = [], 0
    for end, k, shown in sorted(reads, key=lambda read: read[0]):
        while sent < len(left) and left[sent] < end:
            unanswered.append(sent)
            sent += 1
        last += 1
        while shown not in (None, -1) and last & mask != shown:
            last += 1
            del unanswered[:1]
        found[k] = unanswered.pop(0) if unanswered else None
    return found


@settings(max_examples=20)
@given(checked_among_false())
def test_a_host_that_keeps_a_list_believes_the_same(scenario):
    scenario = scenario.with_values({"host.realign": "never"})
    block = record(scenario)
    left = block.trigger[0]
    in_turn = (left[:-1] < left[1:]).all() and len(set(block.records["read_end"][0].tolist())) > 1
    mixed = scenario.host.timeout is not None or scenario.trigger.source == "remote"
    if mixed or not in_turn or scenario.check.sequence_bits == 0:
        return
    association = Association(scenario, True)
    association.add(block, np.zeros(1, dtype=[(name, np.int64) for name in COUNTS]), True)
    (outcomes,) = association.outcomes.values()
    used = (block.records["read_end"][0] != NEVER) & (block.fate[0] != Fate.DROPPED)
    expected = by_hand(scenario, block)
    for k in np.flatnonzero(used).tolist():
        believed = outcomes["believed"][0, k].item()
        assert (None if believed < 0 else believed) == expected[k], k
