"""What sizing a link gave: the answer, how sure it is, and everything that was looked at."""

from __future__ import annotations

import json
import math
import tomllib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from simlink.base.cautions import CAUTIONS
from simlink.base.late import picture
from simlink.base.version import __version__
from simlink.base.wording import count, rate_text, share
from simlink.records import Fate
from simlink.studies.sizing import Verdict

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

    from simlink.proofs.bounds import DepthBound
    from simlink.scenario.schema import Scenario
    from simlink.studies.sizing import Point


@dataclass(frozen=True)
class Kind:
    """One thing that can be sized."""

    name: str
    key: str
    figure: str
    fates: tuple[Fate, ...]
    said: str


KINDS = {
    "depth": Kind("depth", "fifo.depth", "overrun", (Fate.OVERRUN,), "smallest FIFO depth"),
    "release-bits": Kind(
        "release-bits",
        "fifo.release_bits",
        "underrun",
        (Fate.UNDERRUN,),
        "smallest release threshold",
    ),
    # A trigger that is missed loads the FIFO no more, so it counts as lost here.
    "trigger-rate": Kind(
        "trigger-rate",
        "trigger.rate",
        "overrun or missed trigger",
        (Fate.OVERRUN, Fate.MISSED_TRIGGER),
        "highest trigger rate",
    ),
}


