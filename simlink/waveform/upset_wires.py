"""When common-mode events upset the channels of a direction, as a wire of a dump.

It rises as an event begins whose slew is above the unit's immunity, and falls as its window ends.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from simlink.link.transient import Upsets, Way


class UpsetWire:
    """Gives the edges of one direction's windows, in order, each once.

    Parameters
    ----------
    upsets : Upsets
        The windows of the unit.
    way : {"forward", "return"}
    """

    def __init__(self, upsets: Upsets, way: Way) -> None:
        self.upsets = upsets
        self.way: Way = way
        #: Edges that have been given: window after window its start and its end.
        self.given = 0

    def edges(self, until: int) -> list[tuple[int, int]]:
        """Return the edges up to an instant, as (fs, level); what was given before is left out.

        Windows that touch are one high.
        """
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
        return found

    def level_at(self, time: int) -> int:
        """Return the level at an instant, in fs; all edges up to it are given by that."""
        self.edges(time)
        return self.given % 2
