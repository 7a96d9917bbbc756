"""What comes of triggers at a converter whose busy crosses the barrier, should they be taken."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from simlink.base.instants import NEVER, Times
from simlink.engines.batch.columns import Draws, Flags, Triggers
from simlink.engines.batch.host_clocked_reads import EdgeDraws, Jitter
from simlink.link import channel as barrier
from simlink.link import converter

if TYPE_CHECKING:
    from simlink.link.host_clocked_unit import SerialUnits
    from simlink.link.unit import Units
    from simlink.scenario.distributions import Distribution
    from simlink.scenario.schema import Scenario


@dataclass
class Conversion:
    """One trigger of each trial, should it be taken; arrays of shape (T,) or (T, ...), fs.

    Attributes
    ----------
    arrival, ready, aperture, latency : ndarray of int64
        When it arrives, when busy would fall, when it would sample, the service latency.
    rises, falls : ndarray of int64
        When busy's edges would come out of their channel, were they alone; NEVER for a rise that
        would not come before its fall.
    sync : ndarray of int64
        From the fall at the host to the release.
    jitter : dict of ndarray
        Of the edges of its read, where it varies.
    """

    arrival: Times
    ready: Times
    aperture: Times
    latency: Times
    rises: Times
    falls: Times
    sync: Times
    jitter: Jitter


@dataclass
class Block:
    """A block of triggers of all trials; arrays of shape (n, T), as in `Conversion`, fs.

    Attributes
    ----------
    first : int
        The first conversion.
    due, left : ndarray of int64
        When triggers are due, and leave.
    varying : set of str
        Which channels' jitter varies.
    """

    first: int
    due: Times
    left: Times
    arrival: Times
    ready: Times
    aperture: Times
    rises: Times
    falls: Times
    sync: Times
    latency: Times
    jitter: Jitter
    varying: set[str]

    @property
    def rows(self) -> int:
        """Conversions in the block."""
        return len(self.arrival)

    def one(self, row: int, some: Times) -> Conversion:
        """Return one conversion of some trials."""
        return Conversion(
            arrival=self.arrival[row, some],
            ready=self.ready[row, some],
            aperture=self.aperture[row, some],
            latency=self.latency[row, some],
            rises=self.rises[row, some],
            falls=self.falls[row, some],
            sync=self.sync[row, some],
            jitter={name: self.jitter[name][row, some] for name in self.varying},
        )


class SerialTriggers:
    """The triggers of a chunk of trials, and the draws that belong to their conversions."""

    def __init__(
        self, scenario: Scenario, units: Units, serial: SerialUnits, edges: EdgeDraws
    ) -> None:
        self.scenario = scenario
        self.units = units
        self.serial = serial
        self.edges = edges
        self.count = len(units.trials)
        law, trials = scenario.converter, units.trials

        def draws(one: Distribution, source: str) -> Draws:
            return Draws(one, scenario.seed, trials, source)

        self.conversion_time = draws(law.conversion_time, "converter.conversion_time")
        self.busy_delay = draws(law.busy_delay, "converter.busy_delay")
        self.aperture_jitter = draws(law.aperture_jitter, "converter.aperture_jitter")
        self.sync_delay = draws(scenario.fifo.sync_delay, "fifo.sync_delay")
        self.latency = draws(scenario.host.service_latency, "host.service_latency")
        forward = scenario.barrier.direction("forward").jitter
        self.forward_jitter = draws(forward, "barrier.forward.jitter")
        self.busy_fall = barrier.falling_edge(serial.busy, serial.return_distortion)
        self.last_arrival = np.full(self.count, NEVER, dtype=np.int64)

    def planned(self, most: int) -> Iterator[Block]:
        """Give all triggers that do not wait for the host, up to ``most`` of a trial at a time."""
        total = self.scenario.conversions
        triggers = Triggers(self.scenario, self.units)
        from_host = self.scenario.trigger.source == "host"
        for first in range(0, total, most):
            rows = min(most, total - first)
            due, left, _ = triggers.take(rows)
            arrival = left
            if from_host:
                jitter = self.forward_jitter.take(rows)
                arrival = left + barrier.crossing(self.units.forward, jitter)
            arrival = np.broadcast_to(arrival, (rows, self.count))
            arrival = barrier.in_order(arrival.T, self.last_arrival).T
            self.last_arrival = arrival[-1]
            yield self._block(first, due, left, arrival)

    def one(self, index: int, due: Times, left: Times, alive: Flags) -> Block:
        """Return the next trigger of a loop, where there is one.

        Parameters
        ----------
        index : int
            Which.
        due, left : ndarray of int64, shape (T,), fs
            When it is due, and leaves.
        alive : ndarray of bool, shape (T,)
            Where the loop still runs.
        """
        crossing = barrier.crossing(self.units.forward, self.forward_jitter.take(1)[0])
        arrival = np.maximum(left + crossing, self.last_arrival)
        self.last_arrival = np.where(alive, arrival, self.last_arrival)
        return self._block(index, due, left, self.last_arrival[np.newaxis])

    def _block(self, first: int, due: Times, left: Times, arrival: Times) -> Block:
        """Return what would come of triggers that arrive, shape (n, T)."""
        rows = len(arrival)

        def wide(times: Times) -> Times:
            return np.broadcast_to(times, arrival.shape)

        ready = np.asarray(converter.ready_at(arrival, self.conversion_time.take(rows)))
        jitter = self.edges.take(rows)
        sent = arrival + self.busy_delay.take(rows)
        rises, falls = busy_edges(sent, ready, self.serial.busy, self.busy_fall, jitter["busy"])
        return Block(
            first=first,
            due=wide(due),
            left=wide(left),
            arrival=arrival,
            ready=ready,
            aperture=wide(converter.samples_at(arrival, self.aperture_jitter.take(rows))),
            rises=rises,
            falls=falls,
            sync=wide(self.sync_delay.take(rows)),
            latency=wide(self.latency.take(rows)),
            jitter=jitter,
            varying=set(self.edges.of_reads),
        )


def busy_edges(
    sent: Times, ready: Times, static: Times, falling: Times, jitter: Times
) -> tuple[Times, Times]:
    """Return when busy's edges would come out of their channel, each were it alone.

    Parameters
    ----------
    sent, ready : ndarray of int64, shape (n, T), fs
        When busy would rise at the converter, and falls.
    static, falling : ndarray of int64, shape (T,), fs
        Delay of a rising and of a falling edge.
    jitter : ndarray of int64, shape (n or 1, T or 1, 2), fs
        Of both.

    Returns
    -------
    rises, falls : ndarray of int64, shape (n, T), fs
        NEVER for a rise that would not come before its fall.
    """
    rises = sent + barrier.crossing(static, jitter[..., 0])
    falls = ready + barrier.crossing(falling, jitter[..., 1])
    return np.where(sent < ready, rises, NEVER), falls
