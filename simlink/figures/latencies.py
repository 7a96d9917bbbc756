"""The law of a latency over a run: exact while it is small, a fine histogram when it is not.

Values are kept per group of trials, because the interval of a quantile comes from how much the
groups differ. A run of at most `EXACT` values keeps them all. A longer one counts them in bins a
relative 2^-10 wide (0.1 %), so that memory stays flat; which of the two is used depends on the
scenario alone, never on the engine or the number of workers.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from simlink.base.instants import FAR, NEVER, Times
from simlink.figures.adding import BINS, FIRST_BIN, REACH, SHIFT, bin_of
from simlink.figures.intervals import CONFIDENCE, Floats, Interval, rank_reach

#: The longest run whose latencies are all kept.
EXACT = 2**20
#: Independent groups of trials; with fewer trials each is its own group.
GROUPS = 64

Counts = npt.NDArray[np.int64]


class Latencies:
    """Latencies of a run, in fs.

    Parameters
    ----------
    trials : int
        Trials of the whole run.
    total : int
        The most values that the whole run can give.

    Attributes
    ----------
    reach : ndarray of REACH, shape (1,)
        How many there are, the smallest and the largest.
    bins : ndarray of int64, shape (groups, BINS), or (0, BINS) where all values are kept
        How many lie in each bin. Memory is taken for those alone that are ever counted in.
    """

    def __init__(self, trials: int, total: int) -> None:
        self.groups = min(trials, GROUPS)
        self.exact = total <= EXACT
        self.reach = np.zeros(1, dtype=REACH)
        self.reach["least"], self.reach["largest"] = FAR, NEVER
        #: Groups and values, of a run that keeps all.
        self._kept: list[tuple[npt.NDArray[np.int8], Times]] = []
        self.bins: Counts = np.zeros((0 if self.exact else self.groups, BINS), dtype=np.int64)

    @property
    def count(self) -> int:
        """How many there are."""
        return int(self.reach["count"][0])

    @property
    def least(self) -> int | None:
        """The smallest, in fs; None if there is none."""
        return int(self.reach["least"][0]) if self.count else None

    @property
    def largest(self) -> int | None:
        """The largest, in fs; None if there is none."""
        return int(self.reach["largest"][0]) if self.count else None

    def keep(self, groups: npt.NDArray[np.int8], values: Times, count: int) -> None:
        """Keep the first ``count`` of some latencies, already in ``reach``, with their groups."""
        if self.exact and count:
            self._kept.append((groups[:count].copy(), values[:count].copy()))

    def _note(self, count: int, least: int, largest: int) -> None:
        self.reach["count"] += count
        self.reach["least"] = min(int(self.reach["least"][0]), least)
        self.reach["largest"] = max(int(self.reach["largest"][0]), largest)

    def merge(self, other: Latencies) -> None:
        """Take in what another range of trials gave."""
        if other.count == 0:
            return
        there = other._there()
        self._note(*(int(other.reach[name][0]) for name in ("count", "least", "largest")))
        self._kept.extend(other._kept)
        if not self.exact:
            self.bins[:, there] += other.bins[:, there]

    def _there(self) -> slice:
        """Return the bins from the smallest to the largest value."""
        if self.least is None or self.largest is None:
            return slice(0)
        return slice(int(bin_of(self.least)), int(bin_of(self.largest)) + 1)

    def state(self) -> dict[str, Any]:
        """Return all that it holds as arrays and whole numbers, by name.

        Empty bins at both ends are left out; ``base`` is the first of the others.
        """
        found: dict[str, Any] = {name: int(self.reach[name][0]) for name in REACH.names or ()}
        if not self.exact:
            there = self._there()
            return found | {"base": int(there.start or 0), "bins": self.bins[:, there]}
        found["group"] = np.concatenate([np.zeros(0, np.int8), *(one for one, _ in self._kept)])
        found["values"] = np.concatenate([np.zeros(0, np.int64), *(one for _, one in self._kept)])
        return found

    def restore(self, state: Mapping[str, Any]) -> None:
        """Take over what `state` gave.

        Raises
        ------
        ValueError
            If latencies of this run could not have given it.
        """
        kinds = {"group": "i1", "values": "i8"} if self.exact else {"bins": "i8"}
        for name, kind in kinds.items():
            array = state.get(name)
            if not isinstance(array, np.ndarray) or array.dtype != np.dtype(kind):
                raise ValueError(f"latencies without {name}")
        for name in REACH.names or ():
            if type(state.get(name)) is not int:
                raise ValueError(f"latencies without {name}")
            self.reach[name] = state[name]
        if self.exact:
            group, values = state["group"], state["values"]
            good = group.shape == values.shape == (self.count,)
            if good and self.count:
                good = (self.least, self.largest) == (values.min(), values.max())
                good = good and group.min() >= 0 and group.max() < self.groups
                self._kept = [(group, values)]
        else:
            bins, there = state["bins"], self._there()
            good = 0 <= (there.start or 0) <= there.stop <= BINS and self.count >= 0
            good = good and bins.shape == self.bins[:, there].shape
            good = good and state.get("base") == (there.start or 0) and bins.sum() == self.count
            if good:
                self.bins[:, there] = bins
        if not good:
            raise ValueError("latencies that do not agree with each other")

    def __getstate__(self) -> dict[str, Any]:
        """Leave empty bins at home."""
        return {"groups": self.groups, "exact": self.exact, **self.state()}

    def __setstate__(self, state: dict[str, Any]) -> None:
        self.__init__(state["groups"], 0 if state["exact"] else EXACT + 1)  # type: ignore[misc]
        self.restore(state)

    def quantile(self, q: float, confidence: float = CONFIDENCE) -> tuple[float | None, Interval]:
        """Return a quantile and its interval, in fs.

        Parameters
        ----------
        q : float
            Between 0 and 1.
        confidence : float
            Such as 0.95.

        Returns
        -------
        value : float or None
            A value that was seen (exact runs), or interpolated within its bin; None if none was.
        interval : (low, high)
            None at an end that the run does not support.
        """
        if self.count == 0:
            return None, (None, None)
        law = self._law()
        value = law.at(q)
        under, upto, of = law.around(value)
        reaches = [rank_reach(one, of, confidence) for one in (under, upto)]
        # Nothing lies above the largest value: only what lies under it tells how ranks vary.
        reach = max((one for one in reaches if one is not None), default=None)
        if reach is None:
            return value, (None, None)
        low = law.at(q - reach) if q - reach > 0 else None
        high = law.at(q + reach) if q + reach < 1 else None
        return value, (low, high)

    def histogram(self, bins: int = 60) -> tuple[npt.NDArray[np.float64], Counts]:
        """Return bin edges in fs (shape bins + 1) and counts (shape bins), for a picture."""
        if self.count == 0:
            return np.array([0.0, 1.0]), np.zeros(1, dtype=np.int64)
        assert self.least is not None
        assert self.largest is not None
        low, high = float(self.least), float(self.largest)
        if low == high:
            low, high = low * 0.99 - 1, high * 1.01 + 1
        edges = np.linspace(low, high, bins + 1)
        return edges, self.counts_in(edges)

    def counts_in(self, edges: npt.NDArray[np.float64]) -> Counts:
        """Return how many values lie in bins.

        Parameters
        ----------
        edges : ndarray, shape (bins + 1,), fs
            Ascending, around all values; a value at an inner edge belongs to the bin above it.

        Returns
        -------
        ndarray of int64, shape (bins,)
            Their sum is `count`: ranks are rounded rather than counts, so that a lone value
            that is spread over bins finer than it was kept in does not vanish.
        """
        if self.count == 0:
            return np.zeros(len(edges) - 1, dtype=np.int64)
        law = self._law()
        rank = np.array([law.share_below(edge) for edge in edges])
        rank[0], rank[-1] = 0.0, 1.0
        counts: Counts = np.diff(np.rint(rank * self.count).astype(np.int64))
        return counts

    def _law(self) -> Any:
        if self.exact:
            return _Sample(self._kept, self.groups)
        assert self.least is not None
        assert self.largest is not None
        there = self._there()
        return _Binned(FIRST_BIN + there.start, self.bins[:, there], self.least, self.largest)


class _Sample:
    """All values kept."""

    def __init__(self, kept: list[tuple[npt.NDArray[np.int8], Times]], groups: int) -> None:
        self.group = np.concatenate([group for group, _ in kept])
        self.plain = np.concatenate([values for _, values in kept])
        self.values = np.sort(self.plain)
        self.groups = groups
        self.of = np.bincount(self.group, minlength=groups).astype(np.float64)

    def at(self, q: float) -> float:
        """Return the smallest value whose share at or below it is at least q."""
        rank = int(np.ceil(q * len(self.values))) - 1
        return float(self.values[min(max(rank, 0), len(self.values) - 1)])

    def around(self, value: float) -> tuple[Floats, Floats, Floats]:
        """Return how many values of each group are less, at most that, and there at all."""
        under = np.bincount(self.group[self.plain < value], minlength=self.groups)
        upto = np.bincount(self.group[self.plain <= value], minlength=self.groups)
        return under.astype(np.float64), upto.astype(np.float64), self.of

    def share_below(self, value: float) -> float:
        return float(np.searchsorted(self.values, value, side="left")) / len(self.values)


class _Binned:
    """Counts in bins."""

    def __init__(self, base: int, bins: Counts, least: int, largest: int) -> None:
        edges = (np.arange(base, base + bins.shape[1] + 1, dtype=np.int64) << SHIFT).view(
            np.float64
        )
        self.edges = np.clip(edges, least, largest)
        self.cumulative = np.concatenate([[0], np.cumsum(bins.sum(axis=0))])
        self.total = int(self.cumulative[-1])
        self.bins = bins

    def at(self, q: float) -> float:
        """Return a value from the bin that holds the smallest one with a share of at least q."""
        rank = q * self.total
        upper = int(np.searchsorted(self.cumulative, rank, side="left"))
        if upper == 0:
            return float(self.edges[0])
        upper = min(upper, len(self.edges) - 1)
        ranks, edges = self.cumulative[upper - 1 : upper + 1], self.edges[upper - 1 : upper + 1]
        return float(np.interp(rank, ranks, edges))

    def around(self, value: float) -> tuple[Floats, Floats, Floats]:
        """Return each group's counts under the value's bin, up to its end, and in all."""
        number = int(np.searchsorted(self.edges, value, side="left"))
        number = min(max(number, 1), self.bins.shape[1])
        counts = [self.bins[:, :end].sum(axis=1) for end in (number - 1, number, None)]
        under, upto, of = (one.astype(np.float64) for one in counts)
        return under, upto, of

    def share_below(self, value: float) -> float:
        return float(np.interp(value, self.edges, self.cumulative)) / self.total
