"""Records under way: rows of conversions not yet settled, for all trials of a chunk.

A row is handed over once nothing that is still to come can change it, so memory stays flat
however long the run is.
"""

from __future__ import annotations

import numpy as np

from simlink.base.instants import NEVER, Times
from simlink.records import Fate, FrameBlock

_TIMES = (
    "due",
    "trigger",
    "aperture",
    "ready",
    "release",
    "service",
    "read_start",
    "read_end",
)
#: What the queue needs to know of a frame until it is read.
_NOTES = ("planned", "need", "whole", "latency")


class Store:
    """A ring of rows, one a conversion; columns are trials.

    Attributes
    ----------
    low, high : int
        The oldest conversion kept, and one past the newest.
    """

    def __init__(self, trials: range, words: tuple[int, int] | None, rows: int) -> None:
        self.trials = trials
        self.count = len(trials)
        self.words = words
        self.size = 1 << (4 * rows - 1).bit_length()
        self.low = 0
        self.high = 0
        self.columns: dict[str, np.ndarray] = {}
        for name in (*_TIMES, *_NOTES):
            self.columns[name] = np.full((self.size, self.count), NEVER, dtype=np.int64)
        self.columns["found"] = np.full((self.size, self.count), -1, dtype=np.int32)
        self.columns["fate"] = np.full((self.size, self.count), Fate.NOT_SENT, dtype=np.int8)
        for name in ("short", "wrong", "edge", "timed_out"):
            self.columns[name] = np.zeros((self.size, self.count), dtype=np.bool_)
        if words is not None:
            for name in ("first_bit", "last_bit"):
                shape = (self.size, self.count, *words)
                self.columns[name] = np.full(shape, NEVER, dtype=np.int64)

    def row(self, name: str, index: int) -> np.ndarray:
        """Return one conversion's row of a column, to be read or written, shape (T,)."""
        row: np.ndarray = self.columns[name][index & (self.size - 1)]
        return row

    def at(self, name: str, index: Times, trials: Times) -> np.ndarray:
        """Return a column at (conversion, trial) pairs."""
        found: np.ndarray = self.columns[name][index & (self.size - 1), trials]
        return found

    def put(self, name: str, index: Times, trials: Times, values: object) -> None:
        """Set a column at (conversion, trial) pairs."""
        self.columns[name][index & (self.size - 1), trials] = values

    def open(self, index: int) -> None:
        """Make room for one more conversion."""
        if index - self.low >= self.size:
            self._grow()
        self.high = index + 1

    def _grow(self) -> None:
        kept = np.arange(self.low, self.high)
        old, self.size = self.size, self.size * 2
        for name, column in self.columns.items():
            blank = np.empty((self.size, *column.shape[1:]), dtype=column.dtype)
            blank[...] = _blank(name)
            blank[kept & (self.size - 1)] = column[kept & (old - 1)]
            self.columns[name] = blank

    def rows(self, name: str, first: int, count: int) -> np.ndarray:
        """Return a copy of rows first ... first + count - 1 of a column."""
        found: np.ndarray = self.columns[name][np.arange(first, first + count) & (self.size - 1)]
        return found

    def hand_over(self, count: int) -> FrameBlock:
        """Return the oldest rows as a block, and forget them."""
        index = np.arange(self.low, self.low + count) & (self.size - 1)
        taken = {}
        for name, column in self.columns.items():
            taken[name] = column[index]
            column[index] = _blank(name)
        block = FrameBlock(
            trials=self.trials,
            first=self.low,
            **{name: taken[name].T for name in (*_TIMES, "found", "fate", "timed_out")},
            short_acquisition=taken["short"].T,
            first_bit=None if self.words is None else np.moveaxis(taken["first_bit"], 0, 1),
            last_bit=None if self.words is None else np.moveaxis(taken["last_bit"], 0, 1),
        )
        self.low += count
        return block


def _blank(name: str) -> int:
    if name == "found":
        return -1
    if name == "fate":
        return int(Fate.NOT_SENT)
    return 0 if name in ("short", "wrong", "edge", "timed_out") else NEVER
