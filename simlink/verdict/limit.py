"""One limit of a link, how far from it the link stays, and how that is known."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, field
from enum import StrEnum
from fractions import Fraction
from functools import cached_property
from typing import Any


class Known(StrEnum):
    """How it is known whether a limit holds."""

    #: From bounded inputs, for every draw.
    PROVEN = "proven"
    #: No violation among those simulated; a bound says how rare it is.
    NOT_SEEN = "not seen"
    #: Broken in this run, or on average in the long run.
    VIOLATED = "violated"
    #: Not seen, but some draw breaks it.
    POSSIBLE = "can be violated"


@dataclass(frozen=True)
class Limit:
    """One row of the table of limits.

    Attributes
    ----------
    key : str
        Its name for programs, such as ``"acquisition"``, one of `KEYS`.
    what : str
        Its name for people.
    unit : str
        Of limit, worst and margin: ``"s"`` (in seconds, exact), ``"frames"``, ``"bits"``,
        ``"channels"``, ``"1"`` (a load or a share), ``"bit/s"`` or ``"V/s"``.
    limit : Fraction or None
        What must not be exceeded or undercut.
    worst : Fraction or None
        The worst that is known: proven where there is a bound, else the worst seen or, of
        unbounded jitter, at a stated probability.
    margin : Fraction or None
        What is left, negative where the limit is broken; None where no number says so.
    known : Known
        How that is known.
    evidence : str
        The same in a sentence: the share with its interval, the bound by boards and by words with
        its assumption, the draw that breaks it, or what a proof rests on.
    keys : tuple of str
        The keys of the scenario that it rests on, the one that takes most first.
    later : bool
        Whether it is a longer run that breaks it, which this one ended too early for.
    """

    key: str
    what: str
    unit: str
    limit: Fraction | None
    worst: Fraction | None
    margin: Fraction | None
    known: Known
    evidence: str
    keys: tuple[str, ...] = ()
    later: bool = False

    def to_dict(self) -> dict[str, Any]:
        """Return the row as figures.json holds it: times in seconds, missing numbers None."""
        found = asdict(self) | {"known": self.known.value, "keys": list(self.keys)}
        del found["later"]
        for name in ("limit", "worst", "margin"):
            value = found[name]
            found[name] = None if value is None else float(value)
        return found | {"share": None if self.share is None else float(self.share)}

    @property
    def holds(self) -> bool:
        """Whether it may be relied on: proven, or never seen broken."""
        return self.known in (Known.PROVEN, Known.NOT_SEEN)

    @property
    def is_floor(self) -> bool:
        """Whether it is the least that there has to be, not the most that there may be."""
        if self.limit is None or self.worst is None or not self.margin:
            return False
        return (self.worst < self.limit) != (self.margin > 0)

    @property
    def share(self) -> Fraction | None:
        """The margin as a share of the limit; None where either is missing or the limit is 0."""
        if self.margin is None or not self.limit:
            return None
        return self.margin / abs(self.limit)


#: Every limit there is, in the order of the table: what it is called, and the unit of its numbers.
LIMITS = {
    "acquisition": ("acquisition", "s"),
    "period": ("conversion and readout", "s"),
    "clock_period": ("serial clock period", "s"),
    "clock_high": ("serial clock high time", "s"),
    "clock_low": ("serial clock low time", "s"),
    "setup": ("host-side setup", "s"),
    "hold": ("host-side hold", "s"),
    "first_bit": ("first bit", "s"),
    "strobe_setup": ("lane-to-strobe setup", "s"),
    "strobe_hold": ("lane-to-strobe hold", "s"),
    "pulse": ("pulse", "s"),
    "line_rate": ("line rate", "bit/s"),
    "upset": ("common-mode slew", "V/s"),
    "channels": ("isolation channels", "channels"),
    "packet_rate": ("mean line load", "1"),
    "early_read": ("early read", "bits"),
    "fifo_depth": ("FIFO depth", "frames"),
    "host_rate": ("mean host load", "1"),
    "interrupt": ("interrupt by edge", "s"),
    "timeout": ("timeout", "s"),
}
KEYS = tuple(LIMITS)
#: Those of which a broken one gives wrong bits.
CAPTURES = ("setup", "hold", "first_bit", "strobe_setup", "strobe_hold", "pulse")
#: Those that a slower serial clock eases.
EASED_BY_CLOCK = ("clock_period", "clock_high", "clock_low", *CAPTURES, "line_rate")


class Met(StrEnum):
    """Whether a requirement is met."""

    #: For every draw within the given laws.
    PROVEN = "proven"
    MET = "met"
    NOT_MET = "not met"
    #: The interval of the figure has the bound inside.
    UNDECIDED = "undecided"


@dataclass(frozen=True)
class Row:
    """One requirement, and what became of it.

    Attributes
    ----------
    key : str
        The figure or the limit, as the scenario has it below ``require``.
    asked : str
        The bound in words, such as ``"at most 1e-06"``.
    found : str
        What was found, in short.
    met : Met
        Whether it is met.
    evidence : str
        How that is known, in a sentence.
    """

    key: str
    asked: str
    found: str
    met: Met
    evidence: str

    @property
    def holds(self) -> bool:
        """Whether it is met."""
        return self.met in (Met.PROVEN, Met.MET)

    def to_dict(self) -> dict[str, Any]:
        """Return the row as figures.json holds it."""
        return asdict(self) | {"met": self.met.value}


@dataclass(frozen=True)
class Cause:
    """What breaks a limit: the one quantity whose best value, all draws alike, mends it.

    Attributes
    ----------
    limit : str
        The key of the limit.
    key : str
        The key of the scenario that is at fault.
    text : str
        One sentence.
    tried : bool
        Whether the run was repeated with that quantity at its best and the loss was gone.
    """

    limit: str
    key: str
    text: str
    tried: bool


@dataclass(frozen=True)
class Remedy:
    """A change at which a broken limit holds.

    Attributes
    ----------
    limit : str
        The key of the limit.
    changes : tuple of (str, str)
        Keys of the scenario and what to write for each, as in the file.
    text : str
        One sentence.
    tried : bool
        Whether it was run, and the limit held.
    """

    limit: str
    changes: tuple[tuple[str, str], ...]
    text: str
    tried: bool


Explained = tuple[tuple[Cause, ...], tuple[Remedy, ...]]
#: Keys that the nearest limit is said to rest on, at the most.
_MOST_KEYS = 3


def listed(names: Sequence[str]) -> str:
    """Return names one after another, "and" before the last."""
    return names[0] if len(names) == 1 else f"{', '.join(names[:-1])} and {names[-1]}"


@dataclass(frozen=True)
class Verdict:
    """The answer to a run.

    Attributes
    ----------
    meets : bool
        Whether every limit holds.
    limits : tuple of Limit
        In the order of `KEYS`; those that do not apply to the scenario are left out.
    least : Limit or None
        The one with the least margin as a share of its limit, or that is broken the most.
    sentence : str
        The verdict.
    explain : callable
        Returns causes and remedies; asked once, when one of them is wanted, for it takes runs.
    required : tuple of Row
        What the scenario requires besides, and whether it is met.
    """

    meets: bool
    limits: tuple[Limit, ...]
    least: Limit | None
    sentence: str
    explain: Callable[[], Explained] = field(default=lambda: ((), ()), compare=False, repr=False)
    required: tuple[Row, ...] = ()

    @property
    def passes(self) -> bool:
        """Whether every limit holds and every requirement is met."""
        return self.meets and all(one.holds for one in self.required)

    @cached_property
    def _explained(self) -> Explained:
        return self.explain()

    @property
    def causes(self) -> tuple[Cause, ...]:
        """The cause of each limit that does not hold."""
        return self._explained[0]

    @property
    def remedies(self) -> tuple[Remedy, ...]:
        """What would mend each limit that does not hold, where something in reach does."""
        return self._explained[1]

    @property
    def because(self) -> str:
        """What breaks the worst limit and why, or what the nearest one rests on."""
        least = self.least
        if least is None:
            return ""
        if least.holds:
            how = {Known.PROVEN: "is proven", Known.NOT_SEEN: "was not seen broken"}[least.known]
            rests = "That limit"
            if least.keys:
                rests = f"That limit rests on {listed(least.keys[:_MOST_KEYS])}, and"
            return f"{rests} {how}: {least.evidence}."
        told = [one.text for one in self.causes if one.limit == least.key]
        return " ".join([f"{least.evidence[0].upper()}{least.evidence[1:]}.", *told])

    def to_dict(self) -> dict[str, Any]:
        """Return the verdict as figures.json holds it: times in seconds."""
        return {
            "meets_rate": self.meets,
            "verdict": self.sentence,
            "because": self.because,
            "limits": [one.to_dict() for one in self.limits],
            "required": [one.to_dict() for one in self.required],
            "causes": [asdict(one) for one in self.causes],
            "remedies": [{**asdict(one), "changes": dict(one.changes)} for one in self.remedies],
        }

    def __getitem__(self, key: str) -> Limit:
        """Return the limit of a key; KeyError if the scenario has none of it."""
        for one in self.limits:
            if one.key == key:
                return one
        raise KeyError(key)
