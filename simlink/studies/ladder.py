"""What a search goes along, and what it knows of each value there."""

from __future__ import annotations

from dataclasses import dataclass, field
from enum import Enum

from simlink.studies.cycles_seen import Losses


class Verdict(Enum):
    """What is known about one value of the ladder."""

    MEETS = "meets"
    EXCEEDS = "exceeds"
    OPEN = "cannot tell"
    ROUGH = "rough search"
    PROVEN = "proven"


@dataclass
class Point:
    """One value of the ladder that was looked at, and what was counted, if anything had to be.

    `low` and `high` are one-sided limits of the share lost, each at the error that was spent at the
    last look; `looks` says how often the test looked.
    """

    at: int
    verdict: Verdict
    seen: Losses = field(default_factory=Losses)
    low: float | None = None
    high: float | None = None
    looks: int = 0


@dataclass
class Ladder:
    """What is searched: from ``low`` (the least safe) to ``high``, starting at ``start``.

    ``proven`` is the first value of which a bound proves that nothing is lost, if there is one.
    """

    low: int
    high: int
    start: int
    proven: int | None = None
