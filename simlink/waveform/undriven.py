"""Wires of a dump that no part drives: when channels are upset, and the fault line."""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import TYPE_CHECKING

from simlink.link.fault_line import Highs

if TYPE_CHECKING:
    from simlink.link.transient import Upsets, Way
    from simlink.scenario.schema import Scenario


class Wire(ABC):
    """Gives its edges in order, each once."""

    level = 0

    @abstractmethod
    def edges(self, until: int) -> list[tuple[int, int]]:
        """Return the edges up to an instant, as (fs, level); what was given before is left out."""

    def level_at(self, time: int) -> int:
        """Return the level at an instant, in fs; all edges up to it are given by that."""
        self.edges(time)
        return self.level


class UpsetWire(Wire):
    """When common-mode events upset the channels of a direction of a unit.

    It rises as an event begins whose slew is above the unit's immunity, and falls as its window
    ends. Windows that touch are one high.
    """

    def __init__(self, upsets: Upsets, way: Way) -> None:
        self.upsets = upsets
        self.way: Way = way
        #: Edges that have been given: window after window its start and its end.
        self.given = 0

    def edges(self, until: int) -> list[tuple[int, int]]:
        """Return the edges up to an instant."""
        starts, ends = self.upsets.windows(self.way, until + 1)
        found: list[tuple[int, int]] = []
        while self.given < 2 * len(starts):
            place, falls = divmod(self.given, 2)
            time = ends[place] if falls else starts[place]
            if time > until:
                break
            self.given += 1
            if found and not falls and found[-1] == (time, 0):
                found.pop()
            else:
                found.append((time, 1 - falls))
        self.level = self.given % 2
        return found


class FaultWire(Wire):
    """A unit's fault line: it rises as a report arrives, and falls after a read of the host."""

    def __init__(self, scenario: Scenario, trial: int) -> None:
        self._highs = Highs(scenario, trial)
        #: Reads that ended since edges were given.
        self._reads: list[int] = []

    def read_ended(self, time: int) -> None:
        """Note that a read of the host ends, in fs."""
        self._reads.append(time)

    def edges(self, until: int) -> list[tuple[int, int]]:
        """Return the edges up to an instant; every read that ended before it must be noted."""
        self._highs.take(self._reads, until + 1)
        # A report after which none has ended arrived after all of them, and later ones do.
        self._reads.clear()
        found: list[tuple[int, int]] = []
        for rises, falls in self._highs.stretches:
            if rises > until:
                break
            if not self.level:
                found.append((rises, 1))
            self.level = int(falls > until)
            if not self.level:
                found.append((falls, 0))
        self._highs.forget(until)
        return found
