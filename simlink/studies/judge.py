"""Judging a scenario: every limit, and every requirement, until each is decided.

A requirement whose figure is too uncertain is undecided, and the scenario is run again with twice
the units, the first ones as they were, until nothing is undecided or the time is spent. It ends
sooner where something already fails: more units make no broken limit hold and take no decision
back, so that the answer stays what it is, whatever becomes of the rest. Each look
is given half of the chance to be wrong that the one before it had, so that all of them together
keep the confidence that is asked for. Only how far it goes depends on the machine: the same
number of boards gives the same rows.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from simlink.base.errors import InputError
from simlink.base.json_text import AsJson
from simlink.base.wording import many, quantity
from simlink.running.run import Run
from simlink.running.run import run as simulate
from simlink.scenario.schema import Scenario
from simlink.verdict.limit import Met, Verdict, listed

#: The time to spend unless said, in s.
BUDGET = 60.0
#: How much longer than the look before it a look of twice the boards may be expected to take.
_TWICE = 2.2
_MOST_UNITS = 10**7


@dataclass
class Judgement(AsJson):
    """What became of a scenario that was judged.

    Attributes
    ----------
    run : Run
        The last and longest run.
    spent : float
        Wall-clock time in s.
    why_ended : str
        Why it was not doubled again, if something is undecided; else empty.
    """

    run: Run
    spent: float
    why_ended: str = ""

    @property
    def verdict(self) -> Verdict:
        """Every limit and every requirement."""
        found: Verdict = self.run.verdict
        return found

    @property
    def met(self) -> bool:
        """Whether every limit holds and every requirement is met."""
        return self.verdict.passes

    @property
    def sentence(self) -> str:
        """What it comes to."""
        verdict = self.verdict
        rows = [one.holds for one in verdict.limits] + [one.holds for one in verdict.required]
        units = many(self.run.scenario.trials, "board")
        said = f"{sum(rows)} of {many(len(rows), 'row')} met in {units}"
        open_ = [one.key for one in verdict.required if one.met is Met.UNDECIDED]
        if open_:
            said += f"; {listed(open_)} undecided: {self.why_ended}"
        return f"{'Met' if self.met else 'Not met'}: {said}."

    def to_dict(self) -> dict[str, Any]:
        """Return it as plain values."""
        return {
            "met": self.met,
            "judgement": self.sentence,
            "trials": self.run.scenario.trials,
            "conversions": self.run.scenario.conversions,
            "seed": self.run.scenario.seed,
            **self.verdict.to_dict(),
        }

    def __repr__(self) -> str:
        return self.sentence


def judge(
    scenario: Scenario,
    *,
    budget: float = BUDGET,
    every_row: bool = False,
    engine: str = "auto",
    workers: int | None = None,
    progress: Callable[[Judgement], None] | None = None,
) -> Judgement:
    """Run a scenario until it fails, every requirement is decided, or the time is spent.

    Parameters
    ----------
    scenario : Scenario
        What is judged.
    budget : float
        Wall-clock time in s; the first run is made whatever it takes, and another one only if
        it is likely to end in time.
    every_row : bool
        Whether to go on though a limit or a requirement already fails, so that the others are
        decided, too.
    engine, workers
        As of `simlink.running.run.run`.
    progress : callable, optional
        Told of each look that leaves something undecided.

    Returns
    -------
    Judgement

    Raises
    ------
    InputError
        If the budget is no time.
    """
    if not 0 <= budget < float("inf"):
        raise InputError("budget", None, f"{budget}", "a time in seconds, not negative")
    began = time.monotonic()
    look, here = 0, scenario
    while True:
        started = time.monotonic()
        run = simulate(here, engine=engine, ledger=False, workers=workers)
        run.look = look
        found = Judgement(run, time.monotonic() - began)
        undecided = any(one.met is Met.UNDECIDED for one in found.verdict.required)
        now = time.monotonic()
        found.spent = now - began
        if not undecided:
            return found
        if run.interrupted:
            found.why_ended = "it was interrupted"
        elif not every_row and _fails(found.verdict):
            found.why_ended = "what fails already decides the answer"
        elif 2 * here.trials > _MOST_UNITS or not here.is_random:
            # Where nothing is drawn, another unit says nothing.
            found.why_ended = "there are no more boards to run"
        elif found.spent + _TWICE * (now - started) > budget:
            found.why_ended = f"twice the boards would take longer than {quantity(budget, 's')}"
        if found.why_ended:
            return found
        if progress is not None:
            progress(found)
        look, here = look + 1, here.with_(trials=2 * here.trials)


def _fails(verdict: Verdict) -> bool:
    """Tell whether a limit or a requirement fails, which more units do not change."""
    return not verdict.meets or any(one.met is Met.NOT_MET for one in verdict.required)
