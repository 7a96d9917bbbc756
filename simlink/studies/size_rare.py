"""The smallest FIFO for a loss too rare to be counted, by computation or importance splitting."""

from __future__ import annotations

import math
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from typing import Any

from simlink.base import wording
from simlink.base.cautions import CAUTIONS
from simlink.base.json_text import AsJson
from simlink.engines.batch.branching import refuse
from simlink.figures.intervals import CONFIDENCE
from simlink.rare.exact import Loss
from simlink.rare.rounds import Plan, climb, spans
from simlink.rare.splitting import SplitLoss, first_look, more_rounds, pool_for, rounds_for
from simlink.scenario.schema import Scenario
from simlink.studies.lagging import lag_of
from simlink.studies.loss import LossStudy, PlainLoss, loss, mean_rate, no_chain

_DEEPEST = 10**4
#: How much deeper, at most, the next FIFO tried is than the last one.
_LEAP = 4
#: A depth that splitting estimates is looked at once, and once more if that leaves it open; each
#: round of it with so many branches, for most depths are told from the target without much effort.
_LOOKS, _LOOKED_AT_BY = 2, 1024
#: Rounds of the first look, and the fewest of the second one.
_FIRST, _SECOND = 6, 10
#: Half the interval of the second look, as a share of how far the loss is from the target, and
#: the least that it is made.
_CLOSE, _CLOSEST = 0.7, 0.1
#: How far the fall of the logarithm of a loss from one depth to another may be off, as a share.
_SLOPE_OFF = 0.2
#: By how much the logarithm of a loss is aimed below that of the target, for a look to tell.
_BELOW = 0.15
#: How likely the second look is to be as close as that; it need not be.
_SURE = 0.6
#: For the first guess: slots of a deep FIFO, branches, losses in a row, and levels to draw a
#: line through.
_DEEP, _GUESSED_BY, _IN_A_ROW, _ENOUGH = 256, 256, 4, 3


def verdict(study: LossStudy, at_most: float) -> str:
    """Return whether the interval of a loss ``"meets"`` or ``"exceeds"`` a target, or is open."""
    low, high = study.loss.low, study.loss.high
    if high is not None and high <= at_most:
        return "meets"
    if low is not None and low > at_most:
        return "exceeds"
    return "open"


@dataclass
class RareSizing(AsJson):
    """Depths that were tried, and the smallest that does.

    Attributes
    ----------
    scenario : Scenario
        What was asked about.
    at_most : float
        The share of triggers that may be lost.
    confidence : float
        How sure the verdict on a depth is that splitting estimates.
    tried : dict of int to LossStudy
        What each depth loses, as closely as its verdict needs; of the answer, as usual.
    answer : int or None
        The smallest depth whose interval lies within the target; None if none was found.
    """

    scenario: Scenario
    at_most: float
    confidence: float = CONFIDENCE
    tried: dict[int, LossStudy] = field(default_factory=dict)
    answer: int | None = None

    @property
    def settled(self) -> bool:
        """Whether one slot fewer loses too much for certain, as far as its interval goes."""
        if self.answer is None:
            return False
        below = self.answer - 1
        if below < self.scenario.host.watermark:
            return True
        return below in self.tried and self.verdict(below) == "exceeds"

    def verdict(self, depth: int) -> str:
        """Return ``"meets"``, ``"exceeds"`` or ``"open"``."""
        return verdict(self.tried[depth], self.at_most)

    @property
    def sentence(self) -> str:
        """The answer in words."""
        target = wording.share(self.at_most)
        if self.answer is None:
            return f"No FIFO was found that overruns in at most {target} of triggers."
        best = self.tried[self.answer]
        said = f"{best.sentence} Asked for is at most {target}."
        if self.settled:
            return f"{said} One slot fewer does not do." if self.answer > 1 else said
        return f"{said} Whether one slot fewer would do stays open."

    def to_dict(self) -> dict[str, Any]:
        """Return what was found as JSON holds it."""
        rows: list[dict[str, Any]] = [
            {"depth": depth, "verdict": self.verdict(depth), **self.tried[depth].to_dict()}
            for depth in sorted(self.tried)
        ]
        return {
            "title": self.scenario.title,
            "sought": "depth",
            "figure": "overrun",
            "at_most": self.at_most,
            "confidence": self.confidence,
            "answer": self.answer,
            "settled": self.settled,
            "tried": rows,
            "sentence": self.sentence,
            "cautions": CAUTIONS,
        }


