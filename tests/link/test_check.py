"""Check bits against catalogued values and what a code guarantees; sequence bits by hand."""

from __future__ import annotations

from itertools import combinations, product

import pytest

from simlink.link import check
from simlink.link.check import Crc
from simlink.scenario.sections import Check
from tests.engines.chain import chain

OCTETS = [bit for octet in b"123456789" for bit in check.as_bits(octet, 8)]
PLAIN = Crc(8, 0x07)


@pytest.mark.parametrize(
    ("crc", "value"),
    [
        (Crc(3, 0x3, xor_out=0x7), 0x4),
        (Crc(5, 0x05, 0x1F, True, True, 0x1F), 0x19),
        (PLAIN, 0xF4),
        (Crc(15, 0x4599), 0x059E),
        (Crc(16, 0x1021, 0xFFFF), 0x29B1),
        (Crc(16, 0x8005, 0, True, True), 0xBB3D),
        (Crc(16, 0x1021, 0xFFFF, True, True, 0xFFFF), 0x906E),
        (Crc(32, 0x04C11DB7, 0xFFFFFFFF, True, True, 0xFFFFFFFF), 0xCBF43926),
        (Crc(32, 0x04C11DB7, 0xFFFFFFFF, False, False, 0xFFFFFFFF), 0xFC891918),
    ],
)
def test_catalogued_check_values(crc, value):
    """The check values of "123456789" in the Catalogue of parametrised CRC algorithms (G. Cook):
    CRC-3/GSM, -5/USB, -8/SMBUS, -15/CAN, -16/IBM-3740 (CCITT-FALSE), -16/ARC, -16/IBM-SDLC,
    -32/ISO-HDLC and -32/BZIP2; from memory."""
    assert crc.value(OCTETS) == value


def shifted(crc: Crc, bits: list[int]) -> int:
    """Return the register after bits have been shifted through it one by one."""
    register, top = crc.init, 1 << (crc.width - 1)
    for bit in bits:
        out = bool(register & top) ^ bool(bit)
        register = (register << 1) & ((1 << crc.width) - 1)
        register ^= crc.polynomial if out else 0
    return register


@pytest.mark.parametrize("crc", [PLAIN, Crc(8, 0x2F, 0xFF), Crc(16, 0x1021, 0xFFFF), Crc(3, 3, 5)])
@pytest.mark.parametrize("length", [0, 1, 2, 7, 8, 9, 14, 18, 33])
def test_any_number_of_bits_is_divided(crc, length):
    """Not only whole octets: as a register does that shifts them through one by one."""
    bits = (OCTETS * 2)[:length]
    assert crc.value(bits) == shifted(crc, bits)


def test_a_last_group_of_few_bits_is_turned_as_octets_are():
    turned = Crc(8, 0x07, reflect_in=True)
    assert turned.value([1, 0, 0, 0, 0, 0, 0, 0, 1, 1, 0]) == shifted(
        PLAIN, [0, 0, 0, 0, 0, 0, 0, 1, 0, 1, 1]
    )


def syndromes(crc: Crc, data_bits: int) -> list[int]:
    """Return what one wrong bit does to the check, for each bit of data and check in turn."""
    found = []
    for place in range(data_bits):
        error = [0] * data_bits
        error[place] = 1
        found.append(crc.value(error))
    return found + [1 << place for place in range(crc.width - 1, -1, -1)]


def fewest_unseen(crc: Crc, data_bits: int) -> int:
    """Return the fewest wrong bits that can go undetected, as far as 4; 5 for more."""
    single = syndromes(crc, data_bits)
    if 0 in single:
        return 1
    if len(set(single)) < len(single):
        return 2
    pairs: dict[int, int] = {}
    known = set(single)
    four = False
    for one, other in combinations(single, 2):
        both = one ^ other
        if both in known:
            return 3
        four = four or both in pairs
        pairs[both] = 1
    return 4 if four else 5


def test_the_guaranteed_distance_of_polynomial_0x07():
    """x^8 + x^2 + x + 1 finds any 3 wrong bits in up to 119 bits of data and no longer
    (P. Koopman and T. Chakravarty, DSN 2004, "Cyclic Redundancy Code (CRC) Polynomial Selection
    for Embedded Networks", from memory: HD 4 to 119 bits)."""
    assert fewest_unseen(PLAIN, 119) == 4
    assert fewest_unseen(PLAIN, 120) == 2


