"""Exposure: what one common-mode event does to a conversion, by when it begins.

The event begins at each instant of a grid, from one that is over before a conversion's trigger
leaves the host to one that begins when the conversion's frame has been read. Every instant is a
run of its own, on the same draws, so that what differs is the event's doing alone. Beside it stands
the time in which each channel can be hit, in closed form (`vulnerable_time`).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cached_property
from typing import TYPE_CHECKING, Any

from simlink.base.cautions import CAUTIONS
from simlink.base.errors import InputError
from simlink.base.instants import FS_PER_SECOND
from simlink.base.json_text import json_text
from simlink.base.late import picture
from simlink.base.version import __version__
from simlink.base.wording import short_time, slew_text
from simlink.engines.event.wiring import watched
from simlink.link import unit
from simlink.link.exposed import Exposed, exposed
from simlink.link.fate import Fate
from simlink.link.transient import Upsets, Way, ramp_lasts
from simlink.scenario.distributions import Constant
from simlink.scenario.quantities import SLEW, VOLTAGE, exact, told

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

    from simlink.records import FrameBlock
    from simlink.scenario.schema import Scenario

#: The conversion that is looked at: late enough for the host to have begun to read.
TARGET = 2
#: Conversions that follow it in a run.
AFTER = 3
MOST_STEPS = 20_000
FEWEST_STEPS = 200


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
        What becomes of the conversion and of each that follows it: ``"unharmed"``, ``"damaged"``
        (its words are read with wrong bits) or the fate by which it is lost.
    """

    offset: int
    hit: frozenset[str]
    outcomes: tuple[str, ...]

    @property
    def harms(self) -> bool:
        """Whether any conversion comes to harm."""
        return any(one != UNHARMED for one in self.outcomes)


#: Channels to the converter.
FORWARD = ("trigger", "clock", "credit")
UNHARMED, DAMAGED = "unharmed", "damaged"