def size_rare(
    scenario: Scenario,
    at_most: float,
    *,
    confidence: float = CONFIDENCE,
    workers: int = 1,
    executor: Executor | None = None,
    report: Callable[[str], object] | None = None,
) -> RareSizing:
    """Find the smallest FIFO whose long-run loss is within a target.

    Parameters
    ----------
    scenario : Scenario
        A remote master whose FIFO drops frames; its own depth does not count.
    at_most : float
        The share of triggers that may be lost.
    confidence : float
        How sure the verdict on each depth shall be; what is computed is proven.
    workers, executor
        As `running.spread.spread` takes them.
    report : callable, optional
        Called with lines that say which way is taken and what each depth loses.

    Raises
    ------
    NoBranchesError
        Where the loss can be neither computed nor estimated.
    """
    found = RareSizing(scenario, at_most, confidence)
    with pool_for(workers, executor) as there:
        _search(found, workers, there, report or (lambda line: None))
    if found.answer is not None and found.tried[found.answer].method == "exact":
        found.tried[found.answer] = loss(scenario.with_value("fifo.depth", found.answer))
    return found


def _search(
    found: RareSizing, workers: int, executor: Executor | None, report: Callable[[str], object]
) -> None:
    """Try depths until the smallest that does is found, or none is seen to."""
    scenario, least = found.scenario, found.scenario.host.watermark
    target = math.log(found.at_most)
    # The greatest depth known to lose too much, or not known to do, and the least that does.
    below, above, blind = least - 1, None, _DEEPEST + 1
    depth, slope = max(least, min(scenario.fifo.depth, 8)), None
    why = no_chain(scenario.with_value("fifo.depth", depth))
    if why is not None:
        report(f"importance splitting: {why}")
        refuse(scenario)
        guess = _from_levels(scenario, found.at_most)
        if guess is not None:
            depth, slope = max(least, guess[0]), guess[1]
            report(f"FIFOs of about {wording.many(depth, 'slot')} are worth a closer look")
    lag = lag_of(scenario)
    hopeless = lag is not None and lag.lost > found.at_most
    while above is None or above - below > 1:
        candidate = scenario.with_value("fifo.depth", depth)
        found.tried[depth] = study = _loss_of(found, candidate, slope, workers, executor)
        share = "none seen" if study.loss.value is None else study.value_text
        report(f"{wording.many(depth, 'slot')}: {share} ({study.method})")
        if found.verdict(depth) == "meets":
            above = depth
        elif study.loss.value is None:
            # None seen is no bound, and nothing deeper would be seen to lose, either.
            blind = depth
        else:
            below = depth
        if above is None and hopeless:
            report("no depth will do: the host is asked for more than all of its time")
            break
        depth = _next(found, target, below, above, least, slope)
        if study.loss.value is None or depth >= blind:
            depth = (below + blind) // 2
        if not below < depth <= _DEEPEST:
            break
    found.answer = above


def _loss_of(
    found: RareSizing,
    candidate: Scenario,
    slope: float | None,
    workers: int,
    executor: Executor | None,
) -> LossStudy:
    """Return what a depth loses, as closely as its verdict needs."""
    why = no_chain(candidate)
    if why is None:
        return loss(candidate, target=found.at_most)
    # Two looks, each at draws of its own; together they are wrong as often as one may be.
    each = 1 - (1 - found.confidence) / _LOOKS
    split = first_look(
        candidate,
        confidence=each,
        branches=_LOOKED_AT_BY,
        rounds=_FIRST,
        like=_levels_for(found, candidate.fifo.depth),
        workers=workers,
        executor=executor,
    )
    study = LossStudy(candidate, split, mean_rate(candidate), "splitting", why)
    if verdict(study, found.at_most) == "open" and split.value is not None:
        about = _about(found, candidate.fifo.depth, split, slope)
        error = max(_CLOSE * abs(about - math.log(found.at_most)), _CLOSEST)
        many = rounds_for(split, error, sure=_SURE, fewest=_SECOND)
        split = more_rounds(candidate, split, many, workers=workers, executor=executor)
        study = replace(study, loss=split)
    return study


