"""What is counted when a design is sized: lost conversions, by unit or by cycle.

A cycle starts with a conversion that finds the FIFO empty and the host idle. Where nothing but
independent service latencies (or the gaps of Poisson triggers) is left to chance, what follows
such an instant does not depend on what came before it, so cycles are independent of each other,
and there are far more of them than units. Elsewhere the unit, one trial, is what is independent.
"""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from simlink.link.repeat import repeats
from simlink.records import Fate, FrameBlock
from simlink.scenario.composite import Mixture, TwoState
from simlink.scenario.distributions import Distribution
from simlink.scenario.recorded import Recorded
from simlink.scenario.schema import Scenario, distributions_in

Counts = npt.NDArray[np.int64]


def _none() -> Counts:
    return np.zeros(0, dtype=np.int64)


@dataclass
class Losses:
    """Lost conversions of a number of independent units or cycles, `sent` in all of them.

    `losses` are those of each unit or cycle that lost any.
    """

    units: int = 0
    sent: int = 0
    losses: Counts = field(default_factory=_none)

    @property
    def lost(self) -> int:
        """Lost conversions in all."""
        return int(self.losses.sum())

    @property
    def losing(self) -> int:
        """Units or cycles that lost any."""
        return len(self.losses)

    @property
    def share(self) -> float:
        """Lost conversions as a share of those sent."""
        return self.lost / self.sent if self.sent else 0.0

    def merge(self, other: Losses) -> None:
        """Take in what further units gave."""
        self.units += other.units
        self.sent += other.sent
        self.losses = np.concatenate([self.losses, other.losses])


def cycles_are_independent(scenario: Scenario) -> bool:
    """Tell whether cycles may serve as the independent units.

    True if the triggers are periodic or Poisson, no draw but the service latency is random, that
    one is drawn anew each time, and frames are read one by one as they come.
    """
    host = scenario.host
    if scenario.trigger.pattern not in ("periodic", "poisson"):
        return False
    if scenario.fifo.when_full != "drop_new":
        return False
    if scenario.transient or repeats(scenario):
        return False
    if host.watermark != 1 or host.interrupt != "level" or host.timeout is not None:
        return False
    others = (law for law in distributions_in(scenario) if law is not host.service_latency)
    return all(law.is_constant for law in others) and _drawn_anew(host.service_latency)


def _drawn_anew(law: Distribution) -> bool:
    if isinstance(law, Mixture):
        return all(_drawn_anew(part.of) for part in law.parts)
    return law.is_constant or not isinstance(law, TwoState | Recorded)


class Counter:
    """Counts lost conversions of a range of trials, block by block: of each trial or each cycle.

    A conversion whose acquisition was cut short counts as lost too where `unsettled` says so.
    """

    def __init__(
        self, trials: range, fates: tuple[Fate, ...], by_cycle: bool, unsettled: bool = False
    ) -> None:
        self._trials, self._fates = trials, fates
        self._by_cycle, self._unsettled = by_cycle, unsettled
        self._sent = self._cycles = 0
        self._losses: list[Counts] = []
        #: Losses of each trial, or of its cycle under way.
        self._open = np.zeros(len(trials), dtype=np.int64)

    def add(self, block: FrameBlock) -> None:
        """Take in a block; its trials must lie within this counter's, in order of conversions."""
        start = block.trials.start - self._trials.start
        rows = slice(start, start + len(block.trials))
        lost = block.fate == self._fates[0]
        for fate in self._fates[1:]:
            lost |= block.fate == fate
        if self._unsettled:
            lost |= block.short_acquisition
        self._sent += block.fate.size - int(np.count_nonzero(block.fate == Fate.NOT_SENT))
        some = bool(lost.any())
        if not self._by_cycle:
            if some:
                self._open[rows] += lost.sum(axis=1)
            return
        starts = block.occupancy_at_arrival == 0
        self._cycles += int(np.count_nonzero(starts))
        if some or self._open[rows].any():
            self._close(self._open[rows], starts, lost)

    def _close(
        self, under_way: Counts, starts: npt.NDArray[np.bool_], lost: npt.NDArray[np.bool_]
    ) -> None:
        """Add losses to their cycles; keep those of cycles that have ended."""
        which = np.nonzero(lost.any(axis=1) | (under_way > 0))[0]
        # Cycle 0 of a row is the one under way from the block before.
        number = np.cumsum(starts[which], axis=1)
        width = int(number.max()) + 1
        keys = number + (np.arange(len(which)) * width)[:, np.newaxis]
        sums = np.bincount(keys[lost[which]], minlength=len(which) * width)
        sums = sums.reshape(len(which), width)
        sums[:, 0] += under_way[which]
        last = number[:, -1]
        each = np.arange(len(which))
        under_way[which] = sums[each, last]
        sums[each, last] = 0
        self._losses.append(sums[sums > 0])

    def seen(self) -> Losses:
        """Return what was counted; a cycle that the end of its trial cuts short counts whole."""
        losses = np.concatenate([*self._losses, self._open[self._open > 0]])
        units = self._cycles if self._by_cycle else len(self._trials)
        return Losses(units, self._sent, losses.astype(np.int64))
