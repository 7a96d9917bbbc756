"""The budget of a scenario: the three schemes on its converter, barrier and host."""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping
from fractions import Fraction
from functools import cached_property
from typing import TYPE_CHECKING, Any

from simlink.base.cautions import CAUTIONS
from simlink.base.instants import FS_PER_SECOND
from simlink.budget import channels, rates, schemes, units
from simlink.budget.dual_dirac import USUAL_BER, q_factor
from simlink.budget.terms import Margin
from simlink.budget.window import Window, window_of

if TYPE_CHECKING:
    import pandas as pd

    from simlink.scenario.schema import Scenario

#: Built units that a yield is counted over unless said.
USUAL_UNITS = 1000
#: The share of units that shall work at the highest clock named "statistical".
USUAL_YIELD = 0.999

NAMES = {
    "forwarded_clock": "forwarded clock",
    "returned_clock": "returned clock",
    "remote_master": "remote master",
}


class SchemeBudget:
    """The budget of one scheme.

    Parameters
    ----------
    scenario : Scenario
        Converter, barrier and host.
    scheme : str
        One of `schemes.SCHEMES`.
    ber : float
        The bit-error ratio that jitter counts at.
    built : units.Units
        The built units.
    wanted : float
        The share of units that shall work at the statistical clock.

    Attributes
    ----------
    clock : Fraction
        The serial clock that the scenario gives, in Hz: the host's, or the remote master's own.
    margins : tuple of Margin
        All that the scheme has to keep, setup and hold first.
    """

    def __init__(
        self, scenario: Scenario, scheme: str, ber: float, built: units.Units, wanted: float
    ) -> None:
        self.scenario = scenario
        self.scheme = scheme
        self.ber = ber
        self.built = built
        self.wanted = wanted
        self.margins = schemes.margins(scenario, scheme)
        self.rules = channels.rules(scenario, scheme)
        self.signals = channels.signals(scenario, scheme)
        remote = scheme == "remote_master"
        self.clock = scenario.remote_clock.frequency.value if remote else scenario.host.clock.value
        self.clock_key = "remote_clock.frequency" if remote else "host.clock"

    @property
    def name(self) -> str:
        """The scheme in words."""
        return NAMES[self.scheme]

    def margin(self, name: str) -> Margin:
        """Return a margin by its name."""
        return next(margin for margin in self.margins if margin.name == name)

    def window(self, ber: float | None = None) -> Window:
        """Return the clocks that keep every margin and channel.

        Parameters
        ----------
        ber : float, optional
            For the worst case at that bit-error ratio; the nominal window when left out.
        """
        return window_of(self.margins, self.rules, ber)

    @cached_property
    def nominal(self) -> Window:
        """The clocks that will do at the means, without jitter."""
        return self.window()

    @cached_property
    def worst(self) -> Window:
        """The clocks that will do in the worst case."""
        return self.window(self.ber)

    @cached_property
    def statistical(self) -> Fraction | None:
        """The highest clock in Hz at which the wanted share of units works, by the normal law.

        None when no clock will do, or nothing limits it.
        """
        found = units.clock_for_yield(self.margins, self.wanted, self.ber, self.clock)
        worst = self.worst
        if self.has_worst_case and worst.is_open and worst.highest is not None:
            # All units work there, whatever the normal law says of bounded spreads.
            found = worst.highest if found is None else max(found, worst.highest)
        return None if found is None else min([found, *(rule.highest for rule in self.rules)])

    @property
    def has_worst_case(self) -> bool:
        """Whether every term has a bound."""
        return not any(margin.unbounded for margin in self.margins)

    @cached_property
    def used(self) -> Fraction | None:
        """The clock in Hz that the scheme is judged at, None when none will do.

        The scenario's own, or, where that is too fast, the highest below it: by the worst case
        if every term has a bound, else by the statistics.
        """
        if self.has_worst_case:
            return self.worst.nearest(self.clock)
        if self.yields.normal_least >= self.wanted:
            slowed = self.clock
            for rule in self.rules:
                slowed = min(slowed, rule.highest)
            return slowed
        found = self.statistical
        return None if found is None else min(found, self.clock)

    @cached_property
    def yields(self) -> units.Yield:
        """The share of units that work at the scenario's own clock."""
        return self.yield_at(self.clock)

    def yield_at(self, clock: Fraction) -> units.Yield:
        """Return the share of units that work at a clock in Hz."""
        return units.units_that_work(self.margins, self.built, clock, self.ber)

    def cycles(self, clock: Fraction | None = None) -> list[rates.Cycle]:
        """Return what must fit a trigger period at a clock in Hz, the used one if left out."""
        at = clock or self.used or self.clock
        return rates.cycles(self.scenario, self.scheme, at)

    @property
    def sample_rate(self) -> Fraction | None:
        """The highest sample rate in Hz at the used clock, None when no clock will do."""
        return None if self.used is None else rates.sample_rate(self.cycles(self.used))

    @property
    def latency(self) -> tuple[rates.Span, ...] | None:
        """From the trigger to the last bit read at the used clock, span by span."""
        if self.used is None:
            return None
        return rates.latency(self.scenario, self.scheme, self.used)

    def refusals(self, clock: Fraction | None = None) -> list[str]:
        """Return all that a clock in Hz breaks, with the term at fault and by how much."""
        from simlink.budget import verdict

        return verdict.refusals(self, self.clock if clock is None else clock)

    def rows(self) -> Iterator[dict[str, Any]]:
        """Give the table of terms: margin, term, nominal and worst in seconds, and the key."""
        for margin in self.margins:
            for term in margin.terms:
                worst = None if math.isinf(term.worst) else _seconds(term.worst)
                row = {"margin": margin.name, "term": term.name}
                yield {**row, "nominal": _seconds(term.nominal), "worst": worst, "from": term.key}
            random = margin.random(self.ber)
            if random:
                yield {
                    "margin": margin.name,
                    "term": f"random jitter at {self.ber:g}",
                    "nominal": 0.0,
                    "worst": _seconds(random),
                    "from": "Q x rms of the jitter above",
                }

    def to_dict(self) -> dict[str, Any]:
        """Return the budget as JSON holds it: times in seconds, frequencies in Hz."""
        rows = list(self.rows())
        found = []
        for margin in self.margins:
            worst = margin.left_at_worst(self.clock, self.ber)
            found.append(
                {
                    "name": margin.name,
                    "capture_interval": _seconds(margin.interval(self.clock, margin.mean_off)),
                    "periods": float(margin.periods),
                    "terms": [
                        {key: row[key] for key in ("term", "nominal", "worst", "from")}
                        for row in rows
                        if row["margin"] == margin.name
                    ],
                    "nominal": _seconds(margin.left(self.clock)),
                    "worst": None if math.isinf(worst) else _seconds(worst),
                    "unbounded": [term.key for term in margin.unbounded],
                }
            )
        yields = self.yields
        latency = self.latency
        return {
            "scheme": self.scheme,
            "clock": float(self.clock),
            "clock_used": _hertz(self.used),
            "margins": found,
            "highest_clock": {
                "nominal": _hertz(self.nominal.highest if self.nominal.is_open else None),
                "worst": _hertz(self.worst.highest if self.worst.is_open else None),
                "statistical": _hertz(self.statistical),
                "set_by": self.worst.by or None,
            },
            "lowest_clock": {
                "nominal": _hertz(self.nominal.lowest if self.nominal.is_open else None),
                "worst": _hertz(self.worst.lowest if self.worst.is_open else None),
                "set_by": self.worst.low_by or None,
            },
            "no_clock_keeps": list(self.worst.never),
            "yield": {
                "value": yields.share,
                "low": yields.low,
                "high": yields.high,
                "confidence": 0.95,
                "count": yields.working,
                "of": yields.units,
                "normal": yields.normal,
                "normal_is_exact": yields.exact,
            },
            "highest_sample_rate": _hertz(self.sample_rate),
            "latency": None
            if latency is None
            else {
                "nominal": _seconds(sum((span.nominal for span in latency), Fraction(0))),
                "worst": _worst_of(latency),
            },
            "signals": {
                "to_converter": self.signals.forward,
                "to_host": self.signals.back,
                "count": self.signals.count,
                "at_hand": self.signals.at_hand,
            },
            "refusals": self.refusals(),
        }


