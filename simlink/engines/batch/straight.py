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

from simlink.base.instants import NEVER, Times
from simlink.engines.batch.columns import Draws, Flags
from simlink.link import fifo, host

if TYPE_CHECKING:
    from simlink.engines.batch.remote import Arrivals
    from simlink.link.unit import Units
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
        #: Whether the block before lost a frame, so that this one may, too.
        self.loses = False

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
        rows = len(first)
        release = enough.copy()
        sync = self.sync_delay.take(rows)
        if not self.sync_delay.is_zero:
            release = np.asarray(fifo.releases_at(enough, sync, NEVER))
        latency = self.latency.take(rows)
        # One latency and one read ahead of the recursion, so that each step adds once.
        spent = np.broadcast_to(latency + self.read_time, first.shape)
        missing = None if bool(accepted.all()) else ~accepted
        plain = None
        if missing is None and not self.read_all and not self.loses:
            plain = self._all_admitted(first, release, spent)
        if plain is not None:
            return plain
        before = self.back
        begun, refused, follows = self._one_by_one(first, release, spent, missing)
        waited = latency if follows is None else np.where(follows, 0, latency)
        start = host.reads_from(begun, waited)
        end = start + self.read_time
        if follows is not None:
            begun[follows] = NEVER
        self.loses = bool(refused.any())
        if self.loses:
            for times in (release, begun, start, end):
                np.copyto(times, NEVER, where=refused)
        found = _found(np.concatenate([before, end]), first, refused if self.loses else None)
        if missing is not None:
            found[missing] = -1
        return Reads(~refused, release, begun, start, end, found)

    def _all_admitted(self, first: Times, release: Times, spent: Times) -> Reads | None:
        """Read a block of which no frame is refused, or return None if one would be.

        Whether any would be is seen at the end, by one look at the whole block.
        """
        rows, depth = len(first), self.depth
        if self.sync_delay.constant is None:
            release = release.copy()
            np.maximum(release[0], self.last_release, out=release[0])
            np.maximum.accumulate(release, axis=0, out=release)
        back = np.empty((depth + rows, first.shape[1]), dtype=np.int64)
        back[:depth] = self.back
        begun = np.empty_like(release)
        free = self.free
        for row in range(rows):
            begin, end = begun[row], back[row + depth]
            np.maximum(release[row], free, out=begin)
            np.add(begin, spent[row], out=end)
            free = end
        if np.count_nonzero(back[:rows] > first):
            return None
        self.back = back[rows:].copy()
        self.free, self.last_release = free.copy(), release[-1].copy()
        end = back[depth:]
        found = _found(back, first, None)
        admitted = np.broadcast_to(np.True_, first.shape)
        return Reads(admitted, release, begun, end - self.read_time, end, found)

    def _one_by_one(
        self, first: Times, release: Times, spent: Times, missing: Flags | None
    ) -> tuple[Times, Flags, Flags | None]:
        """Return when services begin, which frames are refused, and which reads follow on.

        Releases are put in order in place.
        """
        rows, trials = first.shape
        depth = self.depth
        in_order = self.sync_delay.constant is not None
        back = np.empty((depth + rows, trials), dtype=np.int64)
        back[:depth] = self.back
        begun = np.empty((rows, trials), dtype=np.int64)
        refused = np.empty((rows, trials), dtype=np.bool_)
        follows = np.zeros((rows, trials), dtype=np.bool_) if self.read_all else None
        free, last = self.free, self.last_release
        for row in range(rows):
            out = refused[row]
            np.greater(back[row], first[row], out=out)
            if missing is not None:
                np.logical_or(out, missing[row], out=out)
            if not in_order:
                np.maximum(release[row], last, out=release[row])
            begin, end = begun[row], back[row + depth]
            np.maximum(release[row], free, out=begin)
            np.add(begin, spent[row], out=end)
            if follows is not None:
                # What is released by the end of a read is read next, with no new latency.
                np.less_equal(release[row], free, out=follows[row])
                np.copyto(end, begin + self.read_time, where=follows[row])
            if np.count_nonzero(out):
                # A refused frame is stepped over: what lies behind moves up by one place, so
                # that the newest end is again that of the last admitted frame.
                some = np.flatnonzero(out)
                back[row + 1 : row + depth + 1, some] = back[row : row + depth, some]
                if not in_order:
                    last = np.where(out, last, release[row])
            elif not in_order:
                last = release[row]
            free = end
        self.back = back[rows:].copy()
        self.free, self.last_release = free.copy(), last.copy()
        return begun, refused, follows


def _found(ends: Times, first: Times, refused: Flags | None) -> npt.NDArray[np.int8]:
    """Count how many slots were taken when each frame arrived.

    Parameters
    ----------
    ends : ndarray of int64, shape (depth + n, T), fs
        Read ends of the last ``depth`` frames before the block and of the block's own, NEVER
        where there was no read.
    first : ndarray of int64, shape (n, T), fs
        When the frames arrive.
    refused : ndarray of bool, shape (n, T), or None
        Which of them have no read; None if all have.
    """
    rows = len(first)
    depth = len(ends) - rows
    # At most DEEPEST slots: a byte counts them.
    found = np.zeros(first.shape, dtype=np.int8)
    # Ends never go back, so that nobody holds a slot from where none is held on.
    latest = ends
    if refused is not None:
        latest = ends.copy()
        # Row by row: numpy's own running maximum goes down one column after another.
        for row in range(1, len(latest)):
            np.maximum(latest[row - 1], latest[row], out=latest[row])
    for back in range(1, depth + rows + 1):
        skip = max(0, back - depth)
        if skip == rows:
            break
        held = latest[depth + skip - back : depth + rows - back] > first[skip:]
        if not np.count_nonzero(held):
            break
        if refused is not None:
            held &= ends[depth + skip - back : depth + rows - back] != NEVER
        found[skip:] += held
    return found
