"""The fault line: when it tells the host of common-mode events.

An event whose slew is above the unit's threshold sends a report across the barrier, a response
after the instant at which it slews faster. The report crosses a channel of its own, with the delay,
the skews and the jitter of the return direction; no upset hits it. As it arrives the line rises at
the host, or stays high; it falls once the report's hold is over and a read of the host that was
under way then, or that begins later, has ended, whichever is later. It stays high where no read
ends any more. A line that rises as a read ends rises after it.

Response and hold are drawn for each event, from the sources ``fault.response`` and ``fault.hold``,
the jitter from ``barrier.return.jitter fault``, each with a column of its own for every source of
transients, indexed by the number of the event; the threshold once a board.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any, NamedTuple

from simlink.base.draws import Column, once
from simlink.base.instants import FAR, NEVER
from simlink.link.channel import arrives_at, fixed_part, stream
from simlink.link.common_mode import Events

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario


def falls(rises: int, hold: int, read_ends: int) -> int:
    """Return when the line falls that a report has raised; all in fs.

    Parameters
    ----------
    rises, hold : int
        When the report arrives, and how long it holds the line.
    read_ends : int
        When the first read ends that ends after that; `FAR` if none does.
    """
    held = rises + hold
    return held if held > read_ends else read_ends


def is_flagged(since: Any, until: Any, rises: Any, falls: Any) -> Any:
    """Tell whether the line is high at any time between two instants; touching is not being so.

    Of whole numbers of fs, and of arrays alike.
    """
    return (rises < until) & (falls > since)


def has_line(scenario: Scenario) -> bool:
    """Tell whether there is a fault line, and anything that could raise it."""
    return scenario.fault.threshold is not None and bool(scenario.transient)


def crossing_of(scenario: Scenario, trial: int) -> int:
    """Return the fixed part of the fault channel's crossing in one unit, of a rising edge, in fs.

    As `unit.build` has it of the other channels.
    """
    way, seed = scenario.barrier.direction("return"), scenario.seed
    key = stream("return", "channel_skew", "fault")
    # A list of skews names the lanes alone.
    skew = 0 if isinstance(way.channel_skew, tuple) else once(way.channel_skew, seed, trial, key)
    found: int = fixed_part(
        way,
        once(way.delay, seed, trial, stream("return", "delay")),
        once(way.part_to_part_skew, seed, trial, stream("return", "part_to_part_skew")),
        skew,
    )
    return found


class _Reports:
    """The reports of one source's events, in the order of the events."""

    def __init__(self, scenario: Scenario, number: int, trial: int, threshold: int) -> None:
        self.events = Events(scenario, number, trial)
        self._threshold = threshold
        laws = {
            "fault.response": scenario.fault.response,
            "fault.hold": scenario.fault.hold,
            "barrier.return.jitter fault": scenario.barrier.direction("return").jitter,
        }
        sources = len(scenario.transient)
        self._draws = [
            Column(law, scenario.seed, trial, name, sources, number) for name, law in laws.items()
        ]

    def take(self) -> list[tuple[int, int, int, int]]:
        """Return of the next reports when each is sent, its hold, jitter and event, in fs."""
        times, events = self.events.take()
        if not times:
            return []
        drawn = (column.take(len(times)).tolist() for column in self._draws)
        found = []
        for time, event, response, hold, jitter in zip(times, events, *drawn, strict=True):
            above = self.events.lasting(event, self._threshold)
            if above:
                found.append((min(time + above[0][0] + response, FAR), hold, jitter, time))
        return found


class Report(NamedTuple):
    """A report: when it arrives at the host, how long it holds the line, and of what, in fs."""

    rises: int
    hold: int
    #: When the event began that it tells of.
    event: int


