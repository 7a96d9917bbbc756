"""Checks and counters on the link: what they lengthen, what they find, and what they pass.

The base chain's bit i of conversion k is on its lane from 1225 + 20 i to 1240 + 20 i ns, and 1000 k
later; an event 5 ns into that, 5 ns wide, hits this bit alone.
"""

import math
import os
from itertools import combinations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simlink.engines.batch import BatchEngine
from simlink.engines.batch.sure import unjudged
from simlink.engines.event import EventEngine
from simlink.engines.event.wiring import Chain, blank
from simlink.figures.summary import figures
from simlink.figures.tally import Tally
from simlink.link.fate import Fate
from simlink.records import RECORD, Cause
from simlink.running.run import run
from simlink.scenario.loading import from_dict
from tests.engines.agreement import differences
from tests.engines.chain import NS, chain, put, record
from tests.engines.host_clocked_scenarios import raw_serial_scenarios, serial
from tests.engines.test_transients import EDGE, FORWARD, LANES, PACKETS, RETURN, at
from tests.strategies import FINE, GRIDS, raw_scenarios

MANY = int(os.environ.get("SIMLINK_MANY") or 1000)

CRC_3 = {"check.kind": "crc", "check.width": 3, "check.polynomial": 3}
CRC_8 = {"check.kind": "crc", "check.width": 8, "check.polynomial": 0x07}
PARITY = {"check.kind": "parity"}
DROP = {"check.on_failure": "drop"}


def hitting(values, patterns):
    """Return a chain whose conversion k has the bits of pattern k inverted, on one lane."""
    times = [(1000 * k + 1230 + 20 * bit) * NS for k, bits in enumerate(patterns) for bit in bits]
    return chain(
        at(LANES | {"host.clock": "100 MHz", "conversions": len(patterns)} | values, *times)
    )


def told(scenario):
    """Return the records, what is told and believed of each conversion, its cause, and figures."""
    tally = Tally(scenario, range(scenario.trials), keeps=True)
    for block in EventEngine().run(scenario, range(scenario.trials), words=False):
        tally.add(block)
    (found,) = tally.closed().values()
    return block, found[0], figures(scenario, tally)


# --- what they lengthen ---


@pytest.mark.parametrize(
    ("scheme", "base"), [("remote_master", chain), ("forwarded_clock", serial)]
)
@pytest.mark.parametrize("style", [{}, PACKETS])
def test_what_stands_beside_the_data_takes_its_time_as_data_would(scheme, base, style):
    """A word of 3 bits with 2 of a counter and 3 of a check takes what a word of 8 does."""
    if scheme != "remote_master" and style:
        return
    values = {"conversions": 20, "trials": 2, "barrier.return.jitter": "0 s", **style}
    values["barrier.slew_immunity"] = values["barrier.return.slew_immunity"] = None
    plain = base(values | {"frame.word_bits": 8})
    longer = base(values | {"frame.word_bits": 3, "check.sequence_bits": 2} | CRC_3)
    assert longer.bits_per_lane == plain.bits_per_lane == longer.fifo.release_bits
    for engine in (EventEngine(), BatchEngine()):
        assert engine.refuses(longer) is None
        (one,), (other,) = (
            list(engine.run(some, range(1, 2), words=True)) for some in (plain, longer)
        )
        for name in RECORD.names:
            assert np.array_equal(one.records[name], other.records[name]), name
        assert (other.fate == Fate.DELIVERED).all()
        # The last bit of the word is the third on the line.
        assert (other.last_bit < one.last_bit).all()
    assert differences(longer) == []
    rows = [
        [(row.key, row.limit, row.worst) for row in run(some, engine="batch").verdict.limits]
        for some in (plain, longer)
    ]
    assert rows[0] == rows[1]