def _seconds(value: Fraction | float) -> float:
    return float(value / FS_PER_SECOND)


def _hertz(value: Fraction | None) -> float | None:
    return None if value is None else float(value)


def _worst_of(spans: tuple[rates.Span, ...]) -> float | None:
    total = math.fsum(float(span.worst) for span in spans)
    return None if math.isinf(total) else _seconds(total)


class Budget(Mapping[str, SchemeBudget]):
    """The budgets of the three schemes by name; shows itself as a table in a notebook.

    Attributes
    ----------
    scenario : Scenario
        Whose converter, barrier and host.
    ber : float
        The bit-error ratio that jitter counts at.
    """

    def __init__(self, scenario: Scenario, ber: float, count: int, wanted: float) -> None:
        self.scenario = scenario
        self.ber = ber
        self.wanted = wanted
        built = units.Units(scenario.seed, count)
        self._found = {
            scheme: SchemeBudget(scenario, scheme, ber, built, wanted) for scheme in schemes.SCHEMES
        }

    def __getitem__(self, scheme: str) -> SchemeBudget:
        return self._found[scheme]

    def __iter__(self) -> Iterator[str]:
        return iter(self._found)

    def __len__(self) -> int:
        return len(self._found)

    @cached_property
    def sentence(self) -> str:
        """Which scheme meets the scenario's rate, and why the others do not."""
        from simlink.budget import verdict

        return verdict.sentence(list(self._found.values()))

    @cached_property
    def meets(self) -> dict[str, bool | None]:
        """Whether each scheme meets the rate; None where the scenario asks for none."""
        from simlink.budget import verdict

        return {name: verdict.judge(one).meets for name, one in self._found.items()}

    def to_dict(self) -> dict[str, Any]:
        """Return the budgets as JSON holds them: times in seconds, frequencies in Hz."""
        rate = self.scenario.trigger.rate
        return {
            "title": self.scenario.title,
            "scheme": self.scenario.link.scheme,
            "rate": None if rate is None else float(rate.value),
            "seed": self.scenario.seed,
            "bit_error_ratio": self.ber,
            "q": q_factor(self.ber),
            "wanted_yield": self.wanted,
            "verdict": self.sentence,
            "meets_rate": self.meets,
            "schemes": {name: one.to_dict() for name, one in self._found.items()},
            "cautions": CAUTIONS,
        }

    def to_json(self) -> str:
        """Return the budgets as JSON text."""
        return json.dumps(self.to_dict(), indent=2, ensure_ascii=False, allow_nan=False) + "\n"

    def to_pandas(self) -> pd.DataFrame:
        """Return one row a term: scheme, margin, term, nominal, worst (s), from."""
        import pandas as pd

        rows = [{"scheme": name, **row} for name, one in self.items() for row in one.rows()]
        return pd.DataFrame(rows)

    def _repr_html_(self) -> str:
        frame = self.to_pandas()
        return f"<p><b>{self.sentence}</b></p>" + str(frame.to_html())


def budget(
    scenario: Scenario,
    *,
    ber: float = USUAL_BER,
    units: int = USUAL_UNITS,
    wanted_yield: float = USUAL_YIELD,
) -> Budget:
    """Return the timing budget of a scenario's parts in each of the three schemes.

    Parameters
    ----------
    scenario : Scenario
        Its converter, barrier, host and remote clock; whichever scheme it names.
    ber : float
        The bit-error ratio that jitter counts at, above 0 and at most 0.5.
    units : int
        Built units that the yield is counted over.
    wanted_yield : float
        The share of units that shall work at the statistical highest clock.

    Returns
    -------
    Budget
        By scheme.

    Raises
    ------
    InputError
        When a jitter is neither bounded nor normal.
    """
    return Budget(scenario, ber, units, wanted_yield)
