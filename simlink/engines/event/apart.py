"""The record of a frame that no trigger asked for."""

from __future__ import annotations

from dataclasses import dataclass

from simlink.base.instants import FAR, NEVER
from simlink.link.fate import NOT_SENT


@dataclass(slots=True, eq=False)
class Apart:
    """The record of a frame that no trigger asked for.

    Attributes
    ----------
    after : int
        The conversion that it comes after in the order of frames; -1 if none.
    aperture, ready, release, read_start, read_end : int, fs
    fate : int
    check_failed : bool
        Whether its check failed as the host read it.
    counter : int
        What its sequence counter showed then; -1 if the host does not believe it.
    paid : bool
        Whether a master that has to pay for its slot did so.
    stray : bool
        Whether it was begun by a false strobe, and no bit of a conversion is in it.
    occupancy : int
        Slots taken when its first bit arrived; -1 if none has.
    words : list of int or None
        What the host read on the lane whose words are kept, if it did.
    """

    after: int
    aperture: int = NEVER
    ready: int = NEVER
    release: int = NEVER
    read_start: int = NEVER
    read_end: int = NEVER
    fate: int = NOT_SENT
    check_failed: bool = False
    counter: int = -1
    paid: bool = False
    stray: bool = False
    occupancy: int = -1
    words: list[int] | None = None

    def order(self) -> tuple[int, int, int]:
        """Return its place among the frames."""
        return (
            self.after,
            FAR if self.release == NEVER else self.release,
            FAR if self.read_end == NEVER else self.read_end,
        )