def test_a_check_of_packets_lengthens_each_packet():
    """Two packets of 1 + 2 + 1 bits and 3 of a check: as with 5 bits of overhead for 2."""
    values = {"conversions": 5, **PACKETS}
    longer = chain(values | {"check.over": "packet"} | CRC_3)
    plain = chain(values | {"barrier.return.overhead_bits": 5})
    assert longer.bits_per_lane == 4
    for engine in (EventEngine(), BatchEngine()):
        one, other = (
            next(iter(engine.run(some, range(1), words=True))) for some in (plain, longer)
        )
        assert one.same_as(other)


CHECKED = st.sampled_from([PARITY, CRC_3, CRC_8, {}])


@st.composite
def checked(draw, serial=False):
    raw = draw(
        raw_serial_scenarios() if serial else raw_scenarios(draw(st.sampled_from([FINE, *GRIDS])))
    )
    values = draw(CHECKED) | {"check.sequence_bits": draw(st.integers(0, 3))}
    if draw(st.booleans()):
        values |= {"host.setup": None, "host.hold": None}
    if values["check.sequence_bits"] or "check.kind" in values:
        values["check.on_failure"] = draw(st.sampled_from(["flag", "drop"]))
    if not serial and raw["barrier"]["return"].get("style") == "packets":
        values["check.over"] = draw(st.sampled_from(["frame", "packet"]))
    return from_dict(put(raw, values))


