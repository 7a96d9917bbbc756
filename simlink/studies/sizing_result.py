"""What sizing a link gave: the answer, how sure it is, and everything that was looked at."""

from __future__ import annotations

import math
import tomllib
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from simlink.base.cautions import CAUTIONS
from simlink.base.json_text import AsJson
from simlink.base.late import picture
from simlink.base.version import __version__
from simlink.base.wording import count, many, rate_text, share, short_time
from simlink.proofs.bounds import DepthBound
from simlink.proofs.ends import EVERY_DRAW
from simlink.records import Fate
from simlink.scenario.schema import Scenario
from simlink.studies.ladder import Point, Verdict
from simlink.studies.lagging import Lag

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes


@dataclass(frozen=True)
class Kind:
    """One thing that can be sized: its key of the scenario, its name, and how it is spoken of."""

    key: str
    #: What is lost, in a word, and the fates that count as that.
    figure: str
    fates: tuple[Fate, ...]
    noun: str
    #: Which of those that do is looked for.
    best: str
    #: What a proven value never does.
    never: str

    @property
    def of_fifo(self) -> bool:
        """Whether it is the FIFO that is sized."""
        return self.key.startswith("fifo.")


KINDS = {
    "depth": Kind(
        "fifo.depth",
        "overrun",
        (Fate.OVERRUN,),
        "FIFO depth",
        "smallest",
        "never to overrun",
    ),
    "release-bits": Kind(
        "fifo.release_bits",
        "underrun",
        (Fate.UNDERRUN,),
        "release threshold",
        "smallest",
        "never to underrun",
    ),
    # A trigger that is missed loads the FIFO no more, and a rate at which words come wrong is no
    # rate to run at: whatever happens to a conversion counts, a cut acquisition too.
    "trigger-rate": Kind(
        "trigger.rate",
        "loss",
        (
            Fate.OVERRUN,
            Fate.MISSED_TRIGGER,
            Fate.UNDERRUN,
            Fate.CORRUPTED,
            Fate.NOT_RECEIVED,
        ),
        "trigger rate",
        "highest",
        "to lose nothing",
    ),
}


