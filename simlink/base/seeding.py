"""The starting states of many generators at once.

NumPy's ``SeedSequence`` hashes one seed at a time, which for short trials costs more than the
draws themselves. Here it is hashed for a whole range of trials together, to the same states
(M. E. O'Neill's ``seed_seq_fe``, as NumPy documents and freezes it; the tests compare).
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from simlink.base.sfc64 import started

Words = npt.NDArray[np.uint32]
States = npt.NDArray[np.uint64]

_POOL = 4
_SHIFT = np.uint32(16)
_MASK = 0xFFFFFFFF


def entropy(seed: int, trial: int, source: str) -> list[int]:
    """Return the integers that seed the generator of one source in one trial."""
    digest = hashlib.blake2b(source.encode(), digest_size=16).digest()
    return [seed, trial, int.from_bytes(digest[:8], "little"), int.from_bytes(digest[8:], "little")]


def states(words: States) -> States:
    """Return the SFC64 states that words seed: uint64, shape (..., 4) of (..., 3)."""
    a, b, c, counter = started(*np.moveaxis(words, -1, 0))
    return np.stack([a, b, c, np.full_like(a, counter)], axis=-1)


def words(seed: int, trials: range, sources: Sequence[str]) -> States:
    """Return the words that seed SFC64 of sources in a range of trials: shape (sources, T, 3)."""
    rows = [
        [word for number in entropy(seed, trial, source) for word in _words(number)]
        for source in sources
        for trial in trials[:1]
    ]
    found = np.empty((len(sources), len(trials), 3), dtype=np.uint64)
    before = len(_words(seed))
    done = 0
    while done < len(trials):
        # A number takes as many words as it has; what is of one length is hashed together.
        width = len(_words(trials[done]))
        most = min(len(trials), done + max(1, (1 << 32 * width) - trials[done]))
        own = np.array([_words(trial) for trial in trials[done:most]], dtype=np.uint32)
        for length in sorted({len(row) for row in rows}):
            these = [at for at, row in enumerate(rows) if len(row) == length]
            tails = np.array([rows[at][before + len(_words(trials[0])) :] for at in these])
            found[these, done:most] = _hashed(_words(seed), own, tails.astype(np.uint32))
        done = most
    return found


def _words(number: int) -> list[int]:
    """Return a number as 32-bit words, the lowest first."""
    words = [number & _MASK]
    while number := number >> 32:
        words.append(number & _MASK)
    return words


def _hashed(before: list[int], own: Words, tails: Words) -> States:
    """Return the seeds of all pairs of a source (its words a row) and a trial (likewise)."""
    shape = (len(tails), len(own))
    columns = [np.full(shape, word, dtype=np.uint32) for word in before]
    columns += [np.broadcast_to(word, shape) for word in own.T]
    columns += [np.broadcast_to(word[:, np.newaxis], shape) for word in tails.T]
    columns += [np.zeros(shape, dtype=np.uint32)] * (_POOL - len(columns))
    with np.errstate(over="ignore"):
        return np.stack(_generated(_mixed(columns)), axis=-1)


class _Hash:
    """The hash of ``SeedSequence``: its multiplier moves on with every use."""

    def __init__(self, start: int, step: int) -> None:
        self.value, self.step = start, step

    def __call__(self, words: Words) -> Words:
        words = words ^ np.uint32(self.value)
        self.value = self.value * self.step & _MASK
        words = words * np.uint32(self.value)
        return words ^ (words >> _SHIFT)


def _mixed(columns: list[Words]) -> list[Words]:
    """Fill the pool and mix every word into every other."""
    hashed = _Hash(0x43B0D7E5, 0x931E8875)
    pool = [hashed(column) for column in columns[:_POOL]]

    def mix(into: int, words: Words) -> None:
        words = pool[into] * np.uint32(0xCA01F9DD) - words * np.uint32(0x4973F715)
        pool[into] = words ^ (words >> _SHIFT)

    for source in range(_POOL):
        for into in range(_POOL):
            if source != into:
                mix(into, hashed(pool[source]))
    for column in columns[_POOL:]:
        for into in range(_POOL):
            mix(into, hashed(column))
    return pool


def _generated(pool: list[Words]) -> list[States]:
    """Return the three 64-bit words that SFC64 takes."""
    hashed = _Hash(0x8B51F9DD, 0x58F38DED)
    halves = [hashed(pool[place % _POOL]).astype(np.uint64) for place in range(6)]
    return [halves[2 * i] | halves[2 * i + 1] << np.uint64(32) for i in range(3)]
