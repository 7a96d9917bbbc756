"""The batch engine: the same records by recursion, vectorised over trials, with no events."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from simlink.base.instants import NEVER, Times, clock_edges
from simlink.engines.batch import host_clocked as serial
from simlink.engines.batch.columns import Draws, Triggers
from simlink.engines.batch.queue import Queued
from simlink.engines.batch.remote import Arrivals, Readouts, Remote, Return
from simlink.engines.batch.straight import DEEPEST, Reads, Straight
from simlink.link import channel as barrier
from simlink.link import unit
from simlink.records import Fate, FrameBlock

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario

#: Trials simulated side by side, and conversions of each worked on at a time: the arrays of one
#: step stay within a processor's cache.
TRIALS = 512
ROWS = 64
#: The most FIFO places that are kept at a time: deep FIFOs are simulated fewer side by side.
PLACES = 2**20


class BatchEngine:
    """Vectorised over trials; the same records as the event engine, to the femtosecond."""

    name = "batch"

    def refuses(self, scenario: Scenario) -> str | None:
        """Return None: whatever loads can be done exactly."""
        return None

    def run(self, scenario: Scenario, trials: range, *, words: bool) -> Iterator[FrameBlock]:
        """Simulate some trials.

        Parameters
        ----------
        scenario : Scenario
            What to simulate.
        trials : range
            Which trials.
        words : bool
            Whether the push times of each word are kept.

        Yields
        ------
        FrameBlock
            Blocks of up to `TRIALS` trials and `ROWS` conversions, each trial's in order.
        """
        by_host_clock = scenario.link.scheme != "remote_master"
        if by_host_clock:
            beside = serial.beside(scenario, TRIALS)
        else:
            beside = max(1, min(TRIALS, PLACES // scenario.fifo.depth))
        for start in range(trials.start, trials.stop, beside):
            chunk = range(start, min(start + beside, trials.stop))
            if by_host_clock:
                yield from serial.Serial(scenario, chunk, words).run()
            elif straight(scenario):
                yield from _run_straight(scenario, chunk, words)
            else:
                yield from Queued(scenario, chunk, words).run()


def straight(scenario: Scenario) -> bool:
    """Tell whether frames are read one by one in order and never discarded once admitted."""
    return (
        scenario.fifo.when_full == "drop_new"
        and scenario.fifo.depth <= DEEPEST
        and scenario.host.watermark == 1
        and scenario.host.notice == "count"
        and scenario.host.timeout is None
    )


def _run_straight(scenario: Scenario, chunk: range, words: bool) -> Iterator[FrameBlock]:
    units = unit.build(scenario, chunk)
    take, take_end = clock_edges(scenario.host.clock.value, scenario.bits_per_lane)
    triggers = Triggers(scenario, units)
    forward = scenario.barrier.direction("forward")
    jitter = Draws(forward.jitter, scenario.seed, chunk, "barrier.forward.jitter")
    remote = Remote(scenario, units)
    back = Return(scenario, units, take, words)
    reader = Straight(scenario, units, int(take_end[-1]))
    ahead = np.full(len(chunk), NEVER, dtype=np.int64)
    orders = not (scenario.trigger.jitter.is_constant and forward.jitter.is_constant)
    for first in range(0, scenario.conversions, ROWS):
        rows = min(ROWS, scenario.conversions - first)
        due, left, _ = triggers.take(rows)
        arrival = left
        if scenario.trigger.source == "host":
            arrival = left + barrier.crossing(units.forward, jitter.take(rows))
        arrival = np.broadcast_to(arrival, (rows, len(chunk)))
        if orders:
            arrival = barrier.in_order(arrival.T, ahead).T
            ahead = arrival[-1]
        out = remote.read_out(arrival, rows)
        arrived = back.cross(out.start, out.accepted)
        reads = reader.read(arrived, out.accepted)
        yield _block(chunk, first, due, left, out, arrived, reads)


def _block(
    chunk: range,
    first: int,
    due: Times,
    left: Times,
    out: Readouts,
    arrived: Arrivals,
    reads: Reads,
) -> FrameBlock:
    shape = out.accepted.shape
    fate = np.zeros(shape, dtype=np.int8)
    if out.wrong.any():
        fate[out.wrong] = Fate.CORRUPTED
    if arrived.need is not arrived.enough:
        late = reads.read_start < arrived.need
        if late.any():
            fate[late] = Fate.UNDERRUN
    if not reads.admitted.all():
        fate[~reads.admitted] = Fate.OVERRUN
    aperture, ready = np.broadcast_to(out.aperture, shape), np.broadcast_to(out.ready, shape)
    if not out.accepted.all():
        fate[~out.accepted] = Fate.MISSED_TRIGGER
        aperture = np.where(out.accepted, aperture, NEVER)
        ready = np.where(out.accepted, ready, NEVER)
    return FrameBlock(
        trials=chunk,
        first=first,
        due=np.broadcast_to(due, shape).T,
        trigger=np.broadcast_to(left, shape).T,
        aperture=aperture.T,
        ready=ready.T,
        release=reads.release.T,
        service=reads.service.T,
        read_start=reads.read_start.T,
        read_end=reads.read_end.T,
        found=reads.found.T,
        fate=fate.T,
        short_acquisition=out.short.T,
        timed_out=np.broadcast_to(np.False_, shape).T,
        first_bit=_words(arrived.first_bit, reads.admitted),
        last_bit=_words(arrived.last_bit, reads.admitted),
    )


def _words(times: Times | None, admitted: npt.NDArray[np.bool_]) -> Times | None:
    if times is None:
        return None
    kept = np.where(admitted[:, :, np.newaxis, np.newaxis], times, NEVER)
    return np.moveaxis(kept, 0, 1)
