"""The law of a latency over a run: exact while it is small, a fine histogram when it is not.

Values are kept per group of trials, because the interval of a quantile comes from how much the
groups differ. A run of at most `EXACT` values keeps them all. A longer one counts them in bins a
relative 2^-10 wide (0.1 %), so that memory stays flat; which of the two is used depends on the
scenario alone, never on the engine or the number of workers.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from simlink.base.instants import FAR, NEVER, Times
from simlink.base.untouched import untouched
from simlink.figures.adding import BINS, FIRST_BIN, REACH, SHIFT, bin_of
from simlink.figures.intervals import CONFIDENCE, HIGH, LOW, Interval, side

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
    base : int
        The first bin for which there is room.
    bins : ndarray of int64, shape (groups, bins), or (0, bins) where all values are kept
        How many lie in each bin from there on.
    """

    def __init__(self, trials: int, total: int) -> None:
        self.groups = min(trials, GROUPS)
        self.exact = total <= EXACT
        self.reach = np.zeros(1, dtype=REACH)
        self.reach["least"], self.reach["largest"] = FAR, NEVER
        #: Groups and values, of a run that keeps all.
        self._kept: list[tuple[npt.NDArray[np.int8], Times]] = []
        self.base = 0
        self.bins: Counts = np.zeros((0 if self.exact else self.groups, 0), dtype=np.int64)

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

    def counted(self) -> Counts:
        """Return the counts with room for every bin, shape (groups, BINS), to be counted in."""
        self._widen(slice(0, BINS))
        return self.bins

    def _widen(self, there: slice) -> None:
        """Make room for some bins, if there is none."""
        before, first, upto = self.bins, self.base, self.base + self.bins.shape[1]
        if first <= there.start and there.stop <= upto:
            return
        if first == upto:
            first, upto = there.start, there.start
        self.base = min(first, there.start)
        self.bins = untouched(len(before), max(upto, there.stop) - self.base)
        self._of(slice(first, upto))[...] = before

    def _of(self, there: slice) -> Counts:
        """Return some of the bins for which there is room."""
        return self.bins[:, there.start - self.base : there.stop - self.base]

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
            self._widen(there)
            self._of(there)[...] += other._of(there)

    def _there(self) -> slice:
        """Return the bins from the smallest to the largest value."""
        if self.least is None or self.largest is None:
            return slice(0, 0)
        return slice(int(bin_of(self.least)), int(bin_of(self.largest)) + 1)

    def state(self) -> dict[str, Any]:
        """Return all that it holds as arrays and whole numbers, by name.

        Empty bins at both ends are left out; ``base`` is the first of the others.
        """
        found: dict[str, Any] = {name: int(self.reach[name][0]) for name in REACH.names or ()}
        if not self.exact:
            there = self._there()
            return found | {"base": there.start, "bins": self._of(there)}
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
            good = 0 <= there.start <= there.stop <= BINS and self.count >= 0
            good = good and bins.shape == (self.groups, there.stop - there.start)
            good = good and state.get("base") == there.start and bins.sum() == self.count
            if good:
                self.base, self.bins = there.start, bins.copy()
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
            Of all values, those whose share at or below may be q, by the interval of a share
            whose events are clustered in trials (`intervals.share`): the inverted test of
            Francisco and Fuller (Annals of Statistics 19, 1991, from memory), which stays right
            where a few trials have all the values above the quantile. None at an end that the
            run does not support. Of no width where all values are the same.
        """
        if self.count == 0:
            return None, (None, None)
        law = self._law()
        value: float = law.at(q)
        if np.count_nonzero(law.of) < 2:
            return value, (None, None)
        if self.least == self.largest:
            return value, (value, value)
        return value, law.interval(q, confidence)

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
        return _Binned(FIRST_BIN + there.start, self._of(there), self.least, self.largest)


def _ends(
    upto: Callable[[int], Any], of: Counts, count: int, q: float, confidence: float
) -> tuple[int, int]:
    """Return the first place up to which a share q may lie, and the first up to which more does.

    ``upto`` returns how many values of each group lie up to a place, of all those in ``of``, both
    of shape (groups,); ``count`` places there are, and it stands for one that there is not.
    """

    def lies(place: int, end: int) -> float:
        return side(upto(place), of, end, q, confidence)

    places = range(count)
    return (
        bisect_left(places, True, key=lambda place: lies(place, HIGH) >= 0),
        bisect_left(places, True, key=lambda place: lies(place, LOW) > 0),
    )


class _Sample:
    """All values kept."""

    def __init__(self, kept: list[tuple[npt.NDArray[np.int8], Times]], groups: int) -> None:
        group = np.concatenate([group for group, _ in kept])
        plain = np.concatenate([values for _, values in kept])
        self.of: Counts = np.bincount(group, minlength=groups)
        ends = np.cumsum(self.of)[:-1]
        self.each = np.split(plain[np.argsort(group, kind="stable")], ends)
        for one in self.each:
            one.sort()
        self.values = np.sort(plain)

    def at(self, q: float) -> float:
        """Return the smallest value whose share at or below it is at least q."""
        rank = int(np.ceil(q * len(self.values))) - 1
        return float(self.values[min(max(rank, 0), len(self.values) - 1)])

    def interval(self, q: float, confidence: float) -> Interval:
        """Return the interval of a quantile."""

        def upto(rank: int) -> Any:
            value = self.values[rank]
            return np.array([np.searchsorted(one, value, side="right") for one in self.each])

        count = len(self.values)
        ends = _ends(upto, self.of, count, q, confidence)
        low, high = (float(self.values[end]) if end < count else None for end in ends)
        return low, high

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
        self.each: Counts = np.cumsum(bins, axis=1)
        self.of: Counts = self.each[:, -1]

    def at(self, q: float) -> float:
        """Return a value from the bin that holds the smallest one with a share of at least q."""
        rank = q * self.total
        upper = int(np.searchsorted(self.cumulative, rank, side="left"))
        if upper == 0:
            return float(self.edges[0])
        upper = min(upper, len(self.edges) - 1)
        ranks, edges = self.cumulative[upper - 1 : upper + 1], self.edges[upper - 1 : upper + 1]
        return float(np.interp(rank, ranks, edges))

    def interval(self, q: float, confidence: float) -> Interval:
        """Return the interval of a quantile, from the lower end of a bin to the upper of one."""
        count = self.each.shape[1]
        low, high = _ends(lambda number: self.each[:, number], self.of, count, q, confidence)
        return (
            float(self.edges[low]) if low < count else None,
            float(self.edges[high + 1]) if high < count else None,
        )

    def share_below(self, value: float) -> float:
        return float(np.interp(value, self.edges, self.cumulative)) / self.total
