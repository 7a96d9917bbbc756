"""Check and sequence bits: what a lane's frame carries beside its data, and what they tell.

A lane sends its data, then its sequence bits, then its check bits, which cover both. A check of
packets covers the data of each, sequence bits among it, and follows it on the line.

The counter counts the triggers that come to the converter, missed ones too. One of conversions
started could never tell of a missed trigger: it stands still as the host expects of it, and every
later frame would be taken for the trigger before its own. Of a trigger that is lost on its way to
the converter this one does not tell either, but the host's own count of triggers sent does, as
soon as the link is idle (`simlink.figures.association`). An edge that nobody sent is a trigger to
the converter, and counts.

A CRC is the remainder of a division of polynomials over GF(2) (W. W. Peterson and D. T. Brown,
Proc. IRE 49, 1961, from memory), with the parameters by which it is catalogued; it may cover any
number of bits.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

from simlink.link import content

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario
    from simlink.scenario.sections import Check


@dataclass(frozen=True)
class Crc:
    """A cyclic redundancy check, by the parameters that catalogues give."""

    #: Check bits.
    width: int
    #: Without its highest term, the next one first.
    polynomial: int
    #: What the register holds at first.
    init: int = 0
    #: Whether each octet of the data enters with its last bit first. A last group of fewer than
    #: eight bits is turned likewise.
    reflect_in: bool = False
    #: Whether the remainder is sent with its last bit first.
    reflect_out: bool = False
    #: What is added to it, modulo 2, before it is sent.
    xor_out: int = 0

    @cached_property
    def _register(self) -> Any:
        from crccheck.crc import Crc as Register

        return Register(self.width, self.polynomial, 0, False, False, 0)

    def value(self, bits: list[int]) -> int:
        """Return the check value of bits given in the order of the line, 0 to 2^width - 1.

        The register is fed whole octets, from all zeros, which leading zeros do not change. What
        it holds at first is the same as that value added, modulo 2, to the first bits of the data.
        """
        bits = fed(bits, self.reflect_in)
        dividend = (as_number(bits) << self.width) ^ (self.init << len(bits))
        high, low = dividend >> self.width, dividend & ((1 << self.width) - 1)
        octets = high.to_bytes((high.bit_length() + 7) // 8, "big")
        remainder = int(self._register.reset().process(octets).final()) ^ low
        if self.reflect_out:
            remainder = turned(remainder, self.width)
        return remainder ^ self.xor_out


def fed(bits: Sequence[int], reflect_in: bool) -> list[int]:
    """Return bits in the order in which they enter the register."""
    if not reflect_in:
        return list(bits)
    return [bit for at in range(0, len(bits), 8) for bit in reversed(bits[at : at + 8])]


def turned(number: int, width: int) -> int:
    """Return a number of so many bits with its last bit first."""
    return as_number(as_bits(number, width)[::-1])


def as_number(bits: list[int]) -> int:
    """Return the number that bits make up, most significant first; 0 for none."""
    return int("".join(map(str, bits)), 2) if bits else 0


def as_bits(number: int, width: int) -> list[int]:
    """Return a number as ``width`` bits, most significant first."""
    return [number >> place & 1 for place in range(width - 1, -1, -1)]


def check_bits(law: Check, bits: list[int]) -> list[int]:
    """Return the check bits that follow bits; even parity makes the number of ones even.

    Parameters
    ----------
    law : Check
        Of the scenario.
    bits : list of int
        Data and sequence bits, in the order of the line.
    """
    if law.kind == "parity":
        return [sum(bits) % 2]
    if law.kind == "none":
        return []
    assert law.width is not None
    assert law.polynomial is not None
    crc = Crc(
        law.width, law.polynomial, law.init, law.reflect_in, law.reflect_out, law.xor_out
    )  # fmt: skip
    return as_bits(crc.value(bits), law.width)


def framed(law: Check, data: list[int], counter: int) -> list[int]:
    """Return data with its sequence bits and its check bits, in the order of the line.

    Parameters
    ----------
    law : Check
        Of the scenario.
    data : list of int
        The bits of the lane's words.
    counter : int
        How many triggers came to the converter before the one of this frame, missed ones too.
    """
    bits = sequenced(law, data, counter)
    return bits + check_bits(law, bits)


def sequenced(law: Check, data: list[int], counter: int) -> list[int]:
    """Return data with its sequence bits; see `framed`."""
    return data + as_bits(counter % (1 << law.sequence_bits), law.sequence_bits)


def sent(scenario: Scenario, trial: int, conversion: int, lane: int, counter: int) -> list[int]:
    """Return all bits of a lane's frame, in the order of the line.

    Parameters
    ----------
    scenario : Scenario
        Packets carry checks of their own beside these, if they are what is checked.
    trial, conversion, lane : int
        Whose, all from 0.
    counter : int
        As in `framed`.
    """
    return behind(scenario.check, content.lane_bits(scenario, trial, conversion, lane), counter)


def behind(law: Check, data: list[int], counter: int) -> list[int]:
    """Return data and what the frame carries behind it; packets carry checks of their own."""
    return (framed if law.over == "frame" else sequenced)(law, data, counter)


def fails(law: Check, received: list[int]) -> bool:
    """Tell whether the check says that what was received is not what was sent."""
    covered = len(received) - law.check_bits
    return check_bits(law, received[:covered]) != received[covered:]


def counter(sequence_bits: int, count: int) -> int:
    """Return what a counter of so many bits shows at a count."""
    return count % (1 << sequence_bits)
