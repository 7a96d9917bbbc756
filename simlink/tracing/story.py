"""A story: what happened to one conversion, in sentences, and what may be at fault for it."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, field

from simlink.base.wording import number, short_time, time_text
from simlink.scenario.distributions import Distribution
from simlink.tracing.culprit import Saved, Try, delivered


@dataclass
class Story:
    """What is told of one conversion."""

    #: A sentence each, in the order in which they are told.
    steps: list[str]
    #: The conversion with which it began.
    since: int
    #: By how much it was missed, in fs, below zero.
    margin: int | None = None
    #: What may be at fault, in the order in which it is tried.
    tries: Iterable[Try] = field(default_factory=tuple)
    #: Takes the record of the conversion; tells whether it is well.
    saved: Saved = delivered
    #: What becomes of a conversion that is well, such as ``"is delivered"``; empty if nothing is at
    #: fault.
    what: str = "is delivered"
    #: The rows that show it, if they are not the usual ones.
    signals: tuple[str, ...] = ()
    #: The last one that it tells of, if that is after its own.
    until: int = 0

    def also(self, other: Story) -> None:
        """Go on with another story, which tells what led to this one."""
        self.steps += other.steps
        self.since = min(self.since, other.since)
        self.until = max(self.until, other.until)
        self.tries = other.tries


def at(instant: int) -> str:
    """Return an instant of the trial in words."""
    return f"at {time_text(instant)}"


def compared(length: int, law: Distribution) -> str:
    """Return a length beside the mean of the law that it was drawn from."""
    said = short_time(length)
    if law.is_constant:
        return said
    far = law.mean > 0 and length >= 1.5 * law.mean
    times = f"{number(length / law.mean, 2)} times the " if far else ""
    return f"{said} ({times}{short_time(round(law.mean))} on average)"


def conversions(first: int, last: int) -> str:
    """Return one conversion, or several in a row, in words."""
    if last <= first + 1:
        return f"conversion {first}" if first == last else f"conversions {first} and {last}"
    return f"conversions {first} to {last}"