class FaultLine:
    """What the fault line of one board does at the host.

    Parameters
    ----------
    scenario : Scenario
        With a fault line.
    trial : int
        Which unit.
    """

    def __init__(self, scenario: Scenario, trial: int) -> None:
        law = scenario.fault.threshold
        assert law is not None
        threshold = once(law, scenario.seed, trial, "fault.threshold")
        self._static = crossing_of(scenario, trial)
        self._sources = [
            _Reports(scenario, number, trial, threshold)
            for number in range(len(scenario.transient))
        ]
        #: Reports that may have others ahead of them: when sent, source, place, hold, jitter,
        #: event.
        self._sent: list[tuple[int, ...]] = []
        self._taken = 0
        self._ahead = NEVER

    def take_before(self, time: int) -> list[Report]:
        """Return the reports sent before an instant, but for those given before.

        Returns
        -------
        list of Report
            In the order in which they arrive. What arrives before the instant is among them.
        """
        for number, source in enumerate(self._sources):
            while source.events.upto < time:
                for sent, hold, jitter, event in source.take():
                    self._sent.append((sent, number, self._taken, hold, jitter, event))
                    self._taken += 1
        self._sent.sort()
        upto = bisect_left(self._sent, (min(time, FAR),))
        found = []
        for sent, _, _, hold, jitter, event in self._sent[:upto]:
            self._ahead = min(arrives_at(sent, self._static, jitter, self._ahead), FAR)
            found.append(Report(self._ahead, hold, event))
        del self._sent[:upto]
        return found


class Highs:
    """The stretches in which the fault line of one board is high, as the host's reads end.

    Parameters
    ----------
    scenario : Scenario
        With a fault line.
    trial : int
        Which unit.

    Attributes
    ----------
    rises, falls, events : list of int, fs
        Of each stretch whose fall is known when it begins and ends, and when the event began that
        raised the line; in order, apart from each other. A report that comes as the line would
        fall keeps it up.
    """

    def __init__(self, scenario: Scenario, trial: int) -> None:
        self._line = FaultLine(scenario, trial)
        self.rises: list[int] = []
        self.falls: list[int] = []
        self.events: list[int] = []
        #: Reports after which no read has ended yet.
        self._open: list[Report] = []

    def take(self, reads: Sequence[int], upto: int) -> None:
        """Take in what arrives before an instant.

        Parameters
        ----------
        reads : sequence of int, fs
            When reads of the host end, in order: those after which the last call knew of none, at
            the least.
        upto : int, fs
            Reports that arrive before it are taken in.
        """
        self._open += self._line.take_before(upto)
        settled = 0
        for rises, hold, event in self._open:
            place = bisect_right(reads, rises)
            if place == len(reads):
                # Nor has one ended after those behind it.
                break
            ends = falls(rises, hold, int(reads[place]))
            if self.falls and rises <= self.falls[-1]:
                self.falls[-1] = max(self.falls[-1], ends)
            else:
                self.rises.append(rises)
                self.falls.append(ends)
                self.events.append(event)
            settled += 1
        del self._open[:settled]

    @property
    def stretches(self) -> list[tuple[int, int]]:
        """From when and until when the line is high, in fs; `FAR` where no read has ended yet."""
        found = list(zip(self.rises, self.falls, strict=True))
        if self._open:
            rises = self._open[0].rises
            if found and rises <= found[-1][1]:
                found[-1] = found[-1][0], FAR
            else:
                found.append((rises, FAR))
        return found

    @property
    def causes(self) -> list[int]:
        """When the event began that raised the line, of each of `stretches`, in fs."""
        more = len(self.stretches) > len(self.events)
        return [*self.events, self._open[0].event] if more else list(self.events)

    def forget(self, time: int) -> None:
        """Forget the stretches that have ended by an instant."""
        gone = bisect_right(self.falls, time)
        del self.rises[:gone], self.falls[:gone], self.events[:gone]


def highs(scenario: Scenario, trial: int, reads: Sequence[int], until: int) -> Highs:
    """Return when the fault line of a unit is high.

    Parameters
    ----------
    reads : sequence of int, fs
        When the host's reads end, in order.
    until : int, fs
        What begins before it, or then, is among them, and is known to its end.
    """
    found = Highs(scenario, trial)
    found.take(reads, until + 1)
    # What comes until the line falls may keep it up.
    while found.falls and found.falls[-1] > until:
        until = found.falls[-1]
        found.take(reads, until + 1)
    return found
