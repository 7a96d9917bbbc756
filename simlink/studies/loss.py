"""The loss of a FIFO, however rare: its share, and what that comes to in hours."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from simlink.base import wording
from simlink.base.cautions import CAUTIONS
from simlink.rare.exact import NEGLIGIBLE, USUAL_WIDTH, Loss, exact_loss

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario

_HOUR, _DAY, _YEAR = 3600.0, 86400.0, 365.25 * 86400.0


@dataclass(frozen=True)
class LossStudy:
    """The loss of a scenario's FIFO.

    Attributes
    ----------
    scenario : Scenario
        What was asked about.
    loss : Loss
        The share of triggers whose frame finds every slot taken.
    rate : float
        Triggers per second, nominal.
    """

    scenario: Scenario
    loss: Loss
    rate: float

    @property
    def per_hour(self) -> tuple[float, float, float]:
        """Words lost in an hour: the value, and the ends that it is proven to lie between."""
        words = self.rate * _HOUR * self.scenario.words
        return self.loss.value * words, self.loss.low * words, self.loss.high * words

    @property
    def between(self) -> float | None:
        """The mean time between lost frames in seconds; None if none is ever lost."""
        return 1 / (self.loss.value * self.rate) if self.loss.value else None

    @property
    def sentence(self) -> str:
        """The answer in words."""
        loss, depth = self.loss, self.scenario.fifo.depth
        slots = f"A FIFO of {wording.many(depth, 'slot')}"
        if loss.high == 0:
            return f"{slots} never overruns."
        over = "in the long run"
        if loss.conversions is not None:
            over = f"over the first {loss.conversions} conversions, from empty"
        if loss.high < NEGLIGIBLE:
            most = f"less than {_most(loss.high)} of triggers"
            return f"{slots} overruns in {most} {over} (proven)."
        said = (
            f"{slots} overruns in {wording.share(loss.value, 3)} of triggers"
            f" {over} (computed; proven: {_least(loss.low)} to {_most(loss.high)})"
        )
        if self.between is None:
            return f"{said}."
        return f"{said}: one in {duration(self.between)} on average."

    def to_dict(self) -> dict[str, Any]:
        """Return what was found as JSON holds it: times in seconds."""
        value, low, high = self.per_hour
        return {
            "title": self.scenario.title,
            "figure": "overrun",
            "method": "exact",
            "loss": asdict(self.loss),
            "words_lost_per_hour": {"value": value, "low": low, "high": high},
            "mean_time_between_losses": self.between,
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
    conversions: int | None = None,
    progress: Callable[[Loss], object] | None = None,
) -> LossStudy:
    """Compute the loss of a scenario's FIFO; see `simlink.rare.exact.exact_loss`."""
    found = exact_loss(scenario, width=width, conversions=conversions, progress=progress)
    assert scenario.trigger.rate is not None
    return LossStudy(scenario, found, float(scenario.trigger.rate.value))


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