@dataclass
class Sizing:
    """What was found.

    Attributes
    ----------
    scenario : Scenario
        What was sized, as it was given.
    sought : str
        ``"depth"``, ``"release-bits"`` or ``"trigger-rate"``.
    figure : str
        What is lost: ``"overrun"``, ``"underrun"`` or ``"overrun or missed trigger"``.
    target, confidence : float
        The share of conversions that may be lost, and how sure the answer is.
    units : str
        What was taken as independent: ``"cycles"``, ``"trials"``, or ``"exact"`` where nothing
        is left to chance.
    conversions : int
        Triggers of each unit.
    budget : int
        The most conversions that were to be spent on one value.
    used : int
        Conversions simulated in all.
    answer : int or float or None
        The depth, the bits, or the rate in Hz; None if none was shown to meet the target.
    settled : bool
        Whether the value one step less safe was shown to exceed the target.
    needed : int or None
        About how many conversions would show it, where the budget cannot.
    bound : DepthBound or int or float or None
        What is proven to lose nothing whatever is drawn; None if there is no such bound.
    no_bound : str
        Why there is none.
    """

    scenario: Scenario
    sought: str
    figure: str
    target: float
    confidence: float
    units: str
    conversions: int
    budget: int
    used: int = 0
    answer: int | float | None = None
    settled: bool = False
    supported: bool = True
    needed: int | None = None
    bound: DepthBound | int | float | None = None
    no_bound: str = ""
    engine: str = ""
    interrupted: bool = False
    points: list[Point] = field(default_factory=list, repr=False)
    values: dict[int, int | float] = field(default_factory=dict, repr=False)
    at: int | None = field(default=None, repr=False)

    @property
    def meets(self) -> bool:
        """Whether a value was shown to meet the target."""
        return self.answer is not None

    @property
    def table(self) -> pd.DataFrame:
        """One row a value that was looked at, the least safe first."""
        import pandas as pd

        return pd.DataFrame(self._rows())

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the share lost against the value, with intervals and the target."""
        drawn: Axes = picture("sizing", "sizing")(self, ax)
        return drawn

    def text_of(self, value: float | None) -> str:
        """Return a value for people: ``"6"`` or ``"412.5 kHz"``."""
        if value is None:
            return "none"
        if self.sought != "trigger-rate":
            return f"{value:.0f}"
        return rate_text(value, "Hz")

    @property
    def verdict(self) -> str:
        """The answer in one sentence."""
        sought = KINDS[self.sought].said
        aim = f"{self.figure} of at most {self.target:g}"
        if self.interrupted and not self.meets:
            return f"Interrupted before a value for an {aim} was shown."
        if not self.supported:
            return self._unsupported()
        if not self.meets:
            more = "" if self.needed is None else f"; about {share(self.needed)} would"
            return (
                f"None of the values tried was shown to have an {aim}"
                f" with {count(self.budget)} conversions each{more}."
            )
        point = next(p for p in self.points if p.at == self.at)
        how = (
            "proven, whatever is drawn"
            if point.verdict is Verdict.PROVEN
            else "exact, as nothing is left to chance"
            if self.units == "exact"
            else f"with {self.confidence:.4g} confidence, from {count(point.seen.sent)} conversions"
        )
        if self.settled:
            said = f"The {sought} for an {aim} is {self.text_of(self.answer)} ({how})."
            return said + self._neighbour()
        most, what = sought.split(" ", 1)
        said = f"A {what} of {self.text_of(self.answer)} has an {aim} ({how})."
        return f"{said} Whether it is the {most} is not shown.{self._neighbour()}"

    def _neighbour(self) -> str:
        assert self.at is not None
        before = next((p for p in self.points if p.at == self.at - 1), None)
        if before is None:
            return ""
        value = self.text_of(self.values[before.at])
        if self.settled:
            return f" At {value} it is above the target."
        if before.low is None or before.high is None:
            return ""
        return (
            f" At {value} it lies from {share(before.low)} to {share(before.high)}:"
            " the budget cannot tell."
        )

    def _unsupported(self) -> str:
        need = "more" if self.needed is None else f"about {share(self.needed)}"
        units = ""
        if self.needed is not None:
            units = f" ({math.ceil(self.needed / self.conversions)} units of {self.conversions})"
        return (
            f"An {self.figure} of {self.target:g} cannot be shown with {count(self.budget)}"
            f" conversions at {self.confidence:.4g} confidence; {need}{units} would."
        )

    def _rows(self) -> list[dict[str, Any]]:
        rows = []
        for point in self.points:
            rough = point.verdict is Verdict.ROUGH
            rows.append(
                {
                    KINDS[self.sought].key: self.values[point.at],
                    "value": point.seen.share if point.seen.lost else None,
                    "low": point.low,
                    "high": point.high,
                    "count": point.seen.lost,
                    "of": point.seen.sent,
                    "independent": point.seen.units,
                    "looks": point.looks,
                    "verdict": "rough search only" if rough else point.verdict.value,
                }
            )
        return rows

    def to_dict(self) -> dict[str, Any]:
        """Return what was found as sizing.json holds it."""
        scenario = self.scenario
        bound: dict[str, Any] | None = None
        if isinstance(self.bound, int | float):
            bound = {"value": self.bound}
        elif self.bound is not None:
            bound = {
                "value": self.bound.depth,
                "linear": self.bound.linear,
                "burst": self.bound.arrivals.burst,
                "rate": self.bound.arrivals.rate,
                "service_rate": self.bound.server.rate,
                "latency": self.bound.server.latency,
            }
        return {
            "scenario": tomllib.loads(scenario.to_toml(scenario.base)),
            "engine": self.engine,
            "seed": scenario.seed,
            "version": __version__,
            "interrupted": self.interrupted,
            "sought": self.sought,
            "figure": self.figure,
            "target": self.target,
            "confidence": self.confidence,
            "answer": self.answer,
            "settled": self.settled,
            "verdict": self.verdict,
            "units": self.units,
            "conversions_used": self.used,
            "conversions_needed": self.needed,
            "budget": self.budget,
            "supported": self.supported,
            "bound": bound,
            "no_bound": self.no_bound or None,
            "points": self._rows(),
            "cautions": CAUTIONS,
        }

    def to_json(self) -> str:
        """Return what was found as JSON text, the same bytes for the same scenario and seed."""
        return json.dumps(self.to_dict(), indent=2, ensure_ascii=False, allow_nan=False) + "\n"
