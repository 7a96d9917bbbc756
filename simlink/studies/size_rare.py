"""The smallest FIFO for a loss too rare to be counted, by computation or importance splitting."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from simlink.base import wording
from simlink.base.cautions import CAUTIONS
from simlink.base.json_text import json_text
from simlink.studies.loss import LossStudy, loss

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from simlink.scenario.schema import Scenario

_DEEPEST = 10**4
#: How much deeper, at most, the next FIFO tried is than the last one.
_LEAP = 4


@dataclass
class RareSizing:
    """Depths that were tried, and the smallest that does.

    Attributes
    ----------
    scenario : Scenario
        What was asked about.
    at_most : float
        The share of triggers that may be lost.
    tried : dict of int to LossStudy
        What each depth loses.
    answer : int or None
        The smallest depth whose interval lies within the target; None if none was found.
    """

    scenario: Scenario
    at_most: float
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
        found = self.tried[depth].loss
        if found.high is not None and found.high <= self.at_most:
            return "meets"
        if found.low is not None and found.low > self.at_most:
            return "exceeds"
        return "open"

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

    def to_json(self) -> str:
        """Return what was found as JSON text."""
        rows: list[dict[str, Any]] = [
            {"depth": depth, "verdict": self.verdict(depth), **self.tried[depth].to_dict()}
            for depth in sorted(self.tried)
        ]
        found = {
            "title": self.scenario.title,
            "sought": "depth",
            "figure": "overrun",
            "at_most": self.at_most,
            "answer": self.answer,
            "settled": self.settled,
            "tried": rows,
            "sentence": self.sentence,
            "cautions": CAUTIONS,
        }
        return json_text(found)


def size_rare(
    scenario: Scenario,
    at_most: float,
    *,
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
    workers, executor
        As `running.spread.spread` takes them.
    report : callable, optional
        Called with lines that say which way is taken and what each depth loses.

    Raises
    ------
    NoBranchesError
        Where the loss can be neither computed nor estimated.
    """
    found = RareSizing(scenario, at_most)
    least = scenario.host.watermark

    def loses(depth: int) -> float:
        """Return the logarithm of what a depth loses, as far as is known."""
        if depth not in found.tried:
            candidate = scenario.with_value("fifo.depth", depth)
            told = report if not found.tried else None
            study = loss(candidate, workers=workers, executor=executor, report=told)
            found.tried[depth] = study
            if report is not None:
                share = "none seen" if study.loss.value is None else study.value_text
                report(f"{wording.many(depth, 'slot')}: {share} ({study.method})")
        value = found.tried[depth].loss.value
        return math.log(value) if value else -math.inf

    target = math.log(at_most)
    # The greatest depth known to lose too much, or not known to do, and the least that does.
    below, above = least - 1, None
    depth = max(least, min(scenario.fifo.depth, 8))
    while above is None or above - below > 1:
        loses(depth)
        if found.verdict(depth) == "meets":
            above = depth
        elif loses(depth) == -math.inf:
            # None seen is no bound: nothing deeper would be seen to lose, either.
            break
        else:
            below = depth
        depth = _next(found, target, below, above, least)
        if depth > _DEEPEST:
            break
    found.answer = above
    return found


def _next(found: RareSizing, target: float, below: int, above: int | None, least: int) -> int:
    """Return the depth to try next: losses fall about geometrically with depth."""
    known = sorted(
        (depth, math.log(study.loss.value))
        for depth, study in found.tried.items()
        if study.loss.value
    )
    guess = (below if above is None else (below + above) // 2) + 1
    if len(known) > 1:
        (one, first), (other, second) = sorted(
            sorted(known, key=lambda pair: abs(pair[1] - target))[:2]
        )
        if second < first:
            slope = (second - first) / (other - one)
            guess = math.ceil(one + (target - first) / slope)
    elif known and above is None:
        guess = 2 * known[0][0]
    if above is None:
        return max(below + 1, min(guess, _LEAP * max(below, least)))
    return max(below + 1, min(guess, above - 1))