@dataclass
class Sizing(AsJson):
    """What was found.

    Attributes
    ----------
    scenario : Scenario
        What was sized, as it was given.
    sought : str
        ``"depth"``, ``"release-bits"`` or ``"trigger-rate"``.
    target, confidence : float
        The share of conversions that may be lost, and how sure the answer is.
    units : str
        What was taken as independent: ``"cycles"``, ``"trials"``, or ``"exact"`` where nothing
        is left to chance.
    conversions : int
        Triggers of each board.
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
        What is proven to lose nothing, for every draw; None if there is no such bound.
    no_bound : str
        Why there is none.
    none_will : bool
        Whether even the safest value tried was seen to lose too much.
    piles_up : bool
        Whether a host told by edge alone was seen to leave frames waiting for good.
    lag : Lag or None
        Of a depth that is not proven to do: how the host lags on average, if it has no time to
        spare.
    """

    scenario: Scenario
    sought: str
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
    none_will: bool = False
    piles_up: bool = False
    lag: Lag | None = None
    points: list[Point] = field(default_factory=list, repr=False)
    values: dict[int, int | float] = field(default_factory=dict, repr=False)
    at: int | None = field(default=None, repr=False)

    @property
    def kind(self) -> Kind:
        """What is sized."""
        return KINDS[self.sought]

    @property
    def figure(self) -> str:
        """What is lost: ``"overrun"``, ``"underrun"``, or ``"loss"`` of any kind."""
        return self.kind.figure

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
    def is_proven(self) -> bool:
        """Whether the answer is proven, for every draw."""
        return any(p.at == self.at and p.verdict is Verdict.PROVEN for p in self.points)

    @property
    def known(self) -> str | None:
        """How the answer is known: ``"proven"``, ``"exact"``, ``"seen"``, or None without one."""
        if not self.meets:
            return None
        return "proven" if self.is_proven else "exact" if self.units == "exact" else "seen"

    def cost_line(self, about: int) -> str:
        """Return what is said of the cost before a search starts."""
        if not about:
            return f"proven, {EVERY_DRAW}: nothing to simulate"
        return (
            f"up to about {count(float(f'{about:.2g}'))} conversions to simulate, at most "
            f"{count(self.budget)} for one value; one that plainly loses too much is dropped early"
        )

    def line_of(self, point: Point) -> str:
        """Return what is said of one value as soon as it is decided."""
        at = f"{self.kind.noun} {self.text_of(self.values[point.at])}"
        if point.verdict is Verdict.PROVEN:
            return f"{at}: proven {self.kind.never}"
        seen = point.seen
        lost = f"{share(seen.share)} lost" if seen.lost else "none lost"
        said = point.verdict.value
        if point.verdict is Verdict.ROUGH:
            said = "roughly; too much" if seen.share > self.target else "roughly"
        return f"{at}: {lost} of {count(seen.sent)} ({said})"

    @property
    def verdict(self) -> str:
        """The answer in a sentence or three."""
        kind = self.kind
        aim = f"{'a' if kind.figure == 'loss' else 'an'} {kind.figure} of at most {self.target:g}"
        if self.piles_up:
            return self._piled_up(aim)
        if self.interrupted and not self.meets:
            return f"Interrupted before a value for {aim} was shown."
        if self.none_will:
            return self._none_will(aim)
        if not self.supported:
            return self._unsupported()
        if not self.meets:
            more = "" if self.needed is None else f"; about {share(self.needed)} would"
            return (
                f"None of the values tried was shown to have {aim}"
                f" with {count(self.budget)} conversions each{more}."
            )
        point = next(p for p in self.points if p.at == self.at)
        how = (
            f"proven, {EVERY_DRAW}"
            if point.verdict is Verdict.PROVEN
            else "exact, as nothing is left to chance"
            if self.units == "exact"
            else f"with {self.confidence:.4g} confidence, from {count(point.seen.sent)} conversions"
        )
        answer = self.text_of(self.answer)
        if self.settled:
            said = f"The {kind.best} {kind.noun} for {aim} is {answer} ({how})."
        else:
            said = f"A {kind.noun} of {answer} has {aim} ({how})."
            said += f" Whether it is the {kind.best} is not shown."
        return said + self._neighbour() + (self._lagging() or self._by_edge())

    def _piled_up(self, aim: str) -> str:
        what, ends = f"No FIFO depth has {aim}", "and in time any FIFO is full"
        if self.sought == "trigger-rate":
            value = self.text_of(self.values[max(p.at for p in self.points)])
            what = f"No trigger rate is shown to have {aim}"
            ends = f"at {value} or above, and in time the FIFO is full"
        return (
            f"{what} in the long run: a host that is told by edge alone, and reads one frame an "
            "edge, was seen to leave a frame waiting when the next one came. From then on one slot "
            f'is never free again, {ends}. Set host.interrupt = "level", or host.drain = true.'
        )

    def _none_will(self, aim: str) -> str:
        noun = self.kind.noun
        if not self.points:
            return f"No {noun} was shown to have {aim}."
        safest = max(self.points, key=lambda point: point.at)
        return (
            f"No {noun} has {aim}: even at {self.text_of(self.values[safest.at])}"
            f" {share(safest.seen.share)} is lost (seen in {count(safest.seen.sent)} conversions)."
        )

    def _by_edge(self) -> str:
        by_edge = self.scenario.host.interrupt == "edge" and self.sought != "release-bits"
        if self.is_proven or not by_edge:
            return ""
        return (
            f" The host is told by edge alone: {self._lasts}, not for ever, since a frame that "
            "goes unnoticed may keep its slot."
        )

    @property
    def _lasts(self) -> str:
        return f"this holds for {many(self.conversions, 'conversion')} from an empty FIFO"

    def _lagging(self) -> str:
        if self.lag is None:
            return ""
        takes, comes = short_time(self.lag.takes), short_time(self.lag.comes)
        load = f"a frame takes it {takes}, and one comes every {comes}"
        if self.lag.lost > self.target:
            return (
                f" The host lags on average ({load}), so that no depth is enough in the long run: "
                f"{self._lasts}, not for ever."
            )
        return (
            f" The host has no time to spare on average ({load}): {self._lasts}, and longer runs "
            "may take more slots."
        )

    def _neighbour(self) -> str:
        assert self.at is not None
        before = next((p for p in self.points if p.at == self.at - 1), None)
        if before is None or before.verdict is Verdict.ROUGH:
            return ""
        value = self.text_of(self.values[before.at])
        if self.settled:
            seen = "" if self.units == "exact" else f" (seen: {share(before.seen.share)})"
            return f" At {value} it is above the target{seen}."
        if before.low is None or before.high is None:
            return ""
        return (
            f" At {value} it lies from {share(before.low)} to {share(before.high)}:"
            " the budget cannot tell."
        )

    def _unsupported(self) -> str:
        need = "more"
        if self.needed is not None:
            units = math.ceil(self.needed / self.conversions)
            need = f"about {share(self.needed)} ({units} units of {self.conversions})"
        article = "A" if self.figure == "loss" else "An"
        return (
            f"{article} {self.figure} of {self.target:g} cannot be shown with "
            f"{count(self.budget)} conversions at {self.confidence:.4g} confidence; "
            f"{need} would."
        )

    def _rows(self) -> list[dict[str, Any]]:
        rows = []
        for point in self.points:
            rough = point.verdict is Verdict.ROUGH
            rows.append(
                {
                    self.kind.key: self.values[point.at],
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
            "known": self.known,
            "none_will": self.none_will,
            "piles_up": self.piles_up,
            "lags": self.lag is not None and self.lag.lost > self.target,
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