def _about(found: RareSizing, depth: int, split: SplitLoss, slope: float | None) -> float:
    """Return about the logarithm of a loss, from a look at it and from the nearest depth tried.

    Few rounds alone would now and then find it close to a target that it is far from.
    """
    seen = [_log_of(split)]
    known = [one for one, study in found.tried.items() if study.loss.value]
    if slope is not None and known:
        near = min(known, key=lambda one: abs(one - depth))
        log, off = _log_of(found.tried[near].loss)
        fall = slope * (depth - near)
        seen.append((log + fall, off + _SLOPE_OFF * abs(fall)))
    weights = [1 / off**2 for _, off in seen]
    return sum(w * log for w, (log, _) in zip(weights, seen, strict=True)) / sum(weights)


def _log_of(loss: Loss | SplitLoss | PlainLoss) -> tuple[float, float]:
    """Return the logarithm of a loss, and half its interval."""
    assert loss.value
    assert loss.low
    assert loss.high
    return math.log(loss.value), math.log(loss.high / loss.low) / 2


def _levels_for(found: RareSizing, depth: int) -> Plan | None:
    """Return a plan whose levels will do for a depth, of a FIFO about as deep or deeper."""
    for tried in sorted(found.tried, key=lambda one: abs(one - depth)):
        split = found.tried[tried].loss
        if not isinstance(split, SplitLoss) or len(split.plan.levels) < 2:
            continue
        # The way up from the last level may grow by half of what it is between two.
        last, top = split.plan.levels[-2:]
        if 2 * (depth - tried) <= max(top - last, 2):
            return split.plan
    return None


def _from_levels(scenario: Scenario, at_most: float) -> tuple[int, float] | None:
    """Guess a depth from how likely a deep FIFO is to fill so far; None where levels say little.

    About the depth, and by how much the logarithm of the loss falls with each slot.
    """
    deep = scenario.with_value("fifo.depth", max(_DEEP, 2 * scenario.host.watermark))
    plan = spans(deep, None, _GUESSED_BY)
    # A run that fills a FIFO loses a few frames in its span.
    wanted = min(at_most * plan.span / _IN_A_ROW, 1.0)
    plan, shares = climb(deep, plan, wanted)
    levels, logs = plan.levels, [math.log(one) for one in shares if one]
    if len(logs) < _ENOUGH:
        return None
    at = len(logs) - 1
    back = at // 2
    slope = (logs[at] - logs[back]) / (levels[at] - levels[back])
    if not slope < 0:
        return None
    return round(levels[at] + (math.log(wanted) - logs[at]) / slope), slope


def _next(
    found: RareSizing,
    target: float,
    below: int,
    above: int | None,
    least: int,
    slope: float | None,
) -> int:
    """Return the depth to try next: losses fall about geometrically with depth."""
    known = sorted(
        (abs(math.log(study.loss.value) - target), depth, math.log(study.loss.value))
        for depth, study in found.tried.items()
        if study.loss.value
    )
    guess = (below if above is None else (below + above) // 2) + 1
    if known and slope is None and len(known) > 1:
        (one, first), (other, second) = sorted(pair[1:] for pair in known[:2])
        slope = (second - first) / (other - one)
    if known and slope is not None and slope < 0:
        _, one, first = known[0]
        guess = math.ceil(one + (target - _BELOW - first) / slope)
    elif len(known) == 1 and above is None:
        guess = 2 * known[0][1]
    if above is None:
        return max(below + 1, min(guess, _LEAP * max(below, least)))
    return max(below + 1, min(guess, above - 1))