@dataclass(frozen=True)
class Exposure:
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

    @property
    def upsets(self) -> bool:
        """Whether an event of this slew upsets any channel of the unit."""
        return any(self.slew > one for one in self.immunity.values())

    def simulated(self, channel: str) -> int:
        """Return the time in which a channel was hit, in fs: grid steps at which it was."""
        return self.step * sum(channel in one.hit for one in self.moments)

    @cached_property
    def harmful(self) -> int:
        """The time in which any conversion comes to harm, in fs."""
        return self.step * sum(one.harms for one in self.moments)

    @cached_property
    def quiet(self) -> tuple[int, int] | None:
        """The longest stretch of the period in which nothing comes to harm: its ends, in fs.

        Counted from a trigger; the period is a circle, so that the end may lie beyond it. None
        where there is none.
        """
        count = -(-self.period // self.step)
        bad = [False] * count
        for one in self.moments:
            if one.harms:
                bad[one.offset % self.period // self.step % count] = True
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
    def sentence(self) -> str:
        """What to do about it, in one sentence."""
        event = f"an event of {slew_text(self.slew)}"
        if not self.upsets:
            least = min(self.immunity.values())
            return (
                f"On board {self.trial} {event} upsets nothing: its immunity is {slew_text(least)}."
            )
        event += f" that upsets for {short_time(self.length)}"
        if not self.harmful:
            return f"On board {self.trial} {event} harms no word, whenever it begins."
        share = min(self.harmful / self.period, 1.0)
        said = (
            f"On board {self.trial} {event} harms a word if it begins in {100 * share:.3g} % of "
            "the trigger period"
        )
        if self.quiet is None:
            return (
                f"{said}: no instant is safe for a switching edge, but a slew immunity of at "
                f"least {slew_text(self.slew)} is enough."
            )
        start, end = self.quiet
        return (
            f"{said}; keep switching edges between {short_time(start)} and {short_time(end)} after "
            f"a trigger, or take a barrier whose slew immunity is at least {slew_text(self.slew)}."
        )

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
                row["this" if number == 0 else f"next_{number}"] = outcome
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
            "channels": self.table.to_dict("records"),
            "moments": [
                {
                    "offset": one.offset / FS_PER_SECOND,
                    "hit": sorted(one.hit),
                    "outcomes": list(one.outcomes),
                }
                for one in self.moments
            ],
            "cautions": CAUTIONS,
        }

    def to_json(self) -> str:
        """Return the study as JSON text, the same bytes for the same scenario and seed."""
        return json_text(self.to_dict())

    def _repr_html_(self) -> str:
        return self.table.to_html()


def event_of(scenario: Scenario, slew: str | None, swing: str | None) -> tuple[int, int]:
    """Return slew (V/s) and swing (uV) of the event: as given, else the mean of a source's.

    Raises
    ------
    InputError
        If one is not given and no source of the scenario has it, or it is none.
    """
    found = []
    for name, text, dimension in (("slew", slew, SLEW), ("swing", swing, VOLTAGE)):
        laws = [getattr(one, name) for one in scenario.transient if getattr(one, name) is not None]
        if text is None:
            if not laws:
                allowed = f"missing, and no [[transient]] of {scenario.name} has one"
                raise InputError(f"--{name}", None, None, allowed)
            found.append(round(laws[0].mean))
            continue
        with told(f"--{name}"):
            amount = exact(text, dimension)
        if amount <= 0:
            raise InputError(f"--{name}", None, f'"{text}"', f"{dimension.noun} above zero")
        found.append(round(amount))
    return found[0], found[1]


def undisturbed(scenario: Scenario) -> Scenario:
    """Return the run that is looked at, without any event."""
    return scenario.with_values({"transient": None, "conversions": TARGET + 1 + AFTER})


def exposure(
    scenario: Scenario,
    *,
    slew: str | None = None,
    swing: str | None = None,
    steps: int | None = None,
    trial: int = 0,
    progress: Callable[[int, int], None] | None = None,
) -> Exposure:
    """Simulate one common-mode event at each instant of a grid over a conversion.

    Parameters
    ----------
    scenario : Scenario
        What is exposed; its own transients are left out.
    slew, swing : str, optional
        Of the event, such as ``"60 kV/us"`` and ``"400 V"``; those of the scenario's first source
        that has them when left out.
    steps : int, optional
        Instants within the trigger period; when left out so many that no symbol lies between
        two of them, and at least 200.
    trial : int
        Which unit.
    progress : callable, optional
        Called with the instants that are done and the instants in all.

    Returns
    -------
    Exposure

    Raises
    ------
    InputError
        If the scenario has no slew immunity, or an option is bad.
    """
    if steps is not None and not 2 <= steps <= MOST_STEPS:
        raise InputError("--steps", None, str(steps), f"a whole number from 2 to {MOST_STEPS}")
    if not 0 <= trial < scenario.trials:
        raise InputError(scenario.name, "trial", str(trial), f"0 to {scenario.trials - 1}")
    ways = {way: scenario.barrier.direction(way).slew_immunity for way in ("forward", "return")}
    if all(law is None for law in ways.values()):
        allowed = 'missing; a slew such as "50 kV/us": without it no event upsets a channel'
        raise InputError(scenario.name, "barrier.slew_immunity", None, allowed)
    rate, across = event_of(scenario, slew, swing)
    calm = undisturbed(scenario)
    alone, _ = watched(calm, trial)
    sent = int(alone.trigger[0, TARGET])
    following = int(alone.trigger[0, TARGET + 1])
    period = following - sent
    # Made even where no event upsets any channel, for the immunity that it did not reach.
    upsets = Upsets(calm, trial)
    immunity = {way: one for way, one in upsets.immunity.items() if one is not None}
    length = ramp_lasts(across, rate) + upsets.recovery
    read_after = int(alone.read_start[0, TARGET] - alone.ready[0, TARGET])
    channels = [
        one
        for one in exposed(calm, unit.build(calm, range(trial, trial + 1)), length, read_after)
        if rate > immunity.get(one.way, rate)
    ]
    if steps is None:
        # Of the stretches of a channel each is at least as long as their mean is short.
        shortest = min((one.time // one.stretches for one in channels), default=period)
        steps = min(max(FEWEST_STEPS, -(-period // max(shortest, 1))), MOST_STEPS)
    step = max(1, round(period / steps))
    last = max(int(alone.read_end[0, TARGET]), following)
    begin = -(length // step + 1) * step
    count = (last - sent - begin) // step + 1
    if count > MOST_STEPS:
        raise InputError(
            "--steps",
            None,
            str(steps),
            f"fewer: the event's {count} instants are over {MOST_STEPS}",
        )
    # What is lost on the way there sends nothing back: the channels back are watched alone.
    upset = [_with_event(calm, rate, across)]
    if rate > immunity.get("forward", rate):
        back = calm.with_value("barrier.forward.slew_immunity", SLEW.most_text)
        upset.append(_with_event(back, rate, across))
    moments = []
    for number in range(count):
        # In the middle of its step, so that the step stands for what it covers.
        offset = begin + number * step + step // 2
        moments.append(_moment(upset, trial, alone, sent + offset, offset))
        if progress is not None:
            progress(number + 1, count)
    return Exposure(
        scenario=scenario,
        trial=trial,
        slew=rate,
        swing=across,
        length=length,
        immunity=immunity,
        period=period,
        step=step,
        moments=moments,
        channels=channels,
    )


def _with_event(calm: Scenario, slew: int, swing: int) -> Scenario:
    event = {
        "kind": "at",
        "times": ["0 s"],
        "slew": f"{slew} V/s",
        "swing": f"{swing // 10**3}.{swing % 10**3:03d} mV",
    }
    return calm.with_values({"transient": [event]})


def _moved(upset: Scenario, at: int) -> Scenario:
    """Return the scenario with its event at another instant; checked once is enough."""
    times = (Constant(value=max(at, 0)),)
    event = upset.transient[0].model_copy(update={"times": times})
    return upset.model_copy(update={"transient": (event,)})


def _moment(
    scenarios: list[Scenario], trial: int, alone: FrameBlock, at: int, offset: int
) -> Moment:
    """Run an event at an instant: with all that it upsets first, then with the way back alone."""
    block, seen = watched(_moved(scenarios[0], at), trial)
    hits = [one for one in seen if one.channel in FORWARD]
    _, there = watched(_moved(scenarios[1], at), trial) if len(scenarios) > 1 else (block, seen)
    hits += [one for one in there if one.channel not in FORWARD]
    hit = frozenset(one.channel for one in hits if one.conversion == TARGET)
    return Moment(offset, hit, tuple(_outcomes(alone, block)))


def _outcomes(alone: FrameBlock, block: FrameBlock) -> Iterator[str]:
    """Give what became of the conversion and of those after it, but for what befell them anyway."""
    for conversion in range(TARGET, TARGET + AFTER):
        fate, before = int(block.fate[0, conversion]), int(alone.fate[0, conversion])
        if int(block.wrong_bits[0, conversion]) > int(alone.wrong_bits[0, conversion]):
            yield DAMAGED
        elif fate == before:
            yield UNHARMED
        elif fate == Fate.CORRUPTED:
            yield DAMAGED
        else:
            yield Fate(fate).word.replace("_", " ")
