"""The FIFO as a Markov chain: what an arriving frame finds, without simulation.

Frames arrive, are released a while later, and are read one after another; a frame that finds
every slot taken is refused. The state just before an arrival is the number of slots taken and
the rest of the service under way, counted in steps of a grid. Every term is a sum of numbers that
are not negative, so that a loss of 1e-12 has as many right digits as one of 1e-3.

**Why rounding bounds the loss.** Let one system have services no shorter (counted in the order in
which they begin), arrivals judged no later against the same departures, releases no earlier, and
the host left no more time between arrivals. Then by any instant no more of its frames have been
accepted and no more read: if it accepted a frame that the other refuses while both had accepted
as many, it would have had fewer in its slots, hence have read more; and its j-th read begins when
the one before has ended and its j-th accepted frame, which came no earlier in the row, has been
released, so it ends no earlier. It loses no fewer frames. A longer service, a later release or a
shorter time between arrivals delays the server, and is such a system. Services drawn by the
number of the frame are, for independent draws, the same in law as those drawn in the order in
which they begin, for which frames are read depends on draws before only. So rounding everything
up to the grid gives an upper, rounding it down a lower bound.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

#: How many times in a row a chain has to look settled.
_CALM = 4
#: Arrivals from which means over half of all are compared.
_BLOCK = 64
MOST_ARRIVALS = 500_000
#: Products of probabilities below this may have come to 0.
_UNSEEN = 1e-200


@dataclass(frozen=True)
class Spacing:
    """What lies between one arrival and the next, in steps."""

    #: At the least, the same every time.
    steps: int
    #: What follows is memoryless: the probability that it goes on for one step more; 0 if nothing
    #: follows.
    kept: float = 0.0


class Chain:
    """The chain of what arrivals find.

    Parameters
    ----------
    service : ndarray of float64, shape (M + 1,)
        The probability that latency and read take 0 ... M steps.
    depth : int
        Slots of the FIFO.
    spacing : Spacing
        Of arrivals.
    judged, released : ndarray of float64, shape (steps + 1,)
        The law of the step at which a frame is judged, and at which it is released, from the
        start of a spacing; none is judged after it is released.
    up : bool
        Whether what does not fit the grid is rounded up.
    """

    def __init__(
        self,
        service: Floats,
        depth: int,
        spacing: Spacing,
        judged: Floats,
        released: Floats,
        up: bool,
    ) -> None:
        self.service, self.depth, self.spacing, self.up = service, depth, spacing, up
        most, steps = len(service) - 1, spacing.steps
        self.most, self.steps = most, steps
        at = np.arange(most + 1)
        sooner = np.concatenate([[0.0], np.cumsum(judged)])
        #: The probability that a frame is judged before a service with so much left has ended.
        self.full = sooner[np.minimum(at, steps + 1)]
        free = 1.0 - self.full
        self.surely = np.where(self.full == 0.0, free, 0.0)
        self.doubtful = free - self.surely
        self.released = released
        self.at_once = np.zeros(steps + 1)
        some = np.flatnonzero(released)
        self.last_resort = np.zeros(steps + 1)
        self.last_resort[some[-1 if up else 0]] = 1.0
        self.empty = 1.0
        self.states = np.zeros((depth, most + 1))
        self._reached: npt.NDArray[np.bool_] | None = None

    @property
    def work(self) -> float:
        """Products that one step takes."""
        return float(self.depth * (self.steps + 1) * (self.most + 1))

    @property
    def is_closed(self) -> bool:
        """Whether no state is reached that had not been reached an arrival ago."""
        reached = self.states > 0
        closed = self._reached is not None and bool(np.array_equal(reached, self._reached))
        self._reached = reached
        return closed

    @property
    def unseen(self) -> float:
        """What states too unlikely for a number may come to; 0 if there are none."""
        some = self.states[self.states > 0]
        return _UNSEEN if some.size and float(some.min()) < _UNSEEN else 0.0

    @property
    def key(self) -> tuple[object, ...]:
        """What tells it from other chains of its depth."""
        laws = (self.service, self.full, self.released)
        return self.spacing, self.up, *(law.tobytes() for law in laws)

    def start_from(self, coarse: Chain) -> None:
        """Take the state of a chain on a grid half as fine."""
        self.empty = coarse.empty
        halves = np.repeat(coarse.states / 2, 2, axis=1)[:, 1:]
        # Rest x of the coarse grid is 2 x - 1 or 2 x here.
        width = min(halves.shape[1], self.most + 1)
        self.states[:, :width] = halves[:, :width]
        self.states[:, -1] += halves[:, width:].sum(axis=1)
        self.states[:, 0] *= 2
        total = self.empty + self.states.sum()
        self.states /= total
        self.empty /= total

    def step(self) -> float:
        """Go on to the next arrival; return the probability that this one is refused."""
        full = self.states[-1]
        refused, doubtful = full * self.full, full * self.doubtful
        after = np.zeros_like(self.states)
        taken = self.states
        taken[-1] = full * self.surely
        empty = self._serve(taken, after, True, self.released, self.empty)
        # Where it is not certain that a slot is free in time, being judged late and being
        # released late go together: the end of all releases is the worse, or the better, case.
        for some, more, released in (
            (doubtful, True, self.last_resort),
            (refused, False, self.at_once),
        ):
            if some.any():
                alike = np.zeros_like(after)
                alike[-1] = some
                empty += self._serve(alike, after, more, released, 0.0)
        self.states, self.empty = after, empty
        if self.spacing.kept:
            self._wait()
        return float(refused.sum())

    def _serve(
        self, states: Floats, after: Floats, more: bool, released: Floats, empty: float
    ) -> float:
        """Let the host read over the fixed part of a spacing; return how likely nothing waits then.

        ``states`` are by the slots taken but for the frame that comes, and by the rest of the
        service, shape (depth, M + 1); what is left at the end is added to ``after``, of that shape
        too. With ``more`` a frame has come and waits behind the others; ``released`` is the law of
        its release, shape (steps + 1,). ``empty`` is how likely nothing waited before.
        """
        steps, depth = self.steps, self.depth
        width = self.most + 1 - steps
        if width > 0:
            lasting = states[:, steps + 1 :]
            if more:
                after[1:, 1:width] += lasting[:-1]
            else:
                after[:, 1:width] += lasting
        upto = min(steps, self.most) + 1
        begun = np.zeros((depth, steps + 1))
        begun[:, :upto] = states[:, :upto]
        # Row n: instants at which reads end and leave n older frames.
        for left in range(depth - 1, 0, -1):
            begun[left - 1] += self._read(begun[left], after[left if more else left - 1])
        if not more:
            return empty + float(begun[0].sum())
        # The frame that has come is alone: its service waits for its release.
        alone = begun[0]
        before = np.concatenate([[0.0], np.cumsum(alone)[:-1]])
        begun[0] = alone * np.cumsum(released) + (before + empty) * released
        return float(self._read(begun[0], after[0]).sum())

    def _read(self, begun: Floats, after: Floats) -> Floats:
        """Return when services that begin within the spacing end in it; add the rests of others."""
        if not begun.any():
            return begun
        found: Floats = np.convolve(begun, self.service)
        # What has ended at the very end of the spacing is no rest.
        after[1:] += found[self.steps + 1 :]
        return found[: self.steps + 1]

    def _wait(self) -> None:
        """Wait for an arrival that comes with the same probability in every step."""
        kept, states = self.spacing.kept, self.states
        survives = kept ** np.arange(self.most + 1)
        ends = states @ survives
        # Reads that begin while waiting, by how many slots are taken then.
        begins = np.zeros(self.depth)
        again = float(self.service @ survives)
        coming = 0.0
        for slots in range(self.depth - 1, 0, -1):
            begins[slots - 1] = coming = ends[slots] + coming * again
        self.empty += float(ends[0] + begins[0] * again)
        self.states = self._rest(states + begins[:, None] * self.service[None, :])

    def _rest(self, states: Floats) -> Floats:
        """Return what is left of services when the arrival comes before their end."""
        from scipy.signal import lfilter

        kept = self.spacing.kept
        # In step i the wait ends with the probability (1 - kept) kept^(i - 1).
        later = np.zeros_like(states)
        later[:, :-1] = states[:, :0:-1][:, ::-1]
        found = lfilter([1.0 - kept], [1.0, -kept], later[:, ::-1], axis=1)[:, ::-1]
        if self.up:
            found = np.concatenate([np.zeros((len(found), 1)), found[:, :-1]], axis=1)
        rests: Floats = np.ascontiguousarray(found)
        return rests


@dataclass(frozen=True)
class Found:
    """What a chain gives."""

    #: The share of arrivals that are refused: of the first so many, or in the long run.
    loss: float
    #: The most by which that may still be off, as it has not settled further.
    margin: float
    #: How many it was followed for.
    arrivals: int
    #: Whether it had settled by then.
    settled: bool

    @property
    def least(self) -> float:
        """The loss at the least."""
        return max(self.loss - self.margin, 0.0)

    @property
    def most(self) -> float:
        """The loss at the most."""
        return min(self.loss + self.margin, 1.0)


def follow(chain: Chain, first: int | None = None, settled: float = 1e-10) -> Found:
    """Follow a chain until it has settled.

    Parameters
    ----------
    chain : Chain
        A new one, empty, or one that goes on from another's state.
    first : int, optional
        The loss of so many arrivals from where it stands is wanted; in the long run when left
        out.
    settled : float
        How closely, relative to the loss.

    Returns
    -------
    Found
        The loss closes in on its end by a factor that is the same each time; what is left of it
        is that geometric series, of which twice as much is allowed for.
    """
    total, before, change, calm, at = 0.0, 0.0, 0.0, 0, 0
    lost, left = 0.0, 1.0
    upto, half = 0.0, math.inf
    while at < MOST_ARRIVALS and (first is None or at < first):
        lost = chain.step()
        at += 1
        total += lost
        former, change, before = change, lost - before, lost
        factor = min(abs(change / former), 0.999) if former else 0.999
        left = 2 * abs(change) * factor / (1 - factor)
        calm = calm + 1 if lost and left <= settled * lost else 0
        if calm >= _CALM and at > chain.depth:
            break
        if chain.is_closed and not lost:
            return Found(0.0, chain.unseen, at, True)
        if at & (at - 1) == 0 and at >= _BLOCK:
            # What goes round in a circle never settles, but its mean over a round does.
            mean, upto = (total - upto) / (at / 2 if upto else at), total
            if first is None and abs(mean - half) <= settled * mean:
                return Found(mean, 2 * abs(mean - half), at, True)
            half = mean
    done = at < MOST_ARRIVALS
    if first is None:
        return Found(lost, left, at, done)
    rest = first - at
    return Found((total + rest * lost) / first, left * rest / first, at, done)
