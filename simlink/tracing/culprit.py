"""Which quantity is at fault for one conversion: the one whose cure, alone, saves it.

What is drawn is tried at its mean first, for a draw far from it is what an engineer looks for;
then each quantity at its best, in the order of `verdict.cause`. All other draws stay as they were.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator
from typing import TYPE_CHECKING, Any

from simlink.base.errors import InputError
from simlink.base.wording import short_time
from simlink.records import Fate
from simlink.scenario.distributions import Distribution
from simlink.tracing.facts import Facts, rows_of
from simlink.verdict.cause import candidates, evenly, named
from simlink.verdict.limit import Known, Limit
from simlink.verdict.what_if import Values, value_at

if TYPE_CHECKING:
    from simlink.scenario.loading import Scenario

#: Key of the scenario, values to try, name with its value, and those values in words.
Try = tuple[str, Values, str, str]
Saved = Callable[[Any], bool]


def culprit(facts: Facts, tries: Iterable[Try], saved: Saved, what: str) -> tuple[str, str]:
    """Return the key of what is at fault, tried in order, and a sentence that says so.

    ``saved`` takes the record of the conversion with other values and tells whether it is well;
    ``what`` becomes of such a conversion, such as ``"is delivered"``.
    """
    heaviest: tuple[str, str] | None = None
    tried: list[str] = []
    for key, values, name, best in tries:
        if (mark := repr(sorted(values.items()))) in tried:
            continue
        tried.append(mark)
        heaviest = heaviest or (key, name)
        row = rows_with(facts, values)
        if row is not None and saved(row):
            best = f"{best} and all other draws as they were"
            return key, f"{name[0].upper()}{name[1:]} is at fault: {best}, it {what}."
    if heaviest is None:
        return "", "No single quantity was found at fault."
    key, name = heaviest
    return key, f"No one quantity by itself mends it; {name} weighs most."


def rows_with(facts: Facts, values: Values) -> Any:
    """Return the record of the conversion with other values; None if they make no scenario."""
    try:
        changed = facts.scenario.with_values(values)
    except InputError:
        return None
    rows, _ = rows_of(changed, facts.trial, facts.conversion)
    return rows[facts.conversion]


def delivered(row: Any) -> bool:
    """Tell whether a conversion was read whole and right."""
    return int(row["fate"]) == Fate.DELIVERED


def spared(*fates: Fate) -> Saved:
    """Return what tells whether a conversion was sent and met none of some fates."""
    return lambda row: int(row["fate"]) not in (Fate.NOT_SENT, *fates)


def at_mean(scenario: Scenario, *keys: str) -> Iterator[Try]:
    """Give some quantities, each drawn at its mean; what is not drawn is left out."""
    for key in keys:
        law = value_at(scenario, key)
        if isinstance(law, Distribution) and not law.is_constant:
            mean = round(law.mean)
            best = f"with every one at its mean of {short_time(mean)}"
            yield key, {key: f"{mean} fs"}, named(scenario, key), best


def spaced(scenario: Scenario) -> Iterator[Try]:
    """Give the pattern of the triggers, evenly spaced."""
    if scenario.trigger.pattern in ("burst", "poisson"):
        even = evenly(scenario)
        if even is not None:
            kind = "in bursts" if scenario.trigger.pattern == "burst" else "at random"
            name = f"the pattern of the triggers ({kind})"
            best = "with evenly spaced ones at the same mean rate"
            yield "trigger.pattern", even, name, best


def at_best(scenario: Scenario, limit: str, *keys: str) -> Iterator[Try]:
    """Give what a limit, by its key, may be laid to: what it rests on, each at its best.

    See `verdict.cause.candidates`.
    """
    row = Limit(limit, "", "1", None, None, None, Known.VIOLATED, "", keys)
    yield from candidates(scenario, row)
