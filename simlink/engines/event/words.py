"""What the words of a trial say where that is given, and what the host reads of them."""

from __future__ import annotations

from collections.abc import Callable

from simlink.engines.event.apart import Apart
from simlink.link import content
from simlink.scenario.schema import Scenario

#: The word of a conversion, lane and position that was sampled at an instant in fs.
Code = Callable[[int, int, int, int], int]


class Words:
    """What the converter gives, and what the host reads on one lane."""

    def __init__(self, scenario: Scenario, code: Code, lane: int) -> None:
        self.width = scenario.frame.word_bits
        self.places = range(scenario.frame.words_per_lane)
        self.code, self.lane = code, lane
        #: Conversions whose first bit the remote master captured too early.
        self.early: set[int] = set()
        #: When frames of no conversion were sampled, by their index, in fs.
        self.apertures: dict[int, int] = {}
        #: By conversion, the words of the lane as the host read them, where bits may be wrong.
        self.read: dict[int, list[int]] = {}

    def bits(self, index: int, lane: int, aperture: int) -> list[int]:
        """Return the bits of a lane's words, of a conversion sampled at an instant in fs."""
        codes = (self.code(index, lane, position, aperture) for position in self.places)
        return content.bits(codes, self.width)

    def keep(self, index: int, apart: Apart | None, bits: list[int]) -> None:
        """Keep the words that bits of the lane, as read, make up: of a conversion, or apart."""
        found = content.values(bits[: len(self.places) * self.width], self.width)
        if apart is None:
            self.read[index] = found
        else:
            apart.words = found
