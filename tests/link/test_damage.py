"""What damage comes to, against the check computed over the damaged bits; counters by hand."""

from __future__ import annotations

import random

import pytest

from simlink.link import check, damage
from simlink.link.damage import Finding, Harm, Layout, judged
from simlink.scenario.sections import Check
from tests.engines.chain import chain

CRC_8 = {"kind": "crc", "width": 8, "polynomial": 0x07}


def layout(law: Check, data: int, lanes: int = 1) -> Layout:
    does = damage.syndromes(law, data + law.sequence_bits)
    return Layout(lanes, data, law.sequence_bits, len(does), does, False)


@pytest.mark.parametrize(
    "values",
    [
        {"kind": "parity"},
        {"kind": "none"},
        {"kind": "crc", "width": 1, "polynomial": 1},
        {"kind": "crc", "width": 3, "polynomial": 3, "init": 5, "xor_out": 7},
        CRC_8 | {"sequence_bits": 3},
        {
            "kind": "crc", "width": 16, "polynomial": 0x1021, "init": 0xFFFF,
            "reflect_in": True, "reflect_out": True, "xor_out": 0xFFFF,
        },
        {"kind": "crc", "width": 32, "polynomial": 0x04C11DB7, "reflect_in": True},
    ],
)  # fmt: skip
@pytest.mark.parametrize("data", [1, 8, 13, 27])
def test_damage_alone_decides_as_the_check_over_the_damaged_bits_does(values, data):
    """Whatever was sent: by the division that the catalogued values test."""
    law, draw = Check(**values), random.Random(data)
    for _ in range(40):
        sent = check.framed(law, [draw.randrange(2) for _ in range(data)], draw.randrange(9))
        wrong = {place for place in range(len(sent)) if draw.random() < 0.1}
        received = [bit ^ (place in wrong) for place, bit in enumerate(sent)]
        found = judged(layout(law, data), {(0, place) for place in wrong})
        assert found.failed == check.fails(law, received)
        assert found.wrong == sum(place < data for place in wrong)


def test_the_counter_that_the_host_takes_is_that_of_lane_0():
    """Four bits of data, then three of the counter, most significant first, on two lanes."""
    law = layout(Check(sequence_bits=3), 4, lanes=2)
    assert judged(law, [(0, 3)]) == Finding(wrong=1, failed=False, counter_error=0)
    assert judged(law, [(0, 4), (1, 4)]) == Finding(wrong=0, failed=False, counter_error=4)
    assert judged(law, [(0, 6)]) == Finding(wrong=0, failed=True, counter_error=1)
    assert judged(law, [(1, 5)]) == Finding(wrong=0, failed=True, counter_error=0)
    assert judged(layout(Check(sequence_bits=3), 4), [(0, 5)]) == Finding(0, False, 2)


def test_each_lane_has_a_check_of_its_own():
    """Two wrong bits on one lane cancel out in its parity; one on each of two do not."""
    law = layout(Check(kind="parity"), 4, lanes=2)
    assert not judged(law, [(0, 1), (0, 2)]).failed
    assert judged(law, [(0, 1), (1, 2)]).failed
    # A wrong check bit is no wrong word.
    assert judged(law, [(1, 4)]) == Finding(wrong=0, failed=True, counter_error=0)
    assert not judged(law, [(1, 0), (1, 4)]).failed


def test_a_packet_s_own_check():
    does = damage.syndromes(Check(**CRC_8), 16)
    assert damage.packet_fails(does, [3])
    assert not damage.packet_fails(does, [])
    # x^8 + x^2 + x + 1 itself, as an error, is a word of the code.
    assert not damage.packet_fails(does, [15, 21, 22, 23])


def sent(conversion, lane):
    """Return what two lanes send of two conversions."""
    frames = {6: ([0, 0, 0, 1], [1, 1, 1, 1]), 7: ([1, 0, 1, 1], [0, 1, 1, 0])}
    return frames[conversion][lane]


@pytest.mark.parametrize(
    ("harm", "left", "wrong"),
    [
        (Harm(inverted={(1, 2)}), ([1, 0, 1, 1], [0, 1, 0, 0]), {(1, 2)}),
        # A 0 that never comes is read as 0.
        (Harm(lost={(0, 1), (0, 2)}), ([1, 0, 0, 1], [0, 1, 1, 0]), {(0, 2)}),
        # What never comes does not come inverted.
        (
            Harm(lost={(0, 0)}, inverted={(0, 0), (1, 0)}),
            ([0, 0, 1, 1], [1, 1, 1, 0]),
            {(0, 0), (1, 0)},
        ),
        # A bit late, behind the last one of the frame before; one that comes inverted is right.
        (
            Harm(slipped=True, sources=[(6, 3), (7, 0), (7, 1), (7, 2)], inverted={(0, 1)}),
            ([1, 0, 0, 1], [1, 0, 1, 1]),
            {(0, 2), (1, 0), (1, 1), (1, 3)},
        ),
        # One bit short; a false strobe brings a 0 ahead of the second.
        (
            Harm(slipped=True, sources=[(7, 0), (-1, -1), (7, 2)], lost={(0, 3), (1, 3)}),
            ([1, 0, 1, 0], [0, 0, 1, 0]),
            {(0, 3), (1, 1)},
        ),
    ],
)
def test_what_is_left_of_a_frame_is_wrong_where_it_is_not_what_was_sent(harm, left, wrong):
    assert tuple(damage.bits_left(harm, 7, lane, sent) for lane in (0, 1)) == left
    assert damage.damage(harm, 7, 2, sent) == wrong
    assert sent(7, 0) == [1, 0, 1, 1]


def test_a_frame_s_layout_is_that_of_its_scenario():
    """Two words of 4 bits on each of two lanes, 2 sequence bits and a CRC of 3."""
    crc = {"kind": "crc", "width": 3, "polynomial": 3}
    keys = {"sequence_bits": 2, "on_failure": "drop", **crc}
    frame = {"frame.lanes": 2, "frame.words_per_lane": 2}
    values = frame | {f"check.{name}": value for name, value in keys.items()}
    does = damage.syndromes(Check(**crc), 10)
    assert len(does) == 13
    assert Layout.of(chain(values)) == Layout(2, 8, 2, 13, does, True)
    assert not Layout.of(chain(values | {"check.on_failure": "flag"})).drops
    packets = {
        "barrier.return.style": "packets",
        "barrier.return.packet_bits": 5,
        "barrier.return.line_rate": "100 Mbit/s",
        "check.over": "packet",
    }
    assert Layout.of(chain(values | packets)) == Layout(2, 8, 2, 10, (0,) * 10, True)