@settings(max_examples=max(1, MANY // 10))
@given(st.one_of(checked(), checked(serial=True)))
def test_the_engines_agree(scenario):
    """Where no bit is sure to be taken right, the batch engine says that it cannot."""
    said = BatchEngine().refuses(scenario)
    if said is not None:
        assert "no check" in said
        return
    assert differences(scenario) == []
    if scenario.link.scheme != "remote_master" and scenario.check.tells:
        for block in BatchEngine().run(scenario, range(scenario.trials), words=False):
            assert not (block.fate == Fate.CORRUPTED).any()


@pytest.mark.parametrize(
    ("scheme", "capture", "right"),
    [
        ("forwarded_clock", 4, False),
        ("forwarded_clock", 14, True),
        ("returned_clock", "half", True),
    ],
)
def test_checks_are_judged_where_the_clock_that_captures_is_late_enough(scheme, capture, right):
    """60 ns each way: a bit comes 124 ns after the host's falling edge, in whatever scheme.

    The host's own clock captures it 40 or 140 ns after the rising edge 10 ns before; one that comes
    back with the bit, 6 ns after it.
    """
    far = {"barrier.forward.delay": "60 ns", "barrier.return.delay": "60 ns"}
    said = unjudged(serial(far | PARITY | {"link.scheme": scheme, "host.capture": capture}))
    assert (said is None) is right


# --- what they find, and what they pass ---


@pytest.mark.parametrize(
    ("values", "width"),
    [
        (PARITY, 1),
        (CRC_3, 3),
        ({**CRC_3, "check.width": 4, "check.init": 9, "check.reflect_out": True}, 4),
    ],
)
def test_corruption_passes_as_often_as_the_code_allows(values, width):
    """All 2^n - 1 ways to be wrong, one a conversion: 2^k - 1 pass, for they are words of the code.

    Handbooks of coding, and the pure code in tests/link: an error is undetected if and only if it
    is itself a word of the code, of which there are 2^k, one of them no error.
    """
    n = 8
    patterns = [[bit for bit in range(n) if number >> bit & 1] for number in range(1, 2**n)]
    scenario = hitting(
        values | {"frame.word_bits": n - width - 1, "check.sequence_bits": 1}, patterns
    )
    block, _, found = told(scenario)
    data = [sum(bit < n - width - 1 for bit in bits) for bits in patterns]
    assert block.wrong_bits[0].tolist() == data
    assert (block.fate[0] == np.where(np.array(data) > 0, Fate.CORRUPTED, Fate.DELIVERED)).all()
    assert (~block.check_failed[0]).sum() == 2 ** (n - width) - 1
    corrupted = sum(wrong > 0 for wrong in data)
    assert found["corrupted_flagged"].count + found["corrupted_silent"].count == corrupted


@pytest.mark.parametrize("wrong", [1, 2, 3])
def test_every_error_within_the_guaranteed_distance_is_caught(wrong):
    """x^8 + x^2 + x + 1 over 16 bits of data has distance 4 (see tests/link/test_check.py)."""
    patterns = list(combinations(range(24), wrong))[:: 1 if wrong < 3 else 17]
    block, outcomes, found = told(hitting(CRC_8 | {"frame.word_bits": 16}, patterns))
    assert block.check_failed.all()
    assert outcomes["told"].all()
    assert found["silent"].count == 0
    assert found["corrupted_silent"].count == 0


def test_random_corruption_of_a_packet_passes_one_in_eight():
    """A window over the whole frame inverts each bit half the time: of 2^n patterns 2^k pass."""
    n = 3000
    values = {"conversions": n, "trigger.rate": "1 MHz", **PACKETS, **CRC_3}
    values |= {"barrier.return.overhead_bits": 0, "barrier.return.header_bits": 0}
    source = {"kind": "locked", "offset": "220 ns", "slew": "80 kV/us", "swing": "20 kV"}
    for over in ("frame", "packet"):
        more = {"check.over": over, "barrier.return.packet_bits": 4 if over == "packet" else 7}
        block, _, found = told(chain(values | more | {"transient": [source]}))
        passed = float((~block.check_failed).mean())
        expected = 1 / 8
        assert abs(passed - expected) < 4 * math.sqrt(expected * (1 - expected) / n), over
        silent, all_ = found["corrupted_silent"].count, 15 / 128
        assert abs(silent / n - all_) < 4 * math.sqrt(all_ * (1 - all_) / n), over


def test_a_packet_s_check_covers_its_data_and_itself():
    """Header, two of data, one more bit of overhead, parity, at 10 ns each and 15 ns to cross. Of
    the second packet, on the line from 1295 on, the overhead bit ends at 1350, parity at 1360."""
    n = 200
    values = {"conversions": n, "check.over": "packet", **PACKETS, **PARITY, **DROP}

    def failing(time):
        source = {"kind": "locked", "offset": f"{time - 1000} ns", "slew": "80 kV/us"}
        block = record(chain(values | {"transient": [source | {"swing": "80 V"}]}))
        assert set(block.fate[0].tolist()) <= {Fate.DELIVERED, Fate.DROPPED}
        assert np.array_equal(block.fate[0] == Fate.DROPPED, block.check_failed[0])
        assert not block.wrong_bits.any()
        return block.check_failed[0]

    alone, with_overhead = failing(1350), failing(1349)
    assert abs(alone.mean() - 0.5) < 4 * 0.5 / math.sqrt(n)
    # Whether the overhead bit is inverted as well makes no difference.
    assert np.array_equal(alone, with_overhead)
    assert not failing(1360).any()


# --- what the host does, and what is told ---


def test_a_frame_whose_check_fails_is_flagged_or_dropped():
    """Hit: data; the counter; the check bit; two bits that cancel out in the parity."""
    patterns = [[], [1], [4], [6], [0, 2], []]
    values = PARITY | {"check.sequence_bits": 2}
    block, outcomes, found = told(hitting(values, patterns))
    right, wrong, dropped = Fate.DELIVERED, Fate.CORRUPTED, Fate.DROPPED
    assert block.fate[0].tolist() == [right, wrong, right, right, wrong, right]
    assert outcomes["told"].tolist() == [False, True, True, True, False, False]
    assert (found["corrupted_flagged"].count, found["corrupted_silent"].count) == (1, 1)
    assert (found["dropped"].count, found["silent"].count) == (0, 1)
    data, none = Cause.DATA, Cause.NONE
    assert outcomes["cause"].tolist() == [none, data, none, none, data, none]

    block, outcomes, found = told(hitting(values | DROP, patterns))
    assert block.fate[0].tolist() == [right, dropped, dropped, dropped, wrong, right]
    assert outcomes["told"].tolist() == [False, True, True, True, False, False]
    assert outcomes["cause"].tolist() == [none, data, data, data, data, none]
    assert outcomes["believed"].tolist() == [0, -1, -1, -1, 4, 5]
    assert found["dropped"].count == found["lost_told"].count == 3
    assert (found["corrupted_flagged"].count, found["corrupted_silent"].count) == (0, 1)
    fates = ("delivered", "dropped", "corrupted_silent", "corrupted_flagged")
    assert sum(found[name].count for name in fates) == found["triggers"].count


def test_a_wrong_counter_is_believed_where_nothing_checks_it():
    """Conversion 1 says 0 for 1, and conversion 2 then comes after 0: both show a gap."""
    values = {"check.sequence_bits": 2, "host.realign": "sequence"}
    block, outcomes, found = told(hitting(values, [[], [5], [], []]))
    assert block.counter_error[0].tolist() == [0, 1, 0, 0]
    assert outcomes["told"].tolist() == [False, True, True, False]
    assert outcomes["believed"].tolist() == [0, 1, 2, 3]
    assert found["silent"].count == 0


def test_two_lanes_whose_counters_differ():
    """The window meets the first bit of the counter on both lanes, and the draws take one."""
    values = {"frame.lanes": 2, "check.sequence_bits": 1, "barrier.upset": 0.5}
    block, _, _ = told(hitting(values, [[4]] * 200))
    hit = block.hit[0] > 0
    assert (block.fate == Fate.DELIVERED).all()
    one_of_two = block.check_failed[0].mean()
    assert abs(one_of_two - 0.5) < 4 * 0.5 / math.sqrt(200)
    assert (block.check_failed[0] <= hit).all()
    assert (hit & ~block.check_failed[0]).sum() == block.counter_error[0][
        ~block.check_failed[0]
    ].sum()


#: Conversion 10 says 1010; see test_transients.
COUNTED = {"conversions": 12, **RETURN, "fifo.release_bits": 2}


@pytest.mark.parametrize("kind", [{}, PARITY])
def test_a_short_frame_is_told_whatever_its_check_says(kind):
    """Without its first strobe the frame ends short, behind the release: what is missing is 0."""
    block, outcomes, found = told(chain(at(COUNTED | kind, 11241 * NS, swing=80)))
    assert block.fate[0, 10] == Fate.CORRUPTED
    assert block.check_failed[0].tolist() == [False] * 10 + [True, False]
    assert outcomes["cause"][10] == Cause.STROBE
    assert found["corrupted_flagged"].count == 1
    if kind:
        assert told(chain(at(COUNTED | kind | DROP, 11241 * NS, swing=80)))[0].fate[0, 10] == 7


def test_a_slip_moves_the_check_bits_too():
    """A receiver that only counts: each frame from conversion 5 on has its last place filled by the
    next one's first bit. Of 0101 p: what comes is 1 0 1 p and the next first bit, 0; and so on."""
    values = {"conversions": 12, **RETURN, "fifo.realign": "never", **PARITY}
    block, outcomes, _ = told(chain(at(values, 6241 * NS, swing=80)))
    sent = [[*map(int, f"{k:04b}"), bin(k).count("1") % 2] for k in range(12)]
    line = [bit for k in range(5, 12) for bit in sent[k]][1:]
    got = [line[5 * k : 5 * k + 5] for k in range(6)]
    assert block.fate[0].tolist() == [0] * 5 + [Fate.CORRUPTED] * 6 + [Fate.IN_FLIGHT]
    assert block.check_failed[0, 5:11].tolist() == [sum(one) % 2 == 1 for one in got]
    wrong = [
        sum(a != b for a, b in zip(g[:4], s[:4], strict=True))
        for g, s in zip(got, sent[5:11], strict=True)
    ]
    assert block.wrong_bits[0, 5:11].tolist() == wrong
    assert outcomes["cause"][5:11].tolist() == [Cause.STROBE] + [Cause.SLIP] * 5


# --- where the host clocks the converter ---


def test_a_check_that_a_host_reads_from_the_converter():
    """Bit i is launched 20 ns after bit i - 1; 10 ns out, valid 4 ns later, 12 ns to cross. Bits 3
    and 4 are the check's of 3 bits of data."""
    values = {**RETURN, "check.kind": "crc", "check.width": 2, "check.polynomial": 1}
    start = int(record(serial(values)).read_start[0, 0])
    for bit, fate in ((1, Fate.CORRUPTED), (4, Fate.DELIVERED)):
        hit = at(values, start + (20 * bit + 18) * NS, swing=80)
        block, outcomes, _ = told(serial(hit))
        assert (block.fate[0, 0], block.check_failed[0, 0]) == (fate, True)
        assert outcomes["told"][0]
        assert outcomes["cause"][0] == (Cause.DATA if bit == 1 else Cause.NONE)
        assert told(serial(hit | DROP))[0].fate[0, 0] == Fate.DROPPED


def test_a_lost_clock_pulse_slips_the_word():
    """Without pulse 0 each later bit is the one before it: of 101 and parity 0 comes 1 1 0 1."""
    values = {"conversions": 6, **FORWARD, **PARITY, "trigger.rate": "1 MHz"}
    plain = record(serial(values))
    start = int(plain.read_start[0, 5])
    block, outcomes, _ = told(serial(at(values, start + 12 * NS, swing=80)))
    assert block.fate[0].tolist() == [0] * 5 + [Fate.CORRUPTED]
    assert outcomes["cause"][5] == Cause.CLOCK
    assert block.wrong_bits[0, 5] == 2
    assert bool(block.check_failed[0, 5]) == (sum([1, 1, 0, 1]) % 2 == 1)


def test_a_lost_edge_of_busy_is_the_cause_of_what_it_costs():
    block, outcomes, _ = told(serial(at({"conversions": 2, **RETURN}, 1011 * NS)))
    assert block.fate[0].tolist() == [Fate.OVERRUN, Fate.DELIVERED]
    assert outcomes["cause"].tolist() == [Cause.BUSY, Cause.NONE]


# --- triggers that are missed, or never come ---


def test_a_missed_trigger_shifts_later_words_until_the_host_is_put_right():
    """Two triggers at once in a while: the second is missed. See tests/figures/test_association."""
    values = {"conversions": 300, "trigger.rate": "1 MHz", "fifo.depth": 4}
    values["trigger.jitter"] = {"shape": "uniform", "low": "-450 ns", "high": "450 ns"}
    values["host.clock"] = "100 MHz"
    for realign, bits in (("never", 0), ("idle", 0), ("sequence", 3)):
        more = {"host.realign": realign, "check.sequence_bits": bits}
        block, outcomes, found = told(chain(values | more))
        missed = block.fate[0] == Fate.MISSED_TRIGGER
        assert missed.sum() > 2
        read = ~missed
        shift = np.arange(300)[read] - outcomes["believed"][read]
        if realign == "never":
            assert shift.tolist() == np.cumsum(missed)[read].tolist()
        elif realign == "idle":
            assert 0 < (shift > 0).sum() < len(shift)
        else:
            assert not shift.any()
            assert found["silent"].count == 0
            assert outcomes["told"][:-1][missed[:-1]].all()


def test_the_counter_stands_in_the_frame_that_is_sent():
    """Conversions 1 and 2 of five: a trigger lost on its way is not counted, one missed is."""
    values = {"conversions": 5, "check.sequence_bits": 3, **FORWARD}
    scenario = chain(at(values, 2005 * NS))
    made = Chain(scenario, 0, blank(scenario, 0, words=False))
    made.run()
    assert made.trial.counters.tolist() == [0, 0, 1, 2, 3]
    assert made.trial.sent(2, 0) == [0, 0, 1, 0, 0, 0, 1]


def test_immunity_above_every_slew_leaves_the_records_as_they_are():
    values = {"conversions": 30, **CRC_8, "check.sequence_bits": 4}
    values["transient"] = [{"kind": "poisson", "rate": "5 MHz", **EDGE}]
    calm = record(chain(values | {"transient": None}))
    assert record(chain(values | {"barrier.slew_immunity": "90 kV/us"})).same_as(calm)
