"""The record of a frame that no trigger asked for."""

from __future__ import annotations

from dataclasses import dataclass, field
from types import SimpleNamespace
from typing import Any

from simlink.base.instants import FAR, NEVER
from simlink.records import RECORD, FrameBlock


def columns(rows: Any) -> SimpleNamespace:
    """Return the columns of some records by their names, to be read and written."""
    return SimpleNamespace(**{name: rows[name] for name in RECORD.names or ()})


def _blank() -> SimpleNamespace:
    return columns(FrameBlock.blank(range(1), 0, 1, None).records[0])


@dataclass(slots=True, eq=False)
class Apart:
    """The record of a frame that no trigger asked for."""

    #: The conversion that it comes after in the order of frames; -1 if none.
    after: int
    #: Its columns, as those of a conversion, of one row.
    record: SimpleNamespace = field(default_factory=_blank)
    #: What its sequence counter showed as the host read it; -1 if the host does not believe it.
    counter: int = -1
    #: Whether a master that has to pay for its slot did so.
    paid: bool = False
    #: Whether it was begun by a false strobe, and no bit of a conversion is in it.
    stray: bool = False
    #: What the host read on the lane whose words are kept, if it did.
    words: list[int] | None = None

    def served(self) -> int:
        """Return how long the host served for it, in fs; the latency is that of a group's first."""
        service, start, end, in_vain = (
            getattr(self.record, name).item(0)
            for name in ("service", "read_start", "read_end", "in_vain")
        )
        read = 0 if end == NEVER else end - (start if service == NEVER else service)
        return int(read + in_vain)

    def order(self) -> tuple[int, int, int]:
        """Return its place among the frames."""
        ends = self.record.release.item(0), self.record.read_end.item(0)
        release, read_end = (FAR if time == NEVER else time for time in ends)
        return self.after, release, read_end
