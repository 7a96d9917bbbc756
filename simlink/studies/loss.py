"""The loss of a FIFO, however rare: its share, and what that comes to in hours."""

from __future__ import annotations

import os
from collections.abc import Callable
from concurrent.futures import Executor
from dataclasses import asdict, dataclass
from decimal import ROUND_DOWN, ROUND_HALF_EVEN, ROUND_UP
from typing import Any

from simlink.base import wording
from simlink.base.cautions import CAUTIONS
from simlink.base.instants import FS_PER_SECOND
from simlink.base.json_text import AsJson
from simlink.engines.batch.branching import NoBranchesError
from simlink.figures.cycle import periods
from simlink.figures.intervals import CONFIDENCE
from simlink.proofs.bounds import depth_bound
from simlink.proofs.ends import EVERY_DRAW, UnboundedError
from simlink.rare.exact import NEGLIGIBLE, USUAL_WIDTH, Loss, exact_loss
from simlink.rare.queue import NoQueueError, queue_of
from simlink.rare.splitting import USUAL_ERROR, SplitLoss, split_loss
from simlink.running.run import run
from simlink.scenario.needs import need_fifo
from simlink.scenario.schema import Scenario

#: Units of a plain run are so many times more the next time, up to so many conversions in all.
_STEP_UP, _MOST_PLAIN = 4, 10**9
#: A computed loss between bounds further apart than by this factor is said by its bounds.
_VAGUE = 1.5
_HOUR, _DAY, _YEAR = 3600.0, 86400.0, 365.25 * 86400.0


@dataclass(frozen=True)
class PlainLoss:
    """The loss that was seen in a plain run.

    Attributes
    ----------
    value : float or None
        The share; None where none was lost.
    low, high : float or None
        The interval.
    confidence : float
        How often such an interval covers.
    trials, conversions : int
        What was run: units, and conversions of each from an empty FIFO.
    """

    value: float | None
    low: float | None
    high: float | None
    confidence: float
    trials: int
    conversions: int


