"""The host's reader as a server: what one service latency is spent on.

An idle host that finds `watermark` frames released begins a service: a latency, then the reads,
back to back. With ``drain`` it reads on until no frame waits, so that one latency serves the
more frames the closer together they come.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from simlink.base.draws import streams
from simlink.base.instants import FS_PER_SECOND

if TYPE_CHECKING:
    from simlink.scenario.distributions import Distribution
    from simlink.scenario.schema import Scenario

#: Draws that a mean over a law is taken from.
SAMPLED = 2**16


def drawn(law: Distribution, seed: int, name: str) -> npt.NDArray[np.float64]:
    """Return draws of a law in fs, one where it has one value; shape (1 or 65536,)."""
    if law.is_constant:
        return np.array([law.constant_value], dtype=np.float64)
    return law.sampler(streams(seed, 0, f"cycle {name}")).take(SAMPLED).astype(np.float64)


@dataclass(frozen=True)
class Reader:
    """How a host reads."""

    #: Of the service latency, fs.
    law: Distribution
    #: Clocking one frame out, fs.
    read: Fraction
    #: Frames that a service waits for, and slots of the FIFO.
    watermark: int = 1
    depth: int = 1
    #: Whether it reads all that wait before it is idle again.
    reads_on: bool = False
    #: Of the triggers.
    pattern: str = "periodic"
    #: Triggers of a burst.
    burst: int = 1
    #: Of the draws that stand for the law.
    seed: int = 1

    def served(self, latency: Any, spacing: float) -> Any:
        """Return how many frames a latency serves when frames come evenly.

        Parameters
        ----------
        latency : float or ndarray, fs
            Of the service.
        spacing : float, fs
            Of the frames, more than one read.

        Returns
        -------
        float or ndarray
            The w-th frame of the watermark w begins the service; frame w + i comes i spacings
            later, and is read if that is no later than the end of the read before it. Those
            that come before the first slot is freed, and find none, are lost.
        """
        read, first = float(self.read), self.watermark
        came = np.ceil((latency + read) / spacing) - 1
        lost = np.maximum(0, first + came - self.depth)
        last = np.floor((latency + (first - 1 - lost) * read) / (spacing - read))
        return np.maximum(np.minimum(self.depth, first + came), first - lost + last)

    def shared_by(self, spacing: Fraction | None) -> float:
        """Return how many frames one latency serves in the long run, infinite without an end.

        Parameters
        ----------
        spacing : Fraction or None, fs
            Between triggers, of a burst within it; None if they wait for the host.

        Returns
        -------
        float
            The mean over the latency's law. For Poisson triggers (w + L / p) / (1 - r / p), the
            mean of a busy period that begins with w frames and a set-up time L (the sum of a
            branching process, each frame begetting r / p others), w + L / p at most the depth.
        """
        first = self.watermark
        if not self.reads_on or spacing is None:
            return first
        latencies, read, apart = drawn(self.law, self.seed, "service latency"), self.read, spacing
        if self.pattern == "burst":
            if apart > read:
                each = float(np.minimum(self.served(latencies, float(apart)), self.burst).mean())
            else:
                # It fills up, and each read makes room for one more.
                room = np.maximum(0, float((self.burst - 1) * apart) - latencies) // float(read)
                each = float(np.minimum(self.burst, self.depth + room).mean())
            return max(first, self.burst / math.ceil(self.burst / each))
        if apart <= read:
            return math.inf
        if self.pattern == "poisson":
            waiting = min(self.depth, first + self.law.mean / float(apart))
            return waiting / float(1 - read / apart)
        return float(self.served(latencies, float(apart)).mean())

    def most_for_one(self, spacing: Fraction | None) -> Fraction | float:
        """Return the most of a latency that falls to one frame, fs, infinite if nothing bounds it.

        The more frames a latency serves the longer it may be before it serves one more: the
        share grows up to there, and so does its largest value.
        """
        low, high = self.law.support
        if math.isinf(high) or not self.reads_on or spacing is None or self.pattern != "periodic":
            return high if math.isinf(high) else Fraction(high) / self.watermark
        if spacing <= self.read:
            return Fraction(0)
        count = int(self.served(high, float(spacing)))
        shares = [Fraction(high) / count]
        more = count - self.watermark
        if more:
            longest = more * (spacing - self.read) - (self.watermark - 1) * self.read
            if longest > low:
                shares.append(longest / (count - 1))
        return max(shares)

    def mean(self, spacing: Fraction | None) -> Fraction:
        """Return the time that a frame takes in the long run, fs: its share and its read."""
        shared = self.shared_by(spacing)
        return self.read + (0 if math.isinf(shared) else Fraction(self.law.mean) / Fraction(shared))

    def least_period(self) -> Fraction:
        """Return the shortest mean spacing of frames, fs, that leaves the host time for each."""
        least, most = self.read, self.read + Fraction(self.law.mean) / self.watermark
        if not self.reads_on:
            return most

        def keeps_up(spacing: Fraction) -> bool:
            return self.mean(spacing) <= spacing

        if keeps_up(least * Fraction(1 + 1e-9)):
            return least
        while (most - least) * 10**9 > most:
            middle = (least + most) / 2
            middle = middle.limit_denominator(10**6)
            if keeps_up(middle):
                most = middle
            else:
                least = middle
        return most

    def read_by(self, time: int, latency: int) -> int:
        """Return how many frames have been read some time after enough of them waited.

        Parameters
        ----------
        time : int, fs
            From the instant at which the watermark is reached, frames never running out.
        latency : int, fs
            Of every service.
        """
        read = math.ceil(self.read)
        if self.reads_on:
            return max(time - latency, 0) // read
        whole, rest = divmod(max(time, 0), latency + self.watermark * read)
        return whole * self.watermark + max(rest - latency, 0) // read


def reader_of(scenario: Scenario) -> Reader:
    """Return the reader of a scenario's host."""
    host, trigger = scenario.host, scenario.trigger
    return Reader(
        host.service_latency,
        Fraction(scenario.bits_per_lane) * FS_PER_SECOND / host.clock.value,
        host.watermark,
        scenario.fifo.depth,
        host.drain,
        trigger.pattern,
        trigger.burst_length or 1,
        scenario.seed,
    )
