"""The loss of a FIFO, however rare: its share, and what that comes to in hours."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from simlink.base import wording
from simlink.base.cautions import CAUTIONS
from simlink.base.instants import FS_PER_SECOND
from simlink.figures.cycle import periods
from simlink.rare.exact import NEGLIGIBLE, USUAL_WIDTH, Loss, exact_loss
from simlink.rare.queue import NoQueueError
from simlink.rare.splitting import USUAL_ERROR, SplitLoss, split_loss

if TYPE_CHECKING:
    from concurrent.futures import Executor

    from simlink.scenario.schema import Scenario

_HOUR, _DAY, _YEAR = 3600.0, 86400.0, 365.25 * 86400.0


@dataclass(frozen=True)
class LossStudy:
    """The loss of a scenario's FIFO.

    Attributes
    ----------
    scenario : Scenario
        What was asked about.
    loss : Loss or SplitLoss
        The share of triggers whose frame finds every slot taken; where the remote master waits
        for a slot instead, of triggers that are missed.
    rate : float or None
        Triggers per second on average; None where they wait for the host.
    why : str
        What the method was chosen for.
    """

    scenario: Scenario
    loss: Loss | SplitLoss
    rate: float | None
    why: str

    @property
    def method(self) -> str:
        """``"exact"`` or ``"splitting"``."""
        return "exact" if isinstance(self.loss, Loss) else "splitting"

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
        if isinstance(loss, Loss):
            if loss.high == 0:
                return f"{slots} never overruns."
            if loss.high < NEGLIGIBLE:
                most = f"less than {_most(loss.high)} of triggers"
                return f"{slots} {does} {most} {over} (proven)."
            sure = f"computed; proven: {_least(loss.low)} to {_most(loss.high)}"
        elif loss.value is None:
            return f"No loss was come upon by splitting: how rare it is {over} stays open."
        else:
            assert loss.low is not None
            assert loss.high is not None
            least, most = wording.share(loss.low, 3), wording.share(loss.high, 3)
            sure = f"importance splitting; {wording.percent(loss.confidence)}: {least} to {most}"
        assert loss.value is not None
        said = f"{slots} {does} {self.value_text} of triggers {over} ({sure})"
        if self.between is None:
            return f"{said}."
        return f"{said}: one in {duration(self.between)} on average."

    @property
    def value_text(self) -> str:
        """The share, with as many digits as its interval leaves meaning to."""
        loss = self.loss
        if loss.value is None:
            return "-"
        if isinstance(loss, Loss):
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

    def to_json(self) -> str:
        """Return what was found as JSON text."""
        return json.dumps(self.to_dict(), indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def loss(
    scenario: Scenario,
    *,
    width: float = USUAL_WIDTH,
    error: float = USUAL_ERROR,
    conversions: int | None = None,
    workers: int = 1,
    executor: Executor | None = None,
    progress: Callable[[Loss | SplitLoss], object] | None = None,
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
    workers, executor
        For an estimate; as `simlink.running.spread.spread` takes them.
    progress : callable, optional
        Called with what is known now and then.

    Raises
    ------
    NoBranchesError
        Where neither can be done; names the key.
    """
    found: Loss | SplitLoss
    try:
        found = exact_loss(scenario, width=width, conversions=conversions, progress=progress)
        why = "a chain follows frames that are read one by one after independent latencies"
    except NoQueueError as error_:
        why = f"no chain follows {error_.key} = {error_.found}"
        found = split_loss(
            scenario, error=error, conversions=conversions, workers=workers, executor=executor,
            progress=progress,
        )  # fmt: skip
    return LossStudy(scenario, found, mean_rate(scenario), why)


def mean_rate(scenario: Scenario) -> float | None:
    """Return triggers per second on average; None where they wait for the host."""
    average = periods(scenario)[1]
    return None if average is None else FS_PER_SECOND / float(average)


def _least(value: float) -> str:
    """Return a lower bound to three digits, rounded down."""
    return f"{value * (1 - 5e-4):.3g}"


def _most(value: float) -> str:
    """Return an upper bound to three digits, rounded up."""
    return f"{min(value * (1 + 5e-4), 1.0):.3g}"


def duration(seconds: float) -> str:
    """Return a time as people speak of it: seconds, hours, days or years."""
    for scale, name in ((_YEAR, "years"), (_DAY, "days"), (_HOUR, "hours")):
        if seconds >= 2 * scale:
            value = seconds / scale
            return f"{value:.3g} {name}" if value < 1e6 else f"{value:.2e} {name}"
    return wording.quantity(seconds, "s", 3)
