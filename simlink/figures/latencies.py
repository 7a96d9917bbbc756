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

from simlink.base.instants import Times
from simlink.figures.intervals import CONFIDENCE, Floats, Interval, rank_reach

#: The longest run whose latencies are all kept.
EXACT = 2**20
#: Independent groups of trials; with fewer trials each is its own group.
GROUPS = 64
_MANTISSA = 10
#: The fewest values counted at once; a count costs a pass over all bins, so many bins wait longer.
_WORTH = 2**20
_SHIFT = 52 - _MANTISSA

Counts = npt.NDArray[np.int64]
Flags = npt.NDArray[np.bool_]


class Latencies:
    """Latencies of a run, in fs.

    Parameters
    ----------
    trials : int
        Trials of the whole run.
    total : int
        The most values that the whole run can give.
    """

    def __init__(self, trials: int, total: int) -> None:
        self.groups = min(trials, GROUPS)
        self.exact = total <= EXACT
        self.count = 0
        self.least: int | None = None
        self.largest: int | None = None
        #: Groups and values, of a run that keeps all.
        self._kept: list[tuple[npt.NDArray[np.int8], Times]] = []
        self._base = 0
        self._bins: Counts = np.zeros((self.groups, 0), dtype=np.int64)
        #: Bins not yet counted, with the group of each row; and counts that come on top.
        self._pending: list[tuple[Counts, Counts]] = []
        self._extra: list[tuple[Counts, int, Counts]] = []
        self._waiting = 0

    def add(self, trials: range, values: Times, missing: Flags | None) -> None:
        """Take in latencies.

        Parameters
        ----------
        trials : range
            The trials of the rows.
        values : ndarray of int64, shape (T, n), fs
            Not negative; may be changed in place.
        missing : ndarray of bool, shape (T, n), or None
            Which of them did not happen; None if all did.
        """
        if self.exact:
            self._keep(trials, values, missing)
            return
        self._gather(trials, values, missing)

    def _keep(self, trials: range, values: Times, missing: Flags | None) -> None:
        groups = np.arange(trials.start, trials.stop, dtype=np.int64) % self.groups
        each = np.broadcast_to(groups[:, np.newaxis].astype(np.int8), values.shape)
        if missing is not None:
            values, each = values[~missing], each[~missing]
        if values.size:
            self._note(int(values.min()), int(values.max()), values.size)
            self._kept.append((each.ravel(), values.ravel()))

    def _gather(self, trials: range, values: Times, missing: Flags | None) -> None:
        """Turn latencies into bins, and count them once there are enough to be worth it."""
        group = np.arange(trials.start, trials.stop) % self.groups
        count = values.size
        if missing is not None:
            rows = np.count_nonzero(missing.T, axis=0)
            count -= int(rows.sum())
            if count == 0:
                return
            # What is missing is counted with a value that was seen, and taken off again.
            seen = int(values[~missing].min()) if self.least is None else self.least
            np.copyto(values, seen, where=missing)
            self._extra.append((group, _bin_of(seen), -rows))
        low, high = int(values.min()), int(values.max())
        self._note(low, high, count)
        if low == high:
            self._extra.append((group, _bin_of(low), np.full(len(values), values.shape[1])))
            return
        if low < 1:
            values = np.maximum(values, 1)
        keys = values.astype(np.float64).view(np.int64)
        keys >>= _SHIFT
        self._pending.append((group, keys))
        self._waiting += keys.size
        if self._waiting >= max(_WORTH, 2 * self._bins.size):
            self._count()

    def _count(self) -> None:
        """Count the pending bins."""
        if not self._pending and not self._extra:
            return
        assert self.least is not None
        assert self.largest is not None
        self._reserve(_bin_of(self.least), _bin_of(self.largest))
        width = self._bins.shape[1]
        flat = np.empty(self._waiting, dtype=np.int64)
        at = 0
        for group, keys in self._pending:
            keys += (group * width - self._base)[:, np.newaxis]
            flat[at : at + keys.size] = keys.ravel(order="K")
            at += keys.size
        self._bins += np.bincount(flat, minlength=self._bins.size).reshape(self._bins.shape)
        for group, key, count in self._extra:
            self._bins[:, key - self._base] += np.bincount(
                group, weights=count, minlength=self.groups
            ).astype(np.int64)
        self._pending, self._extra, self._waiting = [], [], 0

    def _note(self, least: int, largest: int, count: int) -> None:
        self.count += count
        self.least = least if self.least is None else min(self.least, least)
        self.largest = largest if self.largest is None else max(self.largest, largest)

    def _reserve(self, low: int, high: int) -> None:
        """Make room for bins low ... high."""
        if self._bins.shape[1] == 0:
            self._base = low
        base = min(self._base, low)
        end = max(self._base + self._bins.shape[1], high + 1)
        if base < self._base or end > self._base + self._bins.shape[1]:
            bins = np.zeros((self.groups, end - base), dtype=np.int64)
            start = self._base - base
            bins[:, start : start + self._bins.shape[1]] = self._bins
            self._base, self._bins = base, bins

    def merge(self, other: Latencies) -> None:
        """Take in what another range of trials gave."""
        if other.count == 0:
            return
        self._count()
        other._count()
        assert other.least is not None
        assert other.largest is not None
        self._note(other.least, other.largest, other.count)
        if self.exact:
            self._kept.extend(other._kept)
            return
        self._reserve(other._base, other._base + other._bins.shape[1] - 1)
        start = other._base - self._base
        self._bins[:, start : start + other._bins.shape[1]] += other._bins

    def state(self) -> dict[str, Any]:
        """Return all that it holds as arrays, whole numbers and None, by name."""
        self._count()
        found = {name: getattr(self, name) for name in ("count", "least", "largest")}
        if not self.exact:
            return found | {"base": self._base, "bins": self._bins}
        kept = [(np.zeros(0, np.int8), np.zeros(0, np.int64)), *self._kept]
        groups, values = (np.concatenate(one) for one in zip(*kept, strict=True))
        return found | {"group": groups, "values": values}

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
        self.count, self.least, self.largest = (state[n] for n in ("count", "least", "largest"))
        if self.exact:
            group, values = state["group"], state["values"]
            good = group.shape == values.shape == (self.count,)
            if good and self.count:
                good = (self.least, self.largest) == (values.min(), values.max())
                good = good and group.min() >= 0 and group.max() < self.groups
                self._kept = [(group, values)]
        else:
            self._base, self._bins = state["base"], state["bins"]
            good = self._bins.ndim == 2 and len(self._bins) == self.groups
            good = good and int(self._bins.sum()) == self.count
            if good and self.count:
                ends = self._base, self._base + self._bins.shape[1] - 1
                good = ends[0] <= _bin_of(self.least) <= _bin_of(self.largest) <= ends[1]
                good = good and _bin_of(0) <= ends[0] and ends[1] <= _bin_of(2**63 - 1)
        if not good:
            raise ValueError("latencies that do not agree with each other")

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
        self._count()
        assert self.least is not None
        assert self.largest is not None
        return _Binned(self._base, self._bins, self.least, self.largest)


def _bin_of(value: int) -> int:
    return int(np.array([max(value, 1)], dtype=np.float64).view(np.int64)[0] >> _SHIFT)


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
        edges = (np.arange(base, base + bins.shape[1] + 1, dtype=np.int64) << _SHIFT).view(
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
