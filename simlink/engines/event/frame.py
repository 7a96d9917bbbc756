"""A frame on its way, and the draws and fixed values that every part of one trial shares."""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np

from simlink.base.draws import Column
from simlink.base.instants import Times, clock_edges
from simlink.link import unit
from simlink.link.fifo import WhenFull

if TYPE_CHECKING:
    from simlink.scenario.distributions import Distribution
    from simlink.scenario.schema import Scenario


class Frame:
    """The frame of one conversion, from the accepted trigger to its fate."""

    __slots__ = (
        "admitted",
        "discarded",
        "index",
        "lanes_enough",
        "missing",
        "protected",
        "pushed",
        "ready",
        "released",
        "underrun",
        "wrong",
    )

    def __init__(self, index: int, lanes: int, bits: int) -> None:
        self.index = index
        self.ready = 0
        #: None until its first bit arrives, then whether it has a slot.
        self.admitted: bool | None = None
        self.discarded = False
        self.released = False
        #: Named by a service that has begun.
        self.protected = False
        self.underrun = False
        self.wrong = False
        self.pushed = [0] * lanes
        self.lanes_enough = 0
        #: Bits still to be pushed, over all lanes.
        self.missing = lanes * bits


class Indexed:
    """One draw for each conversion, looked up by its index in any order."""

    def __init__(self, law: Distribution, trial: Trial, source: str) -> None:
        column = Column(law, trial.scenario.seed, trial.number, source)
        self._constant = column.constant
        self._values = None if self._constant is not None else column.take(trial.conversions)

    def __call__(self, index: int) -> int:
        """Return the draw of one conversion in base units."""
        if self._values is None:
            assert self._constant is not None
            return self._constant
        return self._values.item(index)


class EdgeJitter:
    """The jitter of each of several edges of some channels, for frames asked for in order.

    Parameters
    ----------
    trial : Trial
        Whose draws.
    law : Distribution
        The law of the jitter.
    sources : list of str
        One source a channel.
    per_frame : int
        Edges of each channel in a frame.
    """

    _CHUNK = 512

    def __init__(self, trial: Trial, law: Distribution, sources: list[str], per_frame: int) -> None:
        shape = (len(sources), per_frame)
        self._first = 0
        self._columns: list[Column] = []
        self._chunk = np.zeros((*shape, 0), dtype=np.int64)
        self._constant: Times | None = None
        if law.is_constant:
            self._constant = np.full(shape, law.constant_value, dtype=np.int64)
        else:
            seed = trial.scenario.seed
            self._columns = [
                Column(law, seed, trial.number, source, per_frame, edge)
                for source in sources
                for edge in range(per_frame)
            ]

    def __call__(self, index: int) -> Times:
        """Return the jitter of one frame, int64 fs, shape (channels, edges)."""
        if self._constant is not None:
            return self._constant
        shape = self._chunk.shape[:2]
        while index >= self._first + self._chunk.shape[2]:
            self._first += self._chunk.shape[2]
            rows = [column.take(self._CHUNK) for column in self._columns]
            self._chunk = np.array(rows).reshape(*shape, self._CHUNK)
        return self._chunk[:, :, index - self._first]


class Trial:
    """One unit run once: the scenario, its fixed values and its draws.

    Parameters
    ----------
    scenario : Scenario
        What is simulated.
    units : Units
        The fixed values of a range of trials.
    number : int
        Which of them this is.
    """

    def __init__(self, scenario: Scenario, units: unit.Units, number: int) -> None:
        row = number - units.trials.start
        self.scenario = scenario
        self.number = number
        self.conversions = scenario.conversions
        self.lanes = scenario.frame.lanes
        self.bits = scenario.bits_per_lane
        self.depth = scenario.fifo.depth
        self.when_full = WhenFull.of(scenario.fifo.when_full)
        self.trigger_tolerance = units.trigger_tolerance.item(row)
        self.rising: list[int] = units.rising[row].tolist()
        self.falling: list[int] = units.falling[row].tolist()
        self.captured = units.captured[row]
        self.wrong_later: list[bool] = units.wrong_later[row].tolist()
        self.past_hold: list[bool] = units.past_hold[row].tolist()
        self.forward = units.forward.item(row)
        self.credit = units.credit.item(row)
        self.lane_delay = units.lanes[row]
        self.msb_valid = units.msb_valid.item(row)
        self.setup = units.setup.item(row)
        self.acquisition_time = units.acquisition_time.item(row)
        take, end = clock_edges(scenario.host.clock.value, self.bits)
        self.take: list[int] = take.tolist()
        self.take_end: list[int] = end.tolist()

    def each(self, law: Distribution, source: str) -> Indexed:
        """Return the draws of a source that is drawn once for each conversion."""
        return Indexed(law, self, source)
