"""The fault line, as a wire of a dump: it rises as a report arrives, and falls after a read."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simlink.link.fault_line import Highs

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
        self._highs = Highs(scenario, trial)
        #: Reads that ended since edges were given.
        self._reads: list[int] = []
        self._level = 0

    def read_ended(self, time: int) -> None:
        """Note that a read of the host ends, in fs."""
        self._reads.append(time)

    def edges(self, until: int) -> list[tuple[int, int]]:
        """Return the edges up to an instant, as (fs, level); what was given before is left out.

        Every read that ended before it must have been noted.
        """
        self._highs.take(self._reads, until + 1)
        # A report after which none has ended arrived after all of them, and later ones do.
        self._reads.clear()
        found: list[tuple[int, int]] = []
        for rises, falls in self._highs.stretches:
            if rises > until:
                break
            if not self._level:
                found.append((rises, 1))
            self._level = int(falls > until)
            if not self._level:
                found.append((falls, 0))
        self._highs.forget(until)
        return found

    def level_at(self, time: int) -> int:
        """Return the level at an instant, in fs; all edges up to it are given by that."""
        self.edges(time)
        return self._level
