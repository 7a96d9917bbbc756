"""The quick way through the FIFO: frames read one by one, in order, none ever discarded.

It holds for ``drop_new``, a watermark of 1 and a host that is told how many frames wait. Then
an admitted frame's read follows from the frame before it (Lindley's recursion), and a frame is
refused if and only if the frame ``depth`` places ahead of it, counting admitted ones alone, is
still held.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from simlink.engines.batch.columns import Draws, Flags
from simlink.instants import NEVER, Times
from simlink.parts import fifo, host

if TYPE_CHECKING:
    from simlink.engines.batch.remote import Arrivals
    from simlink.parts.unit import Units
    from simlink.scenario.schema import Scenario

#: Deeper FIFOs go the general way: looking back costs one comparison a place.
DEEPEST = 64


@dataclass
class Reads:
    """What became of a block of frames; arrays of shape (n, T), fs."""

    admitted: Flags
    release: Times
    service: Times
    read_start: Times
    read_end: Times
    found: npt.NDArray[np.int8]


class Straight:
    """FIFO and host of a chunk of trials."""

    def __init__(self, scenario: Scenario, units: Units, take_end: int) -> None:
        seed, trials = scenario.seed, units.trials
        self.depth = scenario.fifo.depth
        self.read_time = take_end
        self.read_all = scenario.host.read_all
        self.sync_delay = Draws(scenario.fifo.sync_delay, seed, trials, "fifo.sync_delay")
        self.latency = Draws(scenario.host.service_latency, seed, trials, "host.service_latency")
        count = len(trials)
        self.last_release = np.full(count, NEVER, dtype=np.int64)
        self.free = np.full(count, NEVER, dtype=np.int64)
        #: Read ends of the last ``depth`` admitted frames of each trial, oldest first.
        self.back = np.full((self.depth, count), NEVER, dtype=np.int64)

    def read(self, arrivals: Arrivals, accepted: Flags) -> Reads:
        """Take a block of frames through FIFO and host.

        Parameters
        ----------
        arrivals : Arrivals
            When the frames arrive.
        accepted : ndarray of bool, shape (n, T)
            Which frames there are.
        """
        first, enough = arrivals.first, arrivals.enough
        rows, trials = first.shape
        depth = self.depth
        sync = self.sync_delay.take(rows)
        in_order = self.sync_delay.constant is not None
        release = enough.copy()
        if not self.sync_delay.is_zero:
            release = np.asarray(fifo.releases_at(enough, sync, NEVER))
        # One latency and one read ahead of the recursion, so that each step adds once.
        latency = self.latency.take(rows)
        spent = np.broadcast_to(latency + self.read_time, first.shape)
        back = np.empty((depth + rows, trials), dtype=np.int64)
        back[:depth] = self.back
        begun = np.empty((rows, trials), dtype=np.int64)
        refused = np.zeros((rows, trials), dtype=np.bool_)
        follows = np.zeros((rows, trials), dtype=np.bool_) if self.read_all else None
        # At most DEEPEST slots: a byte counts them.
        found = np.empty((rows, trials), dtype=np.int8)
        missing = None if bool(accepted.all()) else ~accepted
        free, last = self.free, self.last_release
        for row in range(rows):
            held = back[row : row + depth] > first[row]
            np.add.reduce(held.view(np.int8), axis=0, dtype=np.int8, out=found[row])
            out = held[0]
            if missing is not None:
                out = out | missing[row]
            if not in_order:
                np.maximum(release[row], last, out=release[row])
            begin, end = begun[row], back[row + depth]
            np.maximum(release[row], free, out=begin)
            np.add(begin, spent[row], out=end)
            if follows is not None:
                # What is released by the end of a read is read next, with no new latency.
                np.less_equal(release[row], free, out=follows[row])
                np.copyto(end, begin + self.read_time, where=follows[row])
            if out.any():
                # A refused frame is stepped over: what lies behind moves up by one place, so
                # that the newest end is again that of the last admitted frame.
                some = np.flatnonzero(out)
                refused[row, some] = True
                back[row + 1 : row + depth + 1, some] = back[row : row + depth, some]
                if not in_order:
                    last = np.where(out, last, release[row])
            elif not in_order:
                last = release[row]
            free = end
        self.back = back[rows:].copy()
        self.free, self.last_release = free.copy(), last.copy()
        waited = latency if follows is None else np.where(follows, 0, latency)
        start = host.reads_from(begun, waited)
        end = start + self.read_time
        if follows is not None:
            begun[follows] = NEVER
        admitted = ~refused
        if refused.any():
            some = np.flatnonzero(refused)
            for times in (release, begun, start, end):
                times.reshape(-1)[some] = NEVER
        if missing is not None:
            found[missing] = -1
        return Reads(admitted, release, begun, start, end, found)
