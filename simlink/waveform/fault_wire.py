"""The fault line, as a wire of a dump: it rises as a report arrives, and falls after a read."""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from typing import TYPE_CHECKING

from simlink.base.instants import FAR, NEVER
from simlink.link.fault_line import FaultLine, falls

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario


class FaultWire:
    """Gives the edges of a unit's fault line, in order, each once, as the host's reads end.

    Parameters
    ----------
    scenario : Scenario
        With a fault line.
    trial : int
        Which unit.
    """

    def __init__(self, scenario: Scenario, trial: int) -> None:
        self._line = FaultLine(scenario, trial)
        #: Reports that have not arrived; those that have and after which no read has ended yet.
        self._coming: deque[tuple[int, int]] = deque()
        self._open: list[tuple[int, int]] = []
        #: Reads that ended since edges were given.
        self._reads: list[int] = []
        self._level = 0
        #: When the line falls, of the reports after which a read has ended.
        self._falls = NEVER

    def read_ended(self, time: int) -> None:
        """Note that a read of the host ends, in fs."""
        self._reads.append(time)

    def edges(self, until: int) -> list[tuple[int, int]]:
        """Return the edges up to an instant, as (fs, level); what was given before is left out.

        Every read that ended before it must have been noted.
        """
        self._coming += self._line.take_before(until + 1)
        found = []
        while True:
            self._settle()
            comes = self._coming[0][0] if self._coming else FAR
            gone = FAR if self._open else self._falls
            if self._level and gone < comes:
                if gone > until:
                    break
                self._level = 0
                found.append((gone, 0))
            elif comes <= until:
                self._open.append(self._coming.popleft())
                if not self._level:
                    self._level, self._falls = 1, NEVER
                    found.append((comes, 1))
            else:
                break
        # A report still open arrived after all of them, and one to come arrives later.
        self._reads.clear()
        return found

    def _settle(self) -> None:
        left = []
        for rises, hold in self._open:
            place = bisect_right(self._reads, rises)
            if place == len(self._reads):
                left.append((rises, hold))
            else:
                self._falls = max(self._falls, falls(rises, hold, self._reads[place]))
        self._open = left

    def level_at(self, time: int) -> int:
        """Return the level at an instant, in fs; all edges up to it are given by that."""
        self.edges(time)
        return self._level
