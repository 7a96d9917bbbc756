"""What the words say: each conversion's words have values, so that a wrong bit shows in them.

``counter`` counts words; ``random`` gives each word a value of its own that depends on the seed,
the trial and its place alone. A bit captured too early is the one before it on the line (the line
rests at 0 before bit 0), one captured too late is the one after it, and one captured while the
line changes, or too close to it, is taken for the worst: wrong.
"""

from __future__ import annotations

from collections.abc import Container, Iterable, Mapping
from enum import IntEnum
from typing import Any

from simlink.scenario.schema import Scenario

_MASK = 2**64 - 1


class BitOutcome(IntEnum):
    """Which bit a capture gave."""

    RIGHT = 0
    PREVIOUS = 1
    NEXT = 2
    METASTABLE = 3


def word(scenario: Scenario, trial: int, conversion: int, lane: int, position: int) -> int:
    """Return the value of one word, 0 to 2^word_bits - 1.

    Parameters
    ----------
    scenario : Scenario
        Its frame says how words are filled.
    trial, conversion, lane, position : int
        Which word, all from 0.
    """
    frame = scenario.frame
    number = conversion * scenario.words + lane * frame.words_per_lane + position
    value: int = value_of(frame.content == "random", seed_of(scenario, trial), number)
    return value & ((1 << frame.word_bits) - 1)


def seed_of(scenario: Scenario, trial: int) -> int:
    """Return what the values of a trial's words are drawn by."""
    found: int = mixed(mixed(scenario.seed) ^ trial)
    return found


def value_of(random: bool, seed: Any, number: Any) -> Any:
    """Return the value of the word of a number, of which a word takes the lowest bits."""
    return mixed(seed ^ number) if random else number


def mixed(value: Any) -> Any:
    """Spread a number over 64 bits (the finaliser of SplitMix64; Steele et al., OOPSLA 2014)."""
    value = (value + 0x9E3779B97F4A7C15) & _MASK
    value = ((value ^ (value >> 30)) * 0xBF58476D1CE4E5B9) & _MASK
    value = ((value ^ (value >> 27)) * 0x94D049BB133111EB) & _MASK
    return value ^ (value >> 31)


def lane_bits(scenario: Scenario, trial: int, conversion: int, lane: int) -> list[int]:
    """Return the bits of one lane's frame in the order of the line, most significant first."""
    frame = scenario.frame
    places = range(frame.words_per_lane)
    words = (word(scenario, trial, conversion, lane, position) for position in places)
    return bits(words, frame.word_bits)


def bits(words: Iterable[int], width: int) -> list[int]:
    """Return the bits of words of ``width`` bits each, most significant first."""
    return [value >> place & 1 for value in words for place in range(width - 1, -1, -1)]


def received(sent: list[int], outcomes: Mapping[int, BitOutcome]) -> list[int]:
    """Return the bits as they were captured.

    Parameters
    ----------
    sent : list of int
        The bits of a lane's frame.
    outcomes : mapping of int to BitOutcome
        Of each bit; those left out are right.
    """
    found = []
    for place, bit in enumerate(sent):
        how = outcomes.get(place, BitOutcome.RIGHT)
        if how is BitOutcome.PREVIOUS:
            bit = sent[place - 1] if place else 0
        elif how is BitOutcome.NEXT:
            bit = sent[place + 1] if place + 1 < len(sent) else 0
        elif how is BitOutcome.METASTABLE:
            bit = 1 - bit
        found.append(bit)
    return found


def read(
    sent: list[int], outcomes: Mapping[int, BitOutcome], inverted: Container[int], came: int
) -> list[int]:
    """Return the bits of a lane's frame as a host that clocks the converter has them.

    Parameters
    ----------
    sent, outcomes
        As in `received`.
    inverted : container of int
        The places whose bits came inverted.
    came : int
        How many bits were captured at all; those after them are read as 0.
    """
    return [
        bit ^ (place in inverted) if place < came else 0
        for place, bit in enumerate(received(sent, outcomes))
    ]


def misread(
    sent: list[int], outcomes: Mapping[int, BitOutcome], inverted: Container[int], came: int
) -> set[int]:
    """Return the places whose bits `read` gives other than they were sent."""
    found = read(sent, outcomes, inverted, came)
    return {place for place, bit in enumerate(sent) if bit != found[place]}


def values(bits: list[int], width: int) -> list[int]:
    """Return the words that bits of a lane make up, each of ``width`` bits."""
    return [
        int("".join(map(str, bits[first : first + width])), 2)
        for first in range(0, len(bits), width)
    ]
