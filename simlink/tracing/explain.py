"""Why one word was lost, late, wrong or read too early: the chain of causes in plain sentences.

`stories` tells what happened, in instants from the start of the trial; `culprit` finds what is at
fault by repeating the unit with one quantity mended and all other draws as they were.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from simlink.base.errors import InputError
from simlink.base.instants import FS_PER_SECOND
from simlink.base.late import picture
from simlink.link.transient import upsets
from simlink.records import Fate
from simlink.tracing.association_told import association, remark
from simlink.tracing.culprit import culprit
from simlink.tracing.facts import Facts
from simlink.tracing.finding import KINDS, LATEST, TIMED_OUT, find
from simlink.tracing.stories import story_of

if TYPE_CHECKING:
    from simlink.scenario.loading import Scenario

#: Conversions of the picture at the most.
_SHOWN = 8


@dataclass(frozen=True, repr=False)
class Explanation:
    """What became of one conversion, and why.

    Attributes
    ----------
    scenario : Scenario
        What was run.
    trial, conversion : int
        Which.
    fate : str
        What became of it, as the ledger spells it; ``"timed_out"`` and ``"latest"`` if that was
        asked for.
    steps : tuple of str
        What happened, a sentence each.
    cause : str
        The key of the scenario that is at fault; empty if the word was delivered in time.
    because : str
        The same in a sentence, with what was tried.
    margin : int or None
        By how much it was missed, in fs, below zero: of one edge against another, or of a frame
        against the slot that it needed; None if no instant says so.
    shown : range
        The conversions that the picture shows.
    signals : tuple of str
        The rows of the picture, as its traces call them; empty for the usual ones.
    beside : str
        What is said beside the fate, as in a picture: for which conversion the host takes the
        frame, if for another one, and whether anybody tells it.
    """

    scenario: Scenario = field(compare=False)
    trial: int
    conversion: int
    fate: str
    steps: tuple[str, ...]
    cause: str
    because: str
    margin: int | None
    shown: range
    signals: tuple[str, ...] = ()
    beside: str = ""

    @property
    def text(self) -> str:
        """Everything in one paragraph."""
        return " ".join([*self.steps, self.because]).strip()

    def diagram(self, **options: Any) -> Any:
        """Draw the stretch; see `simlink.pictures.diagram.draw` for the options."""
        draw = picture("diagram", "draw")
        if self.signals:
            options = {"signals": list(self.signals), **options}
        return draw(self.scenario, self.shown, trial=self.trial, **options)

    def to_dict(self) -> dict[str, Any]:
        """Return it as plain values: the margin in seconds."""
        return {
            "trial": self.trial,
            "conversion": self.conversion,
            "fate": self.fate,
            "beside": self.beside.removeprefix(", "),
            "steps": list(self.steps),
            "cause": self.cause,
            "because": self.because,
            "margin": None if self.margin is None else self.margin / FS_PER_SECOND,
        }

    def __repr__(self) -> str:
        return self.text


def explain(
    scenario: Scenario, word: int | None = None, *, trial: int = 0, first: str | None = None
) -> Explanation:
    """Explain what became of one conversion.

    Parameters
    ----------
    scenario : Scenario
        What is run.
    word : int, optional
        The conversion whose words they are.
    trial : int
        Of which unit.
    first : str, optional
        Instead: one of the run, by a word of `finding.KINDS`: the first that met a fate, that the
        host gave up or takes for another one, or of which nobody is told, or the latest of all.

    Raises
    ------
    InputError
        If there is no such conversion, or neither or both are given.
    """
    if (word is None) == (first is None):
        raise InputError(scenario.name, "word", None, "one of a conversion and a fate is wanted")
    if first is not None:
        if first not in KINDS:
            raise InputError("--first", None, f'"{first}"', f"one of {', '.join(KINDS)}")
        trial, word = find(scenario, first)
    assert word is not None
    _check(scenario, trial, word)
    facts = Facts(scenario, trial, word)
    fate = facts.fate.word
    if facts.fate is Fate.NOT_SENT:
        raise InputError(scenario.name, "word", str(word), "this conversion was never triggered")
    if first in (LATEST, TIMED_OUT):
        fate = first
    elif facts.row["timed_out"] and facts.fate is Fate.DELIVERED:
        fate = TIMED_OUT
    told = story_of(facts, fate)
    believed = association(facts, fate)
    told.steps += believed.steps
    if believed.until - believed.since < _SHOWN:
        told.since, told.until = min(told.since, believed.since), max(told.until, believed.until)
    cause = because = ""
    if told.what:
        cause, because = culprit(facts, told.tries, told.saved, told.what)
    end = max(told.until, word) + 1
    start = max(told.since, end - _SHOWN)
    steps, shown = tuple(told.steps), range(min(start, word), end)
    return Explanation(
        scenario, trial, word, fate, steps, cause, because, told.margin, shown, told.signals,
        remark(facts.view[word], facts.fate, upsets(scenario)),
    )  # fmt: skip


def _check(scenario: Scenario, trial: int, word: int) -> None:
    told = (("trial", trial, scenario.trials), ("word", word, scenario.conversions))
    for name, value, most in told:
        if not 0 <= value < most:
            raise InputError(scenario.name, name, str(value), f"0 to {most - 1}")
