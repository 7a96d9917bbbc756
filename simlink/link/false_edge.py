"""False edges: what a common-mode transient makes of a channel that carries nothing.

A window that begins while a channel carries no symbol makes an edge on it with a chance that is
given, and the edge arrives as the window begins. A symbol is on a channel after it was sent and
before it arrives; one that is sent, or arrives, at that very instant is not on it. Whether there is
an edge is drawn from the source ``false CHANNEL``, each source of transients with a column of its
own, indexed by the number of the event that opens the window.
"""

from __future__ import annotations

from simlink.base.draws import Column
from simlink.base.instants import FAR, NEVER
from simlink.link.transient import Upsets, Way, may_upset
from simlink.scenario.distributions import Uniform
from simlink.scenario.schema import Scenario

#: Draws are whole numbers up to this, so that chance is a whole number of parts, too.
PARTS = 10**12
#: Windows of one event: of a fast pulse its front and its tail.
_WINDOWS = 2
_CHUNK = 256


def carries(time: int, sent: int, arrives: int) -> bool:
    """Tell whether a symbol is on its channel at an instant; all in fs."""
    return sent < time < arrives


def channels(scenario: Scenario) -> list[tuple[Way, str]]:
    """Return the channels on which a window may make an edge: their directions and names.

    Data lines carry a level, credits and packets more than an edge: nothing is made on them.
    """
    if not scenario.barrier.false_edge:
        return []
    back, found = scenario.barrier.return_, list[tuple[Way, str]]()
    if scenario.trigger.source == "host":
        found.append(("forward", "trigger"))
    if scenario.link.scheme != "remote_master":
        found += [("return", "busy"), ("forward", "clock")]
        if scenario.link.scheme == "returned_clock":
            found.append(("return", "returned"))
    elif back.style == "bits" and back.has_strobe:
        found.append(("return", "strobe"))
    return [(way, name) for way, name in found if may_upset(scenario, way)]


class Numbered:
    """The draws of one column, looked up by their numbers in any order."""

    def __init__(self, column: Column) -> None:
        self._column = column
        self._values: list[int] = []

    def __call__(self, number: int) -> int:
        """Return the draw of a number, in base units."""
        while number >= len(self._values):
            self._values += self._column.take(_CHUNK).tolist()
        return self._values[number]


class FalseEdges:
    """The instants at which windows may make edges on one channel, in order.

    Parameters
    ----------
    scenario : Scenario
    trial : int
        Which board.
    upsets : Upsets
        Its windows.
    way : {"forward", "return"}
        Which direction the channel is of.
    channel : str
        Its name, for the source of its draws.
    """

    def __init__(
        self, scenario: Scenario, trial: int, upsets: Upsets, way: Way, channel: str
    ) -> None:
        self.upsets, self.way = upsets, way
        self._most = round(scenario.barrier.false_edge * PARTS)
        self._law = Uniform(low=0, high=PARTS)
        self._named = scenario.seed, trial, f"false {channel}"
        self._columns = len(scenario.transient) * _WINDOWS
        self._draws: dict[int, Numbered] = {}
        #: Windows before this one have been dealt with; whether the next one makes an edge.
        self._place = 0
        self._known: tuple[int, bool] = NEVER, False

    def upcoming(self, before: int) -> int | None:
        """Return when the next window starts, in fs; None if not before an instant."""
        start = self.upsets.start_of(self.way, self._place, before)
        return None if start >= FAR else start

    def take_before(self, time: int) -> list[int]:
        """Deal with the windows that start before an instant.

        Returns
        -------
        list of int, fs
            The starts of those that make an edge, if the channel carries nothing then.
        """
        found = []
        while (start := self.upsets.start_of(self.way, self._place, time)) < FAR:
            if self._makes(start):
                found.append(start)
            self._place += 1
        return found

    def comes_by(self, time: int) -> bool:
        """Tell whether a window that has not been dealt with makes an edge up to an instant."""
        place, found = self._place, False
        while not found and (start := self.upsets.start_of(self.way, place, time + 1)) < FAR:
            found = self._makes(start)
            place += 1
        return found

    def first(self, after: int, upto: int) -> int:
        """Return the first window that starts after an instant and makes an edge, in fs.

        Its direction's windows may be let go meanwhile.

        Returns
        -------
        int
            `FAR` if none starts up to the second instant.
        """
        for start in self.upsets.since(self.way, after, upto + 1)[0]:
            if start > after and self._makes(start):
                return start
        return FAR

    def _makes(self, start: int) -> bool:
        """Tell whether the window that starts at an instant makes an edge."""
        if self._most >= PARTS:
            return True
        if self._known[0] != start:
            source, number, part = self.upsets.event_of(self.way, start)
            column = source * _WINDOWS + part
            if column not in self._draws:
                self._draws[column] = Numbered(
                    Column(self._law, *self._named, self._columns, column)
                )
            self._known = start, self._draws[column](number) < self._most
        return self._known[1]
