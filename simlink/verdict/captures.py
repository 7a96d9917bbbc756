"""Rows of the serial clock: every margin of the budget, at the scenario's own clock and units.

A margin is broken where a unit that ran has less than nothing left, and where words came wrong:
the units are those of the run, so that their own draws say which margin took the bit.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from typing import Any

import numpy as np

from simlink.base.errors import InputError
from simlink.base.wording import many, most_of
from simlink.budget.dual_dirac import error_ratio
from simlink.budget.terms import Margin, Term, taken
from simlink.budget.units import moments
from simlink.figures.reader import drawn
from simlink.link.repeat import repeats
from simlink.proofs.ends import EVERY_DRAW
from simlink.records import Fate
from simlink.scenario.distributions import Distribution, Normal
from simlink.verdict.limit import Limit, listed
from simlink.verdict.seen import MOST_UNITS, Seen, row, unique
from simlink.verdict.wording import boards_that

#: The rows of the budget's margins, by the ends of their names; the first that fits counts.
_ROWS = {
    "lane to strobe, setup": "strobe_setup",
    "lane to strobe, hold": "strobe_hold",
    "clock period": "clock_period",
    "clock high time": "clock_high",
    "clock low time": "clock_low",
    "high pulse": "pulse",
    "low pulse": "pulse",
    "first bit": "first_bit",
    "setup": "setup",
    "hold": "hold",
}
#: Keys whose value is what a data sheet asks for at the least.
_ASKED = ("min_pulse", "min_clock_period", "min_clock_high", "min_clock_low")
#: Wrong bits that a margin is expected to have taken for it to be sure that it took any.
_SURE = 30
#: Fates of words that were read, each bit right or wrong.
_READ = (Fate.DELIVERED, Fate.CORRUPTED, Fate.DROPPED)
#: Limits of a data sheet that take no bit in the simulation.
_ON_PAPER = ("clock_period", "clock_high", "clock_low")


def key_of(margin: str) -> str:
    """Return the key of the row that a margin of the budget belongs to."""
    return next(key for end, key in _ROWS.items() if margin.endswith(end))


@dataclass
class Built:
    """One margin over the units that ran."""

    margin: Margin
    seen: Seen

    def __post_init__(self) -> None:
        self.clock = self.seen.budget.clock
        self.ber = self.seen.budget.ber
        #: The key of a jitter that counts at no bit-error ratio: all jitter is then taken at what
        #: most edges stay below.
        self.untold = ""
        edges = [term for term in self.margin.terms if term.drawn == "edge"]
        for term in edges:
            try:
                term.jitter  # noqa: B018
            except InputError:
                self.untold = term.key
        self.likely = 0.0
        if self.untold:
            rest = tuple(term for term in self.margin.terms if term not in edges)
            self.margin = replace(self.margin, terms=rest)
            self.likely = sum(_most_taken(term, self.seen.scenario.seed) for term in edges)

    @cached_property
    def left(self) -> Fraction | float:
        """The worst case in fs; of what has no bound, what most units leave."""
        left = -self.seen.budget.shortfall(self.margin, self.clock)
        return left - Fraction(self.likely) if math.isfinite(left) else left

    @cached_property
    def of_units(self) -> Any:
        """What each unit has left in fs, jitter at its bit-error ratio; shape (units,)."""
        return self.seen.built.left(self.margin, self.clock, self.ber) - self.likely

    @cached_property
    def broken(self) -> Any:
        """Which units break it in every frame, on average over jitter; shape (units,)."""
        apart = [term for term in self.margin.terms if term.drawn != "unit"]
        extra = sum(float(term.worst - term.nominal) for term in apart)
        if not math.isfinite(extra):
            return np.zeros(self.seen.built.count, dtype=np.bool_)
        return self.seen.built.left(self.margin, self.clock, 0.5) + extra < 0

    @cached_property
    def expected(self) -> Any:
        """How many bits of a lane each unit breaks it for on average, at the least; shape (units,).

        By the normal law where nothing but jitter without bounds differs within a unit; else 0,
        for not known.
        """
        within = [term.laws[0] for term in self.margin.terms if term.drawn != "unit"]
        if not self.margin.rms_jitter or not all(map(_is_normal, within)):
            return np.zeros(self.seen.built.count)
        left = self.seen.built.left(self.margin, self.clock, 0.5)
        ratios = [error_ratio(one, self.margin.rms_jitter) for one in left.tolist()]
        # The first or the last bit of a frame may have no such edge beside it.
        first = key_of(self.margin.name) == "first_bit"
        bits = 1 if first else self.seen.scenario.bits_per_lane - 1
        tally = self.seen.run.tally
        read = np.sum([tally.of_fate(fate) for fate in _READ], axis=0)
        return np.array(ratios) * bits * read[: self.seen.built.count]

    @property
    def may_break(self) -> bool:
        """Whether a unit may break it, so that units are worth looking at."""
        return self.left < 0 or bool(self.margin.unbounded or self.untold)

    @property
    def asked(self) -> Term | None:
        """The term that a data sheet asks for at the least, None where there is none."""
        found = [term for term in self.margin.terms if term.key.endswith(_ASKED)]
        return found[0] if found else None

    @property
    def numbers(self) -> tuple[Fraction | float | None, Fraction | float | None]:
        """Limit and worst in fs.

        Either what a data sheet asks for and what there is, or the time between the edges and
        what is taken from it.
        """
        if not math.isfinite(self.left):
            return None, None
        asked = self.asked
        if asked is not None and math.isfinite(asked.worst):
            return asked.worst, asked.worst + self.left
        time = self.margin.interval(self.clock, self.margin.worst_off)
        capturing = [term for term in self.margin.terms if term.key.endswith((".setup", ".hold"))]
        if self.margin.name in ("hold", "first bit") and capturing:
            # How long a bit is there, and how long it has to be.
            needs = max(capturing[0].worst, 0)
            return (needs, needs + self.left) if math.isfinite(needs) else (None, None)
        return time, time - self.left

    @property
    def share(self) -> float:
        """What is left as a share of the limit."""
        limit, _ = self.numbers
        return float(self.left / limit) if limit else float(self.left)

    @property
    def keys(self) -> tuple[str, ...]:
        """The keys it rests on, the one that takes most first."""
        terms = sorted(self.margin.terms, key=lambda term: term.worst, reverse=True)
        taking = [term.key for term in terms if term.worst > 0 or term.is_random]
        rest = [term.key for term in terms]
        clock = self.seen.budget.clock_key if self.margin.periods else ""
        return unique(*taking, clock, *rest)


def _is_normal(law: Distribution) -> bool:
    return law.is_constant or (isinstance(law, Normal) and not np.isfinite(law.support).any())


def _most_taken(term: Term, seed: int) -> float:
    """Return what an edge's jitter takes at the most in most edges, in fs."""
    values = taken(term.enters, drawn(term.laws[0], seed, term.key))
    return float(np.quantile(values, MOST_UNITS))


