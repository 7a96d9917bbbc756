"""What an engine hands over: one record for each conversion of some trials.

`COLUMNS` says what a record holds. The engines' blocks, the ledger and its documentation are all
made from it. This is the contract of every engine: the same scenario and seed give the same
records.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from enum import IntEnum
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from simlink.base.instants import NEVER, Times
from simlink.link.fate import Fate as Fate
from simlink.scenario.schema import Scenario


class Cause(IntEnum):
    """Why a conversion is lost or wrong, in the order in which the first of several counts."""

    NONE = -1
    TRIGGER = 0
    BUSY = 1
    CLOCK = 2
    STROBE = 3
    SLIP = 4
    PACKET = 5
    DATA = 6
    TIMING = 7
    FULL = 8
    LATE = 9
    OCCUPIED = 10

    @property
    def word(self) -> str:
        """The cause as the ledger spells it."""
        return self.name.lower()


@dataclass(frozen=True)
class Column:
    """One column of the records."""

    name: str
    type: str  # of NumPy
    meaning: str  # in one line
    unit: str = ""  # "fs" for an instant
    blank: int = 0  # what it holds as long as the thing has not happened
    of_word: bool = False  # whether each word has its own, or all words of a conversion share it
    in_ledger: bool = True
    follows: bool = False  # from the others, so that no engine hands it over
    #: Whether the ledger has it only where frames whose check fails are asked for once more.
    of_repeats: bool = False

    @property
    def ledger_name(self) -> str:
        """How the ledger spells it: instants with a ``t_`` ahead."""
        return f"t_{self.name}" if self.unit == "fs" else self.name


def _instant(name: str, meaning: str, **where: bool) -> Column:
    return Column(name, "i8", meaning, "fs", NEVER, **where)


COLUMNS = (
    _instant("due", "when the trigger was due", in_ledger=False),
    _instant("trigger", "when the trigger left the timer"),
    _instant("aperture", "when the sample was taken"),
    _instant("ready", "when busy fell at the converter"),
    _instant("first_bit", "when the word's first bit was pushed", of_word=True),
    _instant("last_bit", "when the word's last bit was pushed", of_word=True),
    _instant("release", "when busy was allowed to fall at the host"),
    _instant("service", "when the service of which this is the first frame began", in_ledger=False),
    _instant("read_start", "when the host began to clock the frame out"),
    _instant("read_end", "when the host had read the frame"),
    Column(
        "occupancy_at_arrival",
        "i4",
        "slots taken when the first bit arrived",
        blank=-1,
        in_ledger=False,
    ),
    Column("fate", "i1", "what became of the conversion", blank=Fate.NOT_SENT),
    Column("short_acquisition", "?", "whether the sample had not settled"),
    Column(
        "hit",
        "i1",
        "what of the frame a transient hit: 2 to the power of each cause, added up",
        in_ledger=False,
    ),
    Column("wrong_bits", "i4", "bits that a transient made wrong, as the host read them"),
    Column("timed_out", "?", "whether the host gave the conversion up", in_ledger=False),
    Column(
        "check_failed",
        "?",
        "whether a check of the frame failed as the host read it, or it was closed short",
        in_ledger=False,
    ),
    Column(
        "counter_error",
        "u2",
        "what the sequence counter that the host took differs by, modulo 2, from the number of "
        "triggers sent that had come",
        in_ledger=False,
    ),
    _instant(
        "void_read",
        "when the host had read what it took for the frame, which was gone",
        in_ledger=False,
    ),
    Column(
        "in_vain",
        "i8",
        "how long the host served for the frame without reading it: it was gone, or busy was high",
        in_ledger=False,
    ),
    _instant(
        "request",
        "when the host asked for the frame once more, since its check had failed",
        of_repeats=True,
    ),
    Column("believed", "i8", "the conversion that the host takes it for", blank=-1, follows=True),
    Column("misaligned", "?", "whether it is taken for another one, or for none", follows=True),
    Column("told", "?", "whether the host is told that something is wrong", follows=True),
    Column("cause", "i1", "why it is lost or wrong", blank=Cause.NONE, follows=True),
    Column(
        "flagged",
        "?",
        "whether the fault line was high from its trigger to the end of its read, or at any time "
        "between",
        follows=True,
    ),
)
#: One record without its word columns, as a NumPy record.
RECORD = np.dtype(
    [(one.name, one.type) for one in COLUMNS if not one.of_word and not one.follows], align=True
)
#: What follows from the records of a trial, of one conversion.
OUTCOME = np.dtype([(one.name, one.type) for one in COLUMNS if one.follows], align=True)

#: A frame that no trigger asked for. ``after``: the conversion that it comes after in the order
#: of frames, -1 if none; instants in fs, `NEVER` where there is none; ``read_end``: also of a read
#: that found no frame; ``served``: how long the host served for it. The fate is that of the frame,
#: apart from those of conversions; ``check_failed``: whether its check failed as the host read it;
#: ``counter``: what its sequence counter showed then, -1 if the host does not believe it.
UNREQUESTED = np.dtype(
    [
        *((name, np.int64) for name in ("trial", "after")),
        *((name, np.int64) for name in ("aperture", "ready", "release", "read_start", "read_end")),
        ("served", np.int64),
        ("fate", np.int8),
        ("check_failed", np.bool_),
        ("counter", np.int32),
    ]
)

#: A record of which nothing has happened yet.
BLANK = np.zeros((), dtype=RECORD)
for _column in COLUMNS:
    if not _column.of_word and not _column.follows:
        BLANK[_column.name] = _column.blank


@dataclass(repr=False)
class FrameBlock:
    """Records of conversions ``first`` ... ``first + n - 1`` of some trials.

    Each column that all words of a conversion share is an attribute of shape (T, n).

    Attributes
    ----------
    trials : range
        The trials that it covers.
    first : int
        Its first conversion.
    records : ndarray of RECORD, shape (T, n)
        One record a conversion.
    first_bit, last_bit : ndarray of int64, shape (T, n, lanes, words), or None
        When each word's own first and last bit was pushed; None when no ledger is kept.
    unrequested : ndarray of UNREQUESTED, shape (frames,), or None
        Frames that no trigger asked for, by trial and in the order of the frames: each with the
        block of the conversion that it comes after, or one before. None where there are none.
    """

    trials: range
    first: int
    records: npt.NDArray[Any]
    first_bit: Times | None = None
    last_bit: Times | None = None
    unrequested: npt.NDArray[Any] | None = None

    @classmethod
    def blank(
        cls, trials: range, first: int, count: int, words: tuple[int, int] | None
    ) -> FrameBlock:
        """Return a block in which nothing has happened yet.

        `words` is the shape of a frame, (lanes, words_per_lane), if word times are to be kept.
        """
        shape = (len(trials), count)
        bits = [
            None if words is None else np.full((*shape, *words), NEVER, dtype=np.int64)
            for _ in range(2)
        ]
        records, numbers = np.empty(shape, dtype=RECORD), np.frombuffer(BLANK.tobytes(), np.int64)
        # Ten times as quick as record by record.
        records.view(np.int64).reshape(-1, len(numbers))[:] = numbers
        return cls(trials, first, records, *bits)

    def __getattr__(self, name: str) -> Any:
        """Return a column, shape (T, n), to be read or written."""
        if name != "records" and name in RECORD.fields:  # type: ignore[operator]
            return self.records[name]
        raise AttributeError(f"a block of records has no column {name!r}")

    def __repr__(self) -> str:
        last = self.first + self.count - 1
        return f"FrameBlock of trials {self.trials}, conversions {self.first} to {last}"

    @property
    def count(self) -> int:
        """Conversions in the block."""
        return int(self.records.shape[1])

    def same_as(self, other: FrameBlock) -> bool:
        """Tell whether two blocks hold the same records, to the femtosecond and the fate."""
        return (
            (self.trials, self.first) == (other.trials, other.first)
            and np.array_equal(self.records, other.records)
            and (
                self.unrequested is None
                or other.unrequested is None
                or np.array_equal(self.unrequested, other.unrequested)
            )
            and _same(self.first_bit, other.first_bit)
            and _same(self.last_bit, other.last_bit)
        )


def _same(mine: Times | None, theirs: Times | None) -> bool:
    return mine is theirs if mine is None or theirs is None else np.array_equal(mine, theirs)


class Engine(Protocol):
    """What every engine offers."""

    #: The word that selects it.
    name: str

    def refuses(self, scenario: Scenario) -> str | None:
        """Return why the engine cannot do the scenario exactly, or None if it can."""

    def run(self, scenario: Scenario, trials: range, *, words: bool) -> Iterator[FrameBlock]:
        """Simulate some trials and hand over their records, each trial's in order."""

    def passing(self, scenario: Scenario, trials: range, *, words: bool) -> Iterator[FrameBlock]:
        """Do as `run` does; each block is good until the next is asked for."""
