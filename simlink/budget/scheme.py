"""The budget of one scheme: its margins, the clocks that keep them, and what a clock breaks."""

from __future__ import annotations

import math
from collections.abc import Iterator
from fractions import Fraction
from functools import cached_property
from typing import Any

from simlink.base.instants import FS_PER_SECOND
from simlink.base.wording import clock_limit, short_time
from simlink.budget import channels, loop, rates, schemes, units
from simlink.budget.terms import Margin
from simlink.budget.waiting import Waiting, waiting
from simlink.budget.window import Window, window_of
from simlink.figures.cycle import Cycle, Piece, cycles, total
from simlink.scenario.schema import Scenario

NAMES = {
    "forwarded_clock": "forwarded clock",
    "returned_clock": "returned clock",
    "remote_master": "remote master",
}


class SchemeBudget:
    """The budget of one scheme on converter, barrier and host of a scenario.

    Attributes
    ----------
    ber : float
        The bit-error ratio that jitter counts at.
    built : units.BuiltUnits
        The boards, and `wanted`, the share of them that shall work at the statistical clock.
    clock : Fraction
        The serial clock that the scenario gives, in Hz: the host's, or the remote master's own.
    margins : tuple of Margin
        All that the scheme has to keep, setup and hold first.
    """

    def __init__(
        self, scenario: Scenario, scheme: str, ber: float, built: units.BuiltUnits, wanted: float
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
        """Return the clocks that keep all margins: at a bit-error ratio, else nominally."""
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
        """The highest clock in Hz at which the wanted share of boards works, by the normal law.

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
        most = min([self.clock, *(rule.highest for rule in self.rules)])
        return units.clock_for_yield(self.margins, self.wanted, self.ber, self.clock, most)

    @cached_property
    def yields(self) -> units.Yield:
        """The share of boards that work at the scenario's own clock."""
        return self.yield_at(self.clock)

    def yield_at(self, clock: Fraction) -> units.Yield:
        """Return the share of boards that work at a clock in Hz."""
        return units.units_that_work(self.margins, self.built, clock, self.ber)

    def cycles(self, clock: Fraction | None = None) -> list[Cycle]:
        """Return what must fit a trigger period at a clock in Hz, the used one if left out."""
        at = clock or self.used or self.clock
        return cycles(self.scenario, self.scheme, at)

    @property
    def sample_rate(self) -> Fraction | None:
        """The highest sample rate in Hz at the used clock, None when no clock will do.

        That of the loop on average where triggers wait for the host, None if it does not go round.
        """
        way = self.latency
        if self.used is None or way is None:
            return None
        if self.scenario.trigger.pattern == "after_read":
            return None if self.loop_fault else FS_PER_SECOND / loop.turn(self.scenario, way)
        return rates.sample_rate(self.cycles(self.used), self.jitter)

    @property
    def latency(self) -> tuple[Piece, ...] | None:
        """From the trigger to the last bit read at the used clock, span by span."""
        if self.used is None:
            return None
        return rates.latency(self.scenario, self.scheme, self.used, self.ber)

    @property
    def loop_fault(self) -> str:
        """Why the loop does not go round where triggers wait for the host, empty if it does."""
        way = self.latency
        if self.used is None or way is None or self.scenario.trigger.pattern != "after_read":
            return ""
        return loop.fault(self.scenario, way, self.cycles()[0], self.used, self.ber)

    @property
    def waiting(self) -> Waiting | None:
        """Why a frame may wait for others, which the latency leaves aside; None if none does."""
        if self.used is None or self.latency is None:
            return None
        return waiting(self.scenario, self.scheme, self.latency, self.used, self.ber)

    @property
    def waited(self) -> tuple[bool, bool]:
        """Whether a wait may add to the latency at the means, and to the worst one if bounded."""
        waits, way = self.waiting, self.latency
        if waits is None or way is None:
            return False, False
        return waits.at_means, not math.isinf(total(piece.largest for piece in way))

    @cached_property
    def jitter(self) -> Fraction | float:
        """What jitter may take from the time between two triggers, in fs."""
        return rates.shortfall_of_jitter(self.scenario, self.scheme, self.ber)

    def refusals(self, clock: Fraction | None = None) -> list[str]:
        """Return all that a clock in Hz breaks, each with the term at fault and by how much."""
        clock = self.clock if clock is None else clock
        found = []
        never = self.worst.never if self.has_worst_case else ()
        for margin in self.margins:
            short = self.shortfall(margin, clock)
            if short <= 0:
                continue
            cure = ""
            if margin.name in never:
                cure = ", and no clock cures it"
            elif margin.periods < 0:
                cure = ", and a faster clock is needed"
            found.append(
                f"{margin.name} is {short_time(short)} short at {clock_limit(clock)}{cure}: "
                f"{self.fault(margin)}; {margin.means}"
            )
        for rule in self.rules:
            refusal = rule.refusal(clock)
            if refusal is not None:
                found.append(refusal)
        signals = self.signals
        if signals.missing:
            found.append(
                f"{signals.count} isolation channels are {signals.missing} more than "
                f"barrier.channels = {signals.at_hand}"
            )
        return found

    def shortfall(self, margin: Margin, clock: Fraction) -> Fraction | float:
        """Return how far a margin is from being kept at a clock in Hz, in fs; below 0 if kept.

        By the worst case; where a term has no bound, by what the wanted share of boards leaves.
        """
        if not margin.unbounded:
            return -margin.left_at_worst(clock, self.ber)
        return -self.spread_left(margin, clock)

    def spread_left(self, margin: Margin, clock: Fraction) -> float:
        """Return what a margin leaves in the wanted share of boards, by the normal law, in fs."""
        from scipy.special import ndtri

        found = units.moments(margin, self.ber).at(clock)
        sigma = math.hypot(found.sigma, found.lane_sigma)
        beyond = float(ndtri(self.wanted ** (1 / found.lanes))) * sigma
        return found.mean - beyond

    def fault(self, margin: Margin) -> str:
        """Name the term that takes the most of a margin."""
        total = margin.worst(self.ber)
        if margin.unbounded:
            wide = max(margin.unbounded, key=lambda term: sum(law.variance for law in term.laws))
            return f"{wide.name} ({wide.key}) has no bound"
        term, jitter = margin.largest, margin.random(self.ber)
        if term is None or jitter > term.worst:
            if jitter:
                return f"random jitter takes {short_time(jitter)} at {self.ber:g}"
            given = [one for one in margin.terms if one.enters in ("minus", "held")]
            least = min(given, key=lambda one: one.worst, default=margin.terms[0])
            return f"{least.name} ({least.key}) gives {short_time(-least.worst)}"
        of = f" of {short_time(total)}" if total > term.worst else ""
        return f"{term.name} ({term.key}) takes {short_time(term.worst)}{of}"

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
            "latency": self._latency_dict(),
            "channels": {
                "to_converter": self.signals.forward,
                "to_host": self.signals.back,
                "count": self.signals.count,
                "at_hand": self.signals.at_hand,
            },
            "refusals": self.refusals(),
        }

    def _latency_dict(self) -> dict[str, Any] | None:
        """Return the latency as JSON holds it: no value for what a wait may add to."""
        way, waits = self.latency, self.waiting
        if way is None:
            return None
        alone = {"nominal": _seconds(total(piece.mean for piece in way)), "worst": _worst_of(way)}
        known = zip(alone.items(), self.waited, strict=True)
        return {
            **{name: None if waited else value for (name, value), waited in known},
            "without_wait": alone,
            "frames_may_wait": waits.why if waits else None,
        }


def _seconds(value: Fraction | float) -> float:
    return float(value / FS_PER_SECOND)


def _hertz(value: Fraction | None) -> float | None:
    return None if value is None else float(value)


def _worst_of(spans: tuple[Piece, ...]) -> float | None:
    longest = total(span.largest for span in spans)
    return None if math.isinf(longest) else _seconds(longest)
