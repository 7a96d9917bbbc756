"""What the damage to a frame comes to: which of its words are wrong, and what the host is told.

The damage is the set of places, lane and bit, that come to the host other than they were sent,
those of sequence and check bits too. A lane sends its data, its sequence bits, its check bits, in
this order. The codes are linear, so the damage alone decides whether a check fails, whatever was
sent: it fails unless what each wrong bit does to it cancels out, modulo 2.

Where the check is made: by the remote master over what it has captured, so that it does not tell
of a bit that was captured wrong there; where the host reads the converter itself, by the
converter. A frame that is closed short fails, whatever it carries. The host takes the counter of
lane 0; a frame whose lanes say different things fails as well.
"""

from __future__ import annotations

from collections.abc import Callable, Collection, Sequence
from dataclasses import dataclass, field
from functools import lru_cache

from simlink.link import check
from simlink.scenario.schema import Scenario
from simlink.scenario.sections import Check


@dataclass(frozen=True)
class Layout:
    """What stands where in a lane's frame."""

    #: How many lanes; of each, how many bits are data and how many sequence bits, and how many
    #: there are in all.
    lanes: int
    data: int
    sequence: int
    bits: int
    #: What a wrong bit in each place does to the check of the lane; 0 where there is none.
    does: tuple[int, ...]
    #: Whether the host uses no word of a frame that fails, or fails again.
    drops: bool

    @classmethod
    def of(cls, scenario: Scenario) -> Layout:
        """Return the layout of a scenario's frames."""
        law, data, bits = scenario.check, scenario.data_bits_per_lane, scenario.bits_per_lane
        does = (0,) * bits if law.over == "packet" else syndromes(law, data + law.sequence_bits)
        lanes, drops = scenario.frame.lanes, law.on_failure != "flag"
        return cls(lanes, data, law.sequence_bits, bits, does, drops)


@dataclass(slots=True)
class Harm:
    """What transients did to a frame; bits are named by lane and place."""

    #: Bits that never come, and those that came inverted.
    lost: set[tuple[int, int]] = field(default_factory=set)
    inverted: set[tuple[int, int]] = field(default_factory=set)
    #: Whether a bit is not in its own place.
    slipped: bool = False
    #: Whether it was ended short.
    closed: bool = False
    #: The conversion and the number of the bit in each place, of all lanes; None if its own.
    sources: list[tuple[int, int]] | None = None
    #: Whether a host that reads the converter never saw its busy rise.
    rise_lost: bool = False
    #: 2 to the power of each cause that applies, added up.
    hit: int = 0
    #: Whether the check of a packet failed.
    packet_failed: bool = False

    @property
    def fails(self) -> bool:
        """Whether something else than wrong bits tells that it is not as it was sent."""
        return self.closed or self.packet_failed


#: Returns all bits that a lane sends of a conversion's frame.
Sent = Callable[[int, int], list[int]]


def damage(harm: Harm, index: int, lanes: int, sent: Sent) -> set[tuple[int, int]]:
    """Return the bits of a frame, as transients leave it, that are not what its conversion sent.

    A bit that came inverted is wrong, and one in the place of another from which it differs.

    Parameters
    ----------
    harm : Harm
        What transients did to it.
    index : int
        The frame's conversion.
    lanes : int
        How many there are.
    sent : callable
        Of the conversion and the lane.

    Returns
    -------
    set of (int, int)
        Lane and bit of each.
    """
    if not harm.slipped and not harm.lost:
        return set(harm.inverted)
    found = set()
    for lane in range(lanes):
        own, there = sent(index, lane), bits_left(harm, index, lane, sent)
        found |= {(lane, place) for place, bit in enumerate(there) if bit != own[place]}
    return found


def bits_left(harm: Harm, index: int, lane: int, sent: Sent) -> list[int]:
    """Return the bits of a lane as transients leave them; a place that stays empty is read as 0.

    Parameters
    ----------
    harm, index, sent
        As in `damage`.
    lane : int
        Which.
    """
    frames = {index: sent(index, lane)}
    there = list(frames[index])
    for place, (conversion, bit) in enumerate(harm.sources or ()):
        if conversion == -1:
            # A false strobe brings a bit of 0.
            there[place] = 0
            continue
        if conversion not in frames:
            frames[conversion] = sent(conversion, lane)
        there[place] = frames[conversion][bit]
    for _, place in [one for one in harm.inverted if one[0] == lane]:
        there[place] = 1 - there[place]
    for _, place in [one for one in harm.lost if one[0] == lane]:
        there[place] = 0
    return there


@dataclass(frozen=True)
class Finding:
    """What the host has of a damaged frame."""

    #: Bits of the words that are wrong.
    wrong: int
    #: Whether the check of a lane fails, or the lanes' counters differ.
    failed: bool
    #: What is added, modulo 2, to the counter that the host takes.
    counter_error: int


def judged(layout: Layout, damage: Collection[tuple[int, int]]) -> Finding:
    """Return what the damage to a frame comes to.

    Parameters
    ----------
    layout : Layout
        Of its lanes.
    damage : collection of (int, int)
        Lane and bit of each place that is wrong, each once.
    """
    wrong = 0
    checks, counters = [0] * layout.lanes, [0] * layout.lanes
    for lane, bit in damage:
        checks[lane] ^= layout.does[bit]
        place = bit - layout.data
        if place < 0:
            wrong += 1
        elif place < layout.sequence:
            counters[lane] ^= 1 << (layout.sequence - 1 - place)
    return Finding(wrong, any(checks) or len({*counters}) > 1, counters[0])


def packet_fails(does: Sequence[int], places: Collection[int]) -> bool:
    """Tell whether a packet's own check fails.

    Parameters
    ----------
    does : sequence of int
        What a wrong bit in each place of its data and its check does, as from `syndromes`.
    places : collection of int
        Those that are wrong, each once.
    """
    found = 0
    for place in places:
        found ^= does[place]
    return found != 0


@lru_cache(maxsize=256)
def syndromes(law: Check, covered: int) -> tuple[int, ...]:
    """Return what a wrong bit in each place does to a check: of what is covered, then its own bits.

    Parameters
    ----------
    law : Check
        Of the scenario.
    covered : int
        Bits ahead of the check.

    Returns
    -------
    tuple of int, one a bit
        To be added modulo 2; the check's own bits are its digits, most significant first.
    """
    width = law.check_bits
    own = tuple(1 << place for place in range(width - 1, -1, -1))
    if law.kind != "crc":
        return (width,) * covered + own
    assert law.polynomial is not None
    found, power = [0] * covered, law.polynomial
    # The last bit that enters the register leaves the polynomial in it; one ahead of it is that
    # many powers of x above it.
    for place in reversed(check.fed(range(covered), law.reflect_in)):
        found[place] = check.turned(power, width) if law.reflect_out else power
        power = power << 1 ^ (law.polynomial | 1 << width if power >> (width - 1) else 0)
    return (*found, *own)