def rows(seen: Seen) -> list[Limit]:
    """Return the rows of the serial clock, of its captures and of its pulses."""
    every = [Built(margin, seen) for margin in seen.budget.margins]
    every = [one for one in every if _applies(one)]
    blamed = blame(seen, every)
    groups: dict[str, list[Built]] = {}
    for one in every:
        groups.setdefault(key_of(one.margin.name), []).append(one)
    shared = len({key_of(one.margin.name) for one in blamed}) > 1
    return [
        _row(seen, key, group, [one for one in group if one in blamed], shared)
        for key, group in groups.items()
    ]


def _applies(one: Built) -> bool:
    """Tell whether a margin asks for anything.

    A shortest time of none asks for nothing, and no clock edge launches the only bit of a frame.
    """
    asked = one.asked
    if one.margin.name == "setup" and one.seen.scenario.bits_per_lane == 1:
        return False
    return asked is None or asked.worst > 0 or one.left < 0


def _wrong(seen: Seen) -> dict[str, str]:
    """Return what wrong bits may come to, by the names of the figures."""
    # Where what fails is asked for once more, dropped ones then are among those.
    failed = "repeated" if repeats(seen.scenario) else "dropped"
    # Fates are a frame's: of its words some may have no wrong bit.
    where = "in the frames of" if seen.scenario.words > 1 else "in"
    return {
        "corrupted_silent": f"wrong bits {where}",
        "corrupted_flagged": f"wrong bits that are told {where}",
        failed: f"a failed check {where}",
    }


