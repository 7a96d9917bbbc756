"""What an engine hands over: one record for each conversion of a block of trials.

This is the contract of every engine: the same scenario and seed give the same records.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, fields
from enum import IntEnum
from typing import TYPE_CHECKING, Protocol

import numpy as np
import numpy.typing as npt

from simlink.base.instants import NEVER, Times

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario


class Fate(IntEnum):
    """What became of a conversion, and so of each of its words."""

    NOT_SENT = -1
    DELIVERED = 0
    MISSED_TRIGGER = 1
    OVERRUN = 2
    UNDERRUN = 3
    CORRUPTED = 4
    NOT_RECEIVED = 5
    IN_FLIGHT = 6

    @property
    def word(self) -> str:
        """The fate as the ledger spells it."""
        return self.name.lower()


@dataclass(repr=False)
class FrameBlock:
    """Records of conversions ``first`` ... ``first + n - 1`` of some trials, shape (T, n) each.

    Instants are int64 femtoseconds, ``NEVER`` where a thing did not happen.

    Attributes
    ----------
    due, trigger, aperture, ready, release, service, read_start, read_end : ndarray of int64
        When the trigger was due and left, the sample was taken, busy fell at the converter, the
        frame was released, the service that it is the first frame of began, and it was read.
    found : ndarray of int32 or int8
        How many slots were taken when its first bit arrived (-1: it did not arrive).
    fate : ndarray of int8
        A `Fate`; ``NOT_SENT`` where a trial's trigger loop stopped before its last trigger.
    short_acquisition, timed_out : ndarray of bool
        The sample had not settled; the host gave the conversion up.
    first_bit, last_bit : ndarray of int64, shape (T, n, lanes, words), or None
        When each word's own first and last bit was pushed; None when no ledger is kept.
    """

    trials: range
    first: int
    due: Times
    trigger: Times
    aperture: Times
    ready: Times
    release: Times
    service: Times
    read_start: Times
    read_end: Times
    found: npt.NDArray[np.int32] | npt.NDArray[np.int8]
    fate: npt.NDArray[np.int8]
    short_acquisition: npt.NDArray[np.bool_]
    timed_out: npt.NDArray[np.bool_]
    first_bit: Times | None = None
    last_bit: Times | None = None

    @classmethod
    def blank(
        cls, trials: range, first: int, count: int, words: tuple[int, int] | None
    ) -> FrameBlock:
        """Return a block in which nothing has happened yet.

        Parameters
        ----------
        trials : range
            The trials that it covers.
        first, count : int
            Its conversions.
        words : (lanes, words_per_lane) or None
            The shape of a frame, if word times are to be kept.
        """
        shape = (len(trials), count)

        def never() -> Times:
            return np.full(shape, NEVER, dtype=np.int64)

        return cls(
            trials=trials,
            first=first,
            due=never(),
            trigger=never(),
            aperture=never(),
            ready=never(),
            release=never(),
            service=never(),
            read_start=never(),
            read_end=never(),
            found=np.full(shape, -1, dtype=np.int32),
            fate=np.full(shape, Fate.NOT_SENT, dtype=np.int8),
            short_acquisition=np.zeros(shape, dtype=np.bool_),
            timed_out=np.zeros(shape, dtype=np.bool_),
            first_bit=None if words is None else np.full((*shape, *words), NEVER, dtype=np.int64),
            last_bit=None if words is None else np.full((*shape, *words), NEVER, dtype=np.int64),
        )

    def __repr__(self) -> str:
        last = self.first + self.count - 1
        return f"FrameBlock of trials {self.trials}, conversions {self.first} to {last}"

    @property
    def count(self) -> int:
        """Conversions in the block."""
        return int(self.fate.shape[1])

    def same_as(self, other: FrameBlock) -> bool:
        """Tell whether two blocks hold the same records, to the femtosecond and the fate."""
        for field in fields(self):
            mine, theirs = getattr(self, field.name), getattr(other, field.name)
            if isinstance(mine, np.ndarray) and isinstance(theirs, np.ndarray):
                if not np.array_equal(mine, theirs):
                    return False
            elif mine is theirs or isinstance(mine, np.ndarray) or isinstance(theirs, np.ndarray):
                # Both lack word times, or only one does.
                if mine is not theirs:
                    return False
            elif mine != theirs:
                return False
        return True


class Engine(Protocol):
    """What every engine offers."""

    #: The word that selects it.
    name: str

    def refuses(self, scenario: Scenario) -> str | None:
        """Return why the engine cannot do the scenario exactly, or None if it can."""

    def run(self, scenario: Scenario, trials: range, *, words: bool) -> Iterator[FrameBlock]:
        """Simulate some trials and hand over their records, each trial's in order."""
