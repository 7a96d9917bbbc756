"""What each named interval was over a run: least, typical, largest, and over how much of it."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from statistics import median_low
from typing import TYPE_CHECKING

from simlink.tracing.fault_edges import fault_edges
from simlink.tracing.measured import RULES, Span, edges_of, measure

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario
    from simlink.tracing.trace import Trace


@dataclass(frozen=True)
class Limits:
    """What one interval was over a run, in fs.

    Attributes
    ----------
    least, typical, largest : int
        The least, the median and the largest value seen.
    count : int
        How many were measured.
    """

    least: int
    typical: int
    largest: int
    count: int


class RunLimits(dict[str, Limits]):
    """What each interval was over the part of a run that was traced, by symbol.

    Attributes
    ----------
    over : str
        Which part: ``"the first 100 of 300 conversions of each of 20 boards"``.
    parts : dict
        Of `BY_BIT` the limits of the first bit and of later ones, by symbol.
    """

    def __init__(
        self,
        limits: Mapping[str, Limits],
        over: str,
        parts: Mapping[str, dict[str, Limits]] | None = None,
    ) -> None:
        super().__init__(limits)
        self.over = over
        self.parts = dict(parts or {})


#: Intervals of which the first bit, which no clock edge launches, is not like the later ones.
BY_BIT = ("t_SU", "t_DH")
FIRST, LATER = "first bit", "later bits"


def split(limits: Mapping[str, Limits], symbol: str) -> dict[str, Limits]:
    """Return the limits of one interval, by `FIRST` and `LATER` where those of bits differ.

    Otherwise there is one, by the empty name.
    """
    parts = limits.parts.get(symbol) if isinstance(limits, RunLimits) else None
    return parts or {"": limits[symbol]}


#: The most conversions of a run that are traced to measure its intervals.
MOST_TRACED = 2000


def limits_of(spans: Iterable[Span]) -> dict[str, Limits]:
    """Return least, typical (the lower median) and largest of each interval that was seen."""
    lengths: dict[str, list[int]] = {symbol: [] for symbol in RULES}
    for span in spans:
        lengths[span.symbol].append(span.length)
    found = {}
    for symbol, values in lengths.items():
        if values:
            found[symbol] = Limits(min(values), median_low(values), max(values), len(values))
    return found


def traces(scenario: Scenario, most: int) -> Iterator[Trace]:
    """Trace the units of a scenario in turn, until enough conversions are traced.

    Every unit gets its even share of them, one at the least; units beyond this many are left out.
    """
    from simlink.tracing.trace import trace

    units, each = _share(scenario, most)
    for trial in range(units):
        yield trace(scenario, range(each), trial)


def _share(scenario: Scenario, most: int) -> tuple[int, int]:
    """Return how many units are traced, and how many conversions of each."""
    units = min(scenario.trials, most)
    return units, min(scenario.conversions, max(1, most // units))


def traced(scenario: Scenario, most: int = MOST_TRACED) -> str:
    """Return which part of a run is traced to measure its intervals, in words."""
    units, each = _share(scenario, most)
    whole, trials = scenario.conversions, scenario.trials
    if each == whole:
        which = "the one conversion" if whole == 1 else f"all {whole} conversions"
    else:
        which = f"the first {'' if each == 1 else f'{each} '}of {whole} conversions"
    if trials == 1:
        return f"{which} of the board"
    return (
        f"{which} of each of {'' if units == trials else f'the first {units} of '}{trials} boards"
    )


def over_run(scenario: Scenario, most: int = MOST_TRACED) -> RunLimits:
    """Measure every interval over a run, or over as much of it as is traced.

    Parameters
    ----------
    scenario : Scenario
        What is run.
    most : int
        The most conversions in all; see `traces`.

    Returns
    -------
    RunLimits
        By symbol, in the order of `RULES`; only those that were seen.
    """
    seen = (edges_of(found) | fault_edges(found) for found in traces(scenario, most))
    spans = [span for edges in seen for span in measure(edges)]
    parts: dict[str, dict[str, Limits]] = {}
    for name, first in ((FIRST, True), (LATER, False)):
        some = [one for one in spans if one.symbol in BY_BIT and (one.bit == 0) == first]
        for symbol, law in limits_of(some).items():
            parts.setdefault(symbol, {})[name] = law
    return RunLimits(limits_of(spans), traced(scenario, most), parts)
