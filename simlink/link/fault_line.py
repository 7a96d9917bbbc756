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

from bisect import bisect_left
from typing import TYPE_CHECKING, Any

from simlink.base.draws import Column, once
from simlink.base.instants import FAR, NEVER
from simlink.link.channel import arrives_at, fixed_part, stream
from simlink.link.transient import Events

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

    def take(self) -> list[tuple[int, int, int]]:
        """Return of the next reports when each is sent, its hold and its jitter, in fs."""
        times, events = self.events.take()
        if not times:
            return []
        drawn = (column.take(len(times)).tolist() for column in self._draws)
        found = []
        for time, event, response, hold, jitter in zip(times, events, *drawn, strict=True):
            above = self.events.lasting(event, self._threshold)
            if above:
                found.append((min(time + above[0][0] + response, FAR), hold, jitter))
        return found


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
        #: Reports that may have others ahead of them: when sent, source, place, hold, jitter.
        self._sent: list[tuple[int, ...]] = []
        self._taken = 0
        self._ahead = NEVER

    def take_before(self, time: int) -> list[tuple[int, int]]:
        """Return the reports sent before an instant, but for those given before.

        Returns
        -------
        list of (int, int), fs
            When each arrives, in order, and its hold. What arrives before the instant is among
            them.
        """
        for number, source in enumerate(self._sources):
            while source.events.upto < time:
                for sent, hold, jitter in source.take():
                    self._sent.append((sent, number, self._taken, hold, jitter))
                    self._taken += 1
        self._sent.sort()
        upto = bisect_left(self._sent, (min(time, FAR),))
        found = []
        for sent, _, _, hold, jitter in self._sent[:upto]:
            self._ahead = min(arrives_at(sent, self._static, jitter, self._ahead), FAR)
            found.append((self._ahead, hold))
        del self._sent[:upto]
        return found
