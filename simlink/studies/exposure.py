"""Exposure: what one common-mode event does to a conversion, by when it begins.

The event begins at each instant of a grid, from one that is over before a conversion's trigger
leaves the host to one that begins when the conversion's frame has been read. Every instant is a
run of its own, on the same draws, so that what differs is the event's doing alone. Beside it stands
the time in which each channel can be hit, in closed form (`link.exposed`).
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

from simlink.base.cautions import CAUTIONS
from simlink.base.instants import FS_PER_SECOND
from simlink.base.json_text import AsJson
from simlink.base.late import picture
from simlink.base.version import __version__
from simlink.base.wording import short_time, slew_text
from simlink.link.exposed import Exposed
from simlink.link.transient import Way, enough
from simlink.scenario.schema import Scenario

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

#: What may become of a conversion besides the fates by which it is lost.
UNHARMED, WRONG, MISALIGNED = "unharmed", "wrong bits", "misaligned"
#: Its frame was asked for once more, and came right: later, and no harm.
MENDED = "mended"
#: What is no harm.
HARMLESS = (UNHARMED, MENDED)
#: Of a time that is written.
_DIGITS = 4


@dataclass(frozen=True)
class Moment:
    """What an event does that begins at one instant.

    Attributes
    ----------
    offset : int, fs
        When it begins, counted from the conversion's trigger.
    hit : frozenset of str
        The channels of which it hits a symbol that belongs to the conversion; those of the return
        direction as if nothing had been lost on the way to the converter. Of a frame whose busy
        is lost no bit is read, and none is hit.
    outcomes : tuple of str
        What becomes of the conversion and of each that follows it: ``"unharmed"``,
        ``"wrong bits"`` (its words are read with wrong bits), the fate by which it is lost, or
        ``"misaligned"`` (it is read right and taken for another conversion), or ``"mended"``.
    told : tuple of bool
        Whether anybody is told of it, of each likewise; False where there is nothing to tell.
    """

    offset: int
    hit: frozenset[str]
    outcomes: tuple[str, ...]
    told: tuple[bool, ...]

    @property
    def harms(self) -> bool:
        """Whether any conversion comes to harm."""
        return any(one not in HARMLESS for one in self.outcomes)

    def said(self, number: int) -> str:
        """Return what becomes of one conversion and whether anybody is told, in words."""
        outcome = self.outcomes[number]
        if outcome in HARMLESS:
            return outcome
        return f"{outcome}, {'told' if self.told[number] else 'not told'}"


@dataclass(frozen=True)
class Exposure(AsJson):
    """What one event does to a conversion, by when it begins.

    Attributes
    ----------
    scenario : Scenario
        With what it was asked.
    trial : int
        Of which unit.
    slew : int
        Of the event, V/s.
    swing : int
        From end to end, uV.
    length : int, fs
        How long it upsets: swing over slew, and the recovery of the unit's barrier.
    immunity : dict of str to int
        The unit's slew immunity in each direction that has one, V/s.
    period : int, fs
        From the conversion's trigger to the next.
    step : int, fs
        From one instant of the grid to the next.
    moments : list of Moment
        In the order of time.
    channels : list of Exposed
        The closed forms.
    safe : (int, int) or None
        From when to when after each trigger of the unit such an event meets nothing that crosses,
        in fs; None if there is no such stretch.
    seen : int
        Over how many triggers that holds: those that were simulated.
    most_slew : float, V/s
        Of any event: of the given one, or the highest that the scenario's sources may have.
    assumed : bool
        Whether the immunity is assumed, and not the scenario's.
    """

    scenario: Scenario
    trial: int
    slew: int
    swing: int
    length: int
    immunity: dict[Way, int]
    period: int
    step: int
    moments: list[Moment] = field(repr=False)
    channels: list[Exposed] = field(repr=False)
    safe: tuple[int, int] | None = None
    seen: int = 1
    most_slew: float = 0.0
    assumed: bool = False

    @property
    def upsets(self) -> bool:
        """Whether an event of this slew upsets any channel of the unit."""
        return any(self.slew > one for one in self.immunity.values())

    def simulated(self, channel: str) -> int:
        """Return the time in which a channel was hit, in fs: grid steps at which it was."""
        return self.step * sum(channel in one.hit for one in self.moments)

    @cached_property
    def _bad(self) -> list[bool]:
        """Whether an event comes to harm anything, of each step of the period: it is a circle."""
        count = max(round(self.period / self.step), 1)
        bad = [False] * count
        for one in self.moments:
            if one.harms:
                bad[one.offset % self.period // self.step % count] = True
        return bad

    @cached_property
    def harmful(self) -> int:
        """For how long within the period an event may begin so as to harm any conversion, in fs."""
        return min(self.step * sum(self._bad), self.period)

    @cached_property
    def quiet(self) -> tuple[int, int] | None:
        """The longest stretch of the period in which nothing comes to harm: its ends, in fs.

        Counted from a trigger; the period is a circle, so that the end may lie beyond it. None
        where there is none.
        """
        bad, count = self._bad, len(self._bad)
        best: tuple[int, int] | None = None
        start = None
        for place in range(2 * count):
            if bad[place % count]:
                start = None
                continue
            start = place if start is None else start
            longest = min(place - start + 1, count)
            if best is None or longest > best[1] - best[0]:
                best = start, start + longest
        if best is None:
            return None
        return best[0] * self.step, min(best[1] * self.step, best[0] * self.step + self.period)

    @property
    def advised(self) -> tuple[int, int] | None:
        """The ends of `safe`, in fs, rounded inwards to as many digits as are written."""
        if self.safe is None:
            return None
        start, end = self.safe
        up, down = (10 ** max(len(str(one)) - _DIGITS, 0) for one in (start, end))
        start, end = -(-start // up) * up, end // down * down
        return (start, end) if start < end else None

    @property
    def sentence(self) -> str:
        """What to do about it, in one sentence."""
        event = f"an event of {slew_text(self.slew)}"
        unit = f"On board {self.trial}"
        if self.assumed:
            unit += (
                f", of which an immunity of {slew_text(min(self.immunity.values()))} is assumed,"
            )
        if not self.upsets:
            least = min(self.immunity.values())
            return f"{unit} {event} upsets nothing: its immunity is {slew_text(least)}."
        event += f" that upsets for {short_time(self.length)}"
        if not self.harmful:
            tried = f"any of {len(self.moments)} instants {short_time(self.step)} apart"
            return f"{unit} {event} harms no word of this conversion if it begins at {tried}."
        return f"{unit} {event} harms a word if it begins {self.share}{self._advice}"

    @property
    def share(self) -> str:
        """In what share of the period an event does harm, and how finely that is known."""
        periodic = self.scenario.trigger.pattern == "periodic"
        of = "the trigger period" if periodic else "the time from this trigger to the next"
        share = 100 * self.harmful / self.period
        return f"in {share:.3g} % of {of}, looked at every {short_time(self.step)}"

    @property
    def sampled(self) -> str:
        """How far the times that are counted in steps can be relied on, in words."""
        said = "Times are counted in such steps; what lasts less than one may be missed."
        return f"{said} {self.coarse}".strip()

    @property
    def coarse(self) -> str:
        """That a finer grid may say otherwise, where a channel is hit for hardly a step."""
        # Of the stretches of a channel one is no longer than their mean.
        shortest = min((one.time // one.stretches for one in self.channels), default=None)
        if shortest is None or 2 * self.step <= shortest:
            return ""
        return (
            "They are coarse, for stretches in which a channel is hit last "
            f"{short_time(shortest)}: a finer grid (--steps) may change what is counted."
        )

    @property
    def _advice(self) -> str:
        """What to do about an event that does harm: where to place it, what immunity is enough."""
        if math.isinf(self.most_slew):
            immunity = "no slew immunity is enough for every event, for its slew has no upper end"
        else:
            least = enough(self.most_slew)
            immunity = f"a slew immunity of at least {slew_text(least)} is enough"
        if self.slew < self.most_slew < math.inf:
            immunity += f" for every event, of {slew_text(self.most_slew)} at the most"
        if self.scenario.trigger.pattern != "periodic":
            return f"; as triggers do not come evenly, no other time is safe; {immunity}."
        if self.advised is None:
            return f": no instant is safe for a switching edge in every conversion; {immunity}."
        start, end = self.advised
        place = f"between {short_time(start)} and {short_time(end)} after a trigger"
        # Nobody places what comes from outside.
        placed = not self.scenario.transient or any(
            one.kind in ("at", "locked", "switching") for one in self.scenario.transient
        )
        place = f"keep such edges {place}" if placed else f"one {place} does none"
        return f"; {place} ({self.seen} conversions simulated); {immunity}."

    @property
    def table(self) -> pd.DataFrame:
        """One row a channel: time in which it can be hit, in s, simulated and in closed form."""
        import pandas as pd

        rows = [
            {
                "channel": one.channel,
                "direction": one.way,
                "symbols": one.symbols,
                "simulated": self.simulated(one.channel) / FS_PER_SECOND,
                "closed_form": one.time / FS_PER_SECOND,
                "share_of_period": one.time / self.period,
            }
            for one in self.channels
        ]
        table = pd.DataFrame(rows)
        table.attrs["units"] = {"simulated": "s", "closed_form": "s", "share_of_period": "1"}
        return table

    @property
    def moments_table(self) -> pd.DataFrame:
        """One row an instant of the grid: offset in s, channels hit, what becomes of whom."""
        import pandas as pd

        rows = []
        for one in self.moments:
            row: dict[str, Any] = {
                "offset": one.offset / FS_PER_SECOND,
                "hit": " ".join(sorted(one.hit)),
            }
            for number, outcome in enumerate(one.outcomes):
                name = "this" if number == 0 else f"next_{number}"
                row[name] = outcome
                row[f"{name}_told"] = one.told[number]
            rows.append(row)
        return pd.DataFrame(rows)

    def plot(self) -> Figure:
        """Draw the conversion, and below it what an event does that begins at each instant."""
        drawn: Figure = picture("exposure", "exposure")(self)
        return drawn

    def to_dict(self) -> dict[str, Any]:
        """Return the study as plain, JSON-ready dictionaries: times in s, slews in V/s."""
        return {
            "title": self.scenario.title,
            "scheme": self.scenario.link.scheme,
            "seed": self.scenario.seed,
            "unit": self.trial,
            "version": __version__,
            "slew": self.slew,
            "swing": self.swing / 10**6,
            "length": self.length / FS_PER_SECOND,
            "immunity": self.immunity,
            "period": self.period / FS_PER_SECOND,
            "step": self.step / FS_PER_SECOND,
            "answer": self.sentence,
            "harmful": self.harmful / FS_PER_SECOND,
            "quiet": None if self.quiet is None else [one / FS_PER_SECOND for one in self.quiet],
            "safe": None if self.safe is None else [one / FS_PER_SECOND for one in self.safe],
            "immunity_assumed": self.assumed,
            "channels": self.table.to_dict("records"),
            "moments": [
                {
                    "offset": one.offset / FS_PER_SECOND,
                    "hit": sorted(one.hit),
                    "outcomes": list(one.outcomes),
                    "told": list(one.told),
                }
                for one in self.moments
            ],
            "cautions": CAUTIONS,
        }

    def _repr_html_(self) -> str:
        return self.table.to_html()
