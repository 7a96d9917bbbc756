"""Puts the changes of a dump in order, block by block, and into words.

Changes of one instant come in the order of the ranks of their events, and then of their places
(`key_of`).
"""

from __future__ import annotations

from collections.abc import Callable
from functools import cache
from types import SimpleNamespace
from typing import Any

import numpy as np
import numpy.typing as npt

from simlink.base.instants import Times
from simlink.engines.event.clockwork import FREE, PUSH, Clockwork

Numbers = npt.NDArray[np.int64]

#: The rank of what comes behind all else, and the last place within a rank.
BEHIND, LAST_PLACE = 126, 2**24 - 1


class UnsettledOrderError(Exception):
    """Which of two changes of one instant comes first is for events to tell."""


class Observed:
    """Changes that were observed, with what says where each comes within its instant."""

    def __init__(self) -> None:
        #: Who knows the rank of what happens now.
        self.env: Clockwork | SimpleNamespace = SimpleNamespace(rank=BEHIND)
        #: The frame of what is pushed, or refused, now.
        self.frame = 0
        #: Instant, rank, frame and text of each.
        self.rows: list[tuple[int, int, int, str]] = []
        self.clear = self.rows.clear

    def __len__(self) -> int:
        return len(self.rows)

    def append(self, change: tuple[int, str]) -> None:
        """Hold a change back that happens now."""
        self.rows.append((change[0], self.env.rank, self.frame, change[1]))

    def take(self, count: int) -> tuple[Numbers, Numbers, list[bytes]]:
        """Return instants, keys and texts of the first changes, which are no longer held."""
        *numbers, texts = zip(*self.rows[:count], strict=True) if count else ((),) * 4
        times, ranks, frames = np.array(numbers, dtype=np.int64)
        pushes = ranks == PUSH
        keys = key_of(ranks, frames * pushes, pushes | (ranks == FREE))
        if ((times[1:] == times[:-1]) & (keys[1:] < keys[:-1])).any():
            raise UnsettledOrderError
        del self.rows[:count]
        return times, keys, [text.encode("ascii") for text in texts]


def key_of(rank: Any, frame: Any, place: Any) -> Any:
    """Return what orders the changes of an instant.

    Whose frame it is matters among pushes alone. The place: among pushes that of the strobe, of
    what was observed, of each bit; among edges of the remote side that of busy, which was observed,
    of each data line, the clock, the capture; the host's last edge is ahead of what it leads to.
    """
    return ((rank + 1) << 56) + (frame << 24) + place


def in_order(times: Times, keys: Numbers) -> Numbers:
    """Return where changes stand, ordered by their instants and, within one, by their keys."""
    order: Numbers = np.argsort(times, kind="stable")
    times = times[order]
    again = np.concatenate([[False], times[1:] == times[:-1]])
    # Few share their instant with another: sorting all by two keys takes most of a dump's time.
    shared = np.flatnonzero(again | np.append(again[1:], False))
    some = order[shared]
    order[shared] = some[np.lexsort((keys[some], times[shared]))]
    return order


class States:
    """Texts between the states of one variable, by small numbers that stand for states."""

    def __init__(
        self, texts: list[bytes], difference: Callable[[int, int], str], count: int, first: int
    ) -> None:
        self.texts = texts
        self.difference = difference
        self.held = first
        self.table = np.full((count, count), -1, dtype=np.int64)

    def texts_of(self, states: Numbers) -> Numbers:
        """Return which text brings each state after the one before."""
        if not len(states):
            return states
        before = np.concatenate([[self.held], states[:-1]])
        self.held = int(states[-1])
        found: Numbers = self.table[before, states]
        if (found < 0).any():
            new = np.unique(np.stack([before, states])[:, found < 0], axis=1)
            for one, other in new.T.tolist():
                self.table[one, other] = len(self.texts)
                self.texts.append(self.difference(one, other).encode("ascii"))
            found = self.table[before, states]
        return found


@cache
def _quads() -> Numbers:
    """Return the four digits of each number below 10^4, as the bytes of one number each."""
    digits = "".join(f"{number:04}" for number in range(10_000))
    found: Numbers = np.frombuffer(digits.encode("ascii"), dtype=np.uint32)
    return found


def written(instants: Numbers) -> list[bytes]:
    """Return the lines of instants that rise: four digits at a time, if all are as long."""
    if not len(instants):
        return []
    width = len(str(instants[-1]))
    if instants[0] < 0 or len(str(instants[0])) != width:
        return [b"#%d\n" % instant for instant in instants.tolist()]
    quads = -(-width // 4)
    rows = np.empty((len(instants), quads + 2), dtype=np.uint32)
    rest = instants
    for place in range(quads, 0, -1):
        above = rest // 10_000
        rows[:, place] = _quads()[rest - 10_000 * above]
        rest = above
    lines, end = rows.view(np.uint8), 4 * (quads + 1)
    begin = end - width - 1
    lines[:, begin], lines[:, end] = ord("#"), ord("\n")
    found: list[bytes] = (
        np.ascontiguousarray(lines[:, begin : end + 1]).view(f"S{width + 2}").ravel().tolist()
    )
    return found