@dataclass(frozen=True)
class LossStudy(AsJson):
    """The loss of a scenario's FIFO.

    Attributes
    ----------
    scenario : Scenario
        What was asked about.
    loss : Loss, SplitLoss or PlainLoss
        The share of triggers whose frame finds every slot taken; where the remote master waits
        for a slot instead, of triggers that are missed.
    rate : float or None
        Triggers per second on average; None where they wait for the host.
    method : {"proof", "exact", "splitting", "plain"}
        How it was found.
    why : str
        What the method was chosen for.
    """

    scenario: Scenario
    loss: Loss | SplitLoss | PlainLoss
    rate: float | None
    method: str
    why: str

    @property
    def per_hour(self) -> tuple[float | None, float | None, float | None]:
        """Words lost in an hour: the value, and the ends of its interval."""
        if self.rate is None:
            return None, None, None
        words = self.rate * _HOUR * self.scenario.words
        loss = self.loss
        value, low, high = (
            None if one is None else one * words for one in (loss.value, loss.low, loss.high)
        )
        return value, low, high

    @property
    def between(self) -> float | None:
        """The mean time between lost frames in seconds; None if none is known to be lost."""
        return self._apart(self.loss.value)

    @property
    def between_ends(self) -> tuple[float | None, float | None]:
        """The ends of its interval; None for no end."""
        return self._apart(self.loss.high), self._apart(self.loss.low)

    def _apart(self, loss: float | None) -> float | None:
        return 1 / (loss * self.rate) if loss and self.rate else None

    @property
    def sentence(self) -> str:
        """The answer in words."""
        loss, depth = self.loss, self.scenario.fifo.depth
        slots = f"A FIFO of {wording.many(depth, 'slot')}"
        does = "overruns in"
        if self.scenario.fifo.when_full == "stall":
            slots, does = f"A remote master that stalls at {wording.many(depth, 'slot')}", "misses"
        over = "in the long run"
        if loss.conversions is not None:
            over = f"over the first {loss.conversions} conversions, from empty"
            if loss.conversions == 1:
                over = "over the first conversion, from empty"
        if isinstance(loss, Loss):
            if loss.high == 0:
                proven = " (proven)" if self.method == "proof" else ""
                upto = "" if loss.conversions is None else f" {over}"
                return f"{slots} never overruns{upto}{proven}."
            if loss.high < NEGLIGIBLE:
                most = f"less than {wording.at_most(loss.high)} of triggers"
                return f"{slots} {does} {most} {over} (proven)."
            if self.is_vague:
                return f"{slots} {does} {self.value_text} of triggers {over} (proven)."
            sure = f"computed; proven: {wording.at_least(loss.low)} to {wording.at_most(loss.high)}"
        elif loss.value is None:
            if loss.high is not None:
                most = f"{wording.bound(loss.high)} of triggers"
                return f"{slots} overruns in a share {most} {over} (none seen)."
            return f"No loss was come upon by splitting: how rare it is {over} stays open."
        else:
            assert loss.low is not None
            assert loss.high is not None
            least, most = wording.at_least(loss.low), wording.at_most(loss.high)
            how = "importance splitting" if self.method == "splitting" else "simulated"
            sure = f"{how}; {wording.percent(loss.confidence)}: {least} to {most}"
        assert loss.value is not None
        said = f"{slots} {does} {self.value_text} of triggers {over} ({sure})"
        if self.between is None:
            return f"{said}."
        return f"{said}: one in {duration(self.between)} on average."

    @property
    def is_vague(self) -> bool:
        """Whether proven bounds are so far apart that no value between them says anything."""
        return isinstance(self.loss, Loss) and self.loss.high > _VAGUE * self.loss.low

    @property
    def value_text(self) -> str:
        """The share, with as many digits as its interval leaves meaning to, or its bounds."""
        loss = self.loss
        if loss.value is None:
            return "-"
        if isinstance(loss, Loss):
            if self.is_vague:
                return f"{wording.at_least(loss.low)} to {wording.at_most(loss.high)}"
            return wording.share(loss.value, 3)
        assert loss.low is not None
        assert loss.high is not None
        return wording.estimate(loss.value, loss.high - loss.low, "1")

    def to_dict(self) -> dict[str, Any]:
        """Return what was found as JSON holds it: times in seconds."""
        value, low, high = self.per_hour
        soonest, latest = self.between_ends
        return {
            "title": self.scenario.title,
            "figure": "missed_trigger" if self.scenario.fifo.when_full == "stall" else "overrun",
            "method": self.method,
            "why": self.why,
            "loss": asdict(self.loss),
            "words_lost_per_hour": {"value": value, "low": low, "high": high},
            "mean_time_between_losses": self.between,
            "mean_time_between_losses_low": soonest,
            "mean_time_between_losses_high": latest,
            "sentence": self.sentence,
            "cautions": CAUTIONS,
        }


def loss(
    scenario: Scenario,
    *,
    width: float = USUAL_WIDTH,
    error: float = USUAL_ERROR,
    conversions: int | None = None,
    target: float | None = None,
    workers: int = 1,
    executor: Executor | None = None,
    progress: Callable[[Loss | SplitLoss], object] | None = None,
    report: Callable[[str], object] | None = None,
) -> LossStudy:
    """Compute the loss of a scenario's FIFO, or estimate it where no chain can follow it.

    Parameters
    ----------
    scenario : Scenario
        A remote master with a FIFO.
    width : float
        How far apart proven bounds may be, as a share of the lower one.
    error : float
        Half the interval of an estimate that is enough, as a share of the value.
    conversions : int, optional
        The mean loss of so many conversions from an empty FIFO; of the long run when left out.
    target : float, optional
        Proven bounds need only be on one side of it.
    workers, executor
        For an estimate; as `simlink.running.spread.spread` takes them.
    progress : callable, optional
        Called with what is known now and then.
    report : callable, optional
        Called with lines that say which way is taken, why, and how long it takes.

    Raises
    ------
    NoBranchesError
        Where neither can be done; names the key.
    """
    why = no_chain(scenario)
    if why is not None:
        if report is not None:
            report(f"importance splitting: {why}")
        found = split_loss(
            scenario, error=error, conversions=conversions, workers=workers, executor=executor,
            progress=progress, report=report,
        )  # fmt: skip
        return LossStudy(scenario, found, mean_rate(scenario), "splitting", why)
    why = "a chain follows frames that are read one by one after independent latencies"
    computed = exact_loss(
        scenario, width=width, conversions=conversions, target=target, progress=progress
    )
    return LossStudy(scenario, computed, mean_rate(scenario), "exact", why)