def blame(seen: Seen, every: list[Built]) -> list[Built]:
    """Return the margins that took the wrong bits of a run.

    In each unit with a wrong bit those margins that it breaks in every frame, or so often by its
    jitter that it is sure; where it breaks none, the one of which it has the least left.
    """
    wrong = seen.corrupted_units()
    simulated = [one for one in every if key_of(one.margin.name) not in _ON_PAPER]
    if not wrong.any():
        # Beyond the units that are looked at there may be one.
        total = seen.count(*_wrong(seen))
        return [min(simulated, key=lambda one: one.share)] if total else []
    found = []
    explained = np.zeros_like(wrong)
    for one in simulated:
        if not one.may_break:
            continue
        if (one.broken & wrong).any() or one.expected[wrong].sum() >= _SURE:
            found.append(one)
            explained |= one.broken | (one.expected >= _SURE)
    rest = np.flatnonzero(wrong & ~explained)
    if rest.size:
        left = np.stack([one.of_units[rest] for one in simulated])
        nearest = set(np.argmin(left, axis=0).tolist())
        found += [one for place, one in enumerate(simulated) if place in nearest]
    return list({id(one): one for one in found}.values())


def _said(seen: Seen) -> str:
    """Return how many words had a wrong bit, by what that came to."""
    ways = _wrong(seen)
    names = [name for name in ways if seen.count(name)] or ["corrupted_silent"]
    return listed([seen.lost(name, ways[name]) for name in names])


def _unseen(seen: Seen, group: list[Built]) -> str:
    """Return what the run says of margins that the worst case breaks and that are not blamed."""
    wrong, what = seen.corrupted_units(), "wrong bits do not tell"
    # What was read too early may hide a wrong bit.
    doubtful = wrong | (seen.run.tally.of_fate(Fate.UNDERRUN)[: len(wrong)] > 0)
    if key_of(group[0].margin.name) in _ON_PAPER:
        doubtful, what = np.ones_like(wrong), "no bit tells"
    elif not wrong.any():
        what = "words read too early do not tell"
    boards = many(len(wrong), "board")
    if any((one.of_units[doubtful] < 0).any() for one in group):
        return f"the worst case breaks it; {what} whether any of {boards} did"
    return f"the worst case breaks it, none of {boards} did"


def _row(seen: Seen, key: str, group: list[Built], blamed: list[Built], shared: bool) -> Limit:
    one = min(blamed or group, key=lambda built: built.share)
    broken = [built for built in group if built.may_break and built.broken.any()]
    units = np.zeros(seen.built.count, dtype=np.bool_)
    for built in broken:
        units |= built.broken
    said = ""
    if blamed:
        said = _said(seen)
        if shared:
            said += "; other limits took some of them"
        if units.any():
            said += f"; {boards_that('break', units)} it"
    elif broken:
        one = min(broken, key=lambda built: built.share)
        said = f"{boards_that('break', units)} it"
        if key in _ON_PAPER:
            said += ", a limit of the data sheet that takes no bit here"
    limit, worst = one.numbers
    jitter = one.margin.random(one.ber) > 0
    proven = possible = ""
    otherwise = seen.not_seen()
    if one.margin.unbounded:
        name = one.margin.unbounded[0].key
        kept = most_of(moments(one.margin, one.ber, seen.scenario.seed).at(one.clock).working())
        otherwise = f"{otherwise}; {name} has no bound, {kept} of boards keep it by the normal law"
        if one.left < 0:
            possible = f"{name} has no bound, {kept} of boards keep it by the normal law"
    elif one.left >= 0 and one.untold:
        otherwise += f"; {one.untold} has neither bounds nor a normal law"
    elif one.left >= 0:
        proven = EVERY_DRAW
        if jitter:
            proven += f", with Gaussian jitter counted to {one.ber:g} an edge"
    else:
        possible = _unseen(seen, group)
    return row(
        key,
        _what(seen, key, one),
        keys=one.keys,
        limit=limit,
        worst=worst,
        margin=one.left if limit is not None else None,
        broken=said,
        proven=proven,
        possible=possible,
        otherwise=otherwise,
    )


def _what(seen: Seen, key: str, one: Built) -> str:
    if key == "pulse":
        return f"{one.margin.name.split(',')[0]} pulse"
    return f"converter-side {key}" if seen.remote and key in ("setup", "hold") else ""