def law(**values) -> Check:
    return Check(**values)


CRC_8 = {"kind": "crc", "width": 8, "polynomial": 0x07}


@pytest.mark.parametrize(
    ("values", "data", "width"),
    [
        ({"kind": "parity"}, 7, 1),
        ({"kind": "parity", "sequence_bits": 2}, 6, 1),
        ({"kind": "crc", "width": 3, "polynomial": 3}, 8, 3),
        ({"kind": "crc", "width": 4, "polynomial": 3, "init": 15, "reflect_out": True}, 7, 4),
        ({"kind": "crc", "width": 5, "polynomial": 5, "sequence_bits": 1}, 5, 5),
    ],
)
def test_random_corruption_passes_as_often_as_the_code_allows(values, data, width):
    """Of the 2^n - 1 ways to be wrong, 2^k - 1 are other words of the code: all are tried."""
    one = law(**values)
    sent = check.framed(one, [1, 0, 1, 1, 0, 0, 1, 0][:data], 5)
    n = data + one.sequence_bits + width
    assert len(sent) == n
    assert not check.fails(one, sent)
    unseen = 0
    for error in product((0, 1), repeat=n):
        if any(error):
            unseen += not check.fails(one, [a ^ b for a, b in zip(sent, error, strict=True)])
    assert unseen == 2 ** (n - width) - 1


@pytest.mark.parametrize("wrong", [1, 2, 3])
def test_every_error_within_the_guaranteed_distance_is_caught(wrong):
    one = law(**CRC_8, sequence_bits=2)
    sent = check.framed(one, [1, 0, 1, 1, 0, 0, 1, 0, 1, 1, 1, 1, 0, 0, 0, 1], 6)
    assert len(sent) == 26
    for places in combinations(range(26), wrong):
        received = [bit ^ (place in places) for place, bit in enumerate(sent)]
        assert check.fails(one, received)


def test_a_frame_of_a_scenario_carries_its_words_a_counter_and_a_check_of_it_all():
    """Two lanes of one 4-bit word: lane 1 of conversion 2 has the number 5, with 6 behind it."""
    counted = {"frame.lanes": 2, "frame.content": "counter", "check.sequence_bits": 3}
    over_all = chain(counted | {"check.kind": "parity"})
    assert check.sent(over_all, 0, 2, 1, 6) == [0, 1, 0, 1, 1, 1, 0, 0]
    assert check.sent(over_all, 0, 2, 0, 6) == [0, 1, 0, 0, 1, 1, 0, 1]
    assert check.sent(over_all, 0, 1, 1, 6) == [0, 0, 1, 1, 1, 1, 0, 0]
    packets = {
        "barrier.return.style": "packets",
        "barrier.return.packet_bits": 4,
        "barrier.return.line_rate": "100 Mbit/s",
        "check.over": "packet",
    }
    of_packets = chain(counted | packets | {"check.kind": "parity"})
    assert check.sent(of_packets, 0, 2, 1, 6) == [0, 1, 0, 1, 1, 1, 0]


def test_what_a_lane_sends():
    """Data 1011, counter 6 modulo 4 = 2, and a bit that makes the number of ones even."""
    one = law(kind="parity", sequence_bits=2)
    assert check.framed(one, [1, 0, 1, 1], 6) == [1, 0, 1, 1, 1, 0, 0]
    assert check.framed(law(sequence_bits=3), [1], 9) == [1, 0, 0, 1]
    assert check.framed(law(), [1, 0], 9) == [1, 0]
    assert not check.fails(law(), [1, 1])


@pytest.mark.parametrize("bits", [1, 2, 3])
def test_a_counter_tells_of_fewer_losses_than_it_has_values(bits):
    """2^n losses in a row bring it round to where it would have been without."""
    for lost in range(2**bits + 1):
        found = check.counter(bits, 5 + lost)
        expected = check.counter(bits, 5)
        assert (found - expected) % 2**bits == (0 if lost == 2**bits else lost)


def test_without_a_counter_nothing_is_told():
    assert check.counter(0, 9) == check.counter(0, 5) == 0