def no_chain(scenario: Scenario) -> str | None:
    """Return why no chain follows a scenario's FIFO; None where one does."""
    try:
        queue_of(scenario)
    except NoQueueError as error:
        return f"no chain follows {error.what}"
    return None


def overrun(
    scenario: Scenario,
    *,
    error: float,
    conversions: int | None = None,
    engine: str = "auto",
    workers: int | None = None,
    executor: Executor | None = None,
    report: Callable[[str], object] | None = None,
) -> LossStudy:
    """Find the share that overruns as closely as asked for, by whichever way does it soonest.

    Proven where no draws can overrun the FIFO; else computed; else by splitting; else run plainly.

    Parameters
    ----------
    scenario : Scenario
        A remote master with a FIFO.
    error : float
        Half the interval that is enough, as a share of the value.
    conversions : int, optional
        Of so many conversions from an empty FIFO. The long run when left out; of a plain run the
        scenario's own conversions.
    engine, workers, executor
        As `simlink.running.run.run` takes them.
    report : callable, optional
        Called with lines that say which way is taken, why, and how long it takes.

    Returns
    -------
    LossStudy
        The interval may be wider where that would take too long.
    """
    need_fifo(scenario)
    many = workers or os.cpu_count() or 1
    why = _proof(scenario)
    if why is not None:
        if report is not None:
            report(f"proven: {why}")
        none = Loss(0.0, 0.0, 0.0, 0, 0, conversions)
        return LossStudy(scenario, none, mean_rate(scenario), "proof", why)
    try:
        return loss(
            scenario, width=2 * error, error=error, conversions=conversions, workers=many,
            executor=executor, report=report,
        )  # fmt: skip
    except NoBranchesError as cannot:
        why = f"no run with {cannot.what} can be branched"
    if report is not None:
        report(f"run plainly: {why}")
    tried = scenario if conversions is None else scenario.with_(conversions=conversions)
    while True:
        if report is not None:
            each = wording.many(tried.conversions, "conversion")
            report(f"{wording.many(tried.trials, 'board')} of {each}")
        ran = run(tried, engine=engine, workers=workers, executor=executor, ledger=False)
        figure = ran.figures["overrun"]
        value = figure.value or None
        seen = PlainLoss(
            value, figure.low, figure.high, figure.confidence or CONFIDENCE, tried.trials,
            tried.conversions,
        )  # fmt: skip
        near = value and figure.high is not None and figure.low is not None
        if near and (figure.high - figure.low) / 2 <= error * value:  # type: ignore[operator]
            break
        if _STEP_UP * tried.trials * tried.conversions > _MOST_PLAIN:
            break
        tried = tried.with_(trials=_STEP_UP * tried.trials)
    return LossStudy(scenario, seen, mean_rate(scenario), "plain", why)


def _proof(scenario: Scenario) -> str | None:
    """Return why a FIFO of so many slots never overruns, None if that is not proven."""
    if scenario.fifo.when_full == "stall":
        return "a remote master that stalls waits for a slot"
    try:
        bound = depth_bound(scenario)
    except UnboundedError:
        return None
    if scenario.fifo.depth < bound.depth:
        return None
    return f"{wording.many(bound.depth, 'slot')} will do, {EVERY_DRAW} (network calculus)"


def mean_rate(scenario: Scenario) -> float | None:
    """Return triggers per second on average; None where they wait for the host."""
    average = periods(scenario)[1]
    return None if average is None else FS_PER_SECOND / float(average)


def duration(seconds: float, rounding: str = ROUND_HALF_EVEN) -> str:
    """Return a time as people speak of it: seconds, hours, days or years.

    `rounding` is one of the modes of `decimal`.
    """
    said = {ROUND_DOWN: wording.at_least, ROUND_UP: wording.at_most}.get(rounding, wording.share)
    for scale, name in ((_YEAR, "years"), (_DAY, "days"), (_HOUR, "hours")):
        if seconds >= 2 * scale:
            return f"{said(seconds / scale, 3)} {name}"
    return wording.quantity(seconds, "s", 3, rounding)
