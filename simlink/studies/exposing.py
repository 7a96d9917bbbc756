"""Exposes a conversion to one common-mode event at each instant of a grid.

Every instant is a run of its own, on the same draws; those at which the event meets nothing that
crosses are known without one.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass

import numpy as np

from simlink.base.errors import InputError
from simlink.base.instants import FS_PER_SECOND, NEVER
from simlink.engines.event.frame import Met
from simlink.engines.event.wiring import watched
from simlink.figures.host_view import host_view
from simlink.link import unit
from simlink.link.common_mode import ramp_lasts
from simlink.link.eft import above, steepest
from simlink.link.exposed import exposed
from simlink.link.fate import Fate
from simlink.link.transient import Upsets, Way, most_slew
from simlink.records import FrameBlock
from simlink.scenario.distributions import Constant
from simlink.scenario.quantities import SLEW, VOLTAGE, exact, told
from simlink.scenario.schema import Scenario
from simlink.studies.exposure import MENDED, MISALIGNED, UNHARMED, WRONG, Exposure, Moment

#: The conversion that is looked at: late enough for the host to have begun to read.
TARGET = 2
#: Conversions that follow it in a run.
AFTER = 3
#: Conversions of the unit in which it is seen by how much they differ, at the most.
VARYING = 300
MOST_STEPS = 20_000
FEWEST_STEPS = 200
#: Steps to the shortest stretch in which an event hits a channel.
FINE = 8
#: Numbers of steps of which that with the most even one is taken, and bits that are looked at.
_CHOICE, _BITS = 100, 64
#: Channels to the converter.
FORWARD = ("trigger", "clock", "credit", "request")


@dataclass(frozen=True)
class Event:
    """The event: slew in V/s, swing in uV, and the highest slew of any that is meant, in V/s."""

    slew: int
    swing: int
    most: float


def event_of(
    scenario: Scenario, slew: str | None, swing: str | None, immunity: int | None = None
) -> Event:
    """Return the event: as given, else the mean of the first source that has what is not given.

    A pulse of IEC 61000-4-4 is taken as a ramp as steep as it is at its steepest, which lasts until
    it is no longer steep enough to upset: steeper than the unit's least immunity, in V/s.

    Raises
    ------
    InputError
        If one is not given and no source of the scenario has it, or it is none.
    """
    found: dict[str, int | None] = {}
    for name, text, dimension in (("slew", slew, SLEW), ("swing", swing, VOLTAGE)):
        if text is None:
            laws = [getattr(one, name) for one in scenario.transient]
            found[name] = next((round(law.mean) for law in laws if law is not None), None)
            continue
        with told(f"--{name}"):
            amount = exact(text, dimension)
        if amount <= 0:
            raise InputError(f"--{name}", None, f'"{text}"', f"{dimension.noun} above zero")
        found[name] = round(amount)
    most = most_slew(scenario) if slew is None else float(found["slew"] or 0)
    pulse = next((one for one in scenario.transient if one.kind == "eft"), None)
    if found["slew"] is None and found["swing"] is None and pulse is not None:
        assert pulse.peak is not None
        peak = pulse.peak.mean * 1e-6 * pulse.coupling
        steep = round(steepest(peak))
        lasts = above(peak, immunity or 0)
        across = round(pulse.peak.mean * pulse.coupling)
        if lasts:
            across = round(steep * lasts[-1][1] / 10**9)
        return Event(steep, across, most)
    for name, value in found.items():
        if value is None:
            allowed = f"missing, and no [[transient]] of {scenario.name} has one"
            raise InputError(f"--{name}", None, None, allowed)
    assert found["slew"] is not None
    assert found["swing"] is not None
    return Event(found["slew"], found["swing"], max(most, float(found["slew"])))


def undisturbed(scenario: Scenario, conversions: int = TARGET + 1 + AFTER) -> Scenario:
    """Return the run that is looked at, without any event."""
    return scenario.with_values({"transient": None, "conversions": conversions})


def with_immunity(scenario: Scenario, immunity: str | None) -> Scenario:
    """Return a scenario with an assumed slew immunity of both directions, if one is given.

    Raises
    ------
    InputError
        If it is no slew, or the scenario has none and none is given.
    """
    if immunity is not None:
        with told("--immunity"):
            exact(immunity, SLEW)
        values = {
            "barrier.slew_immunity": immunity,
            "barrier.forward.slew_immunity": None,
            "barrier.return.slew_immunity": None,
        }
        return scenario.with_values(values)
    ways = (scenario.barrier.direction(way).slew_immunity for way in ("forward", "return"))
    if all(law is None for law in ways):
        allowed = (
            'missing; a slew such as "50 kV/us", or one assumed by --immunity: without it no event '
            "upsets a channel"
        )
        raise InputError(scenario.name, "barrier.slew_immunity", None, allowed)
    return scenario


def exposure(
    scenario: Scenario,
    *,
    slew: str | None = None,
    swing: str | None = None,
    length: int | None = None,
    immunity: str | None = None,
    steps: int | None = None,
    most_steps: int = MOST_STEPS,
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
    length : int, fs, optional
        How long it upsets, the unit's recovery included, in place of a swing.
    immunity : str, optional
        Of both directions, such as ``"50 kV/us"``, assumed in place of the scenario's.
    steps : int, optional
        Instants within the trigger period; when left out so many that the shortest stretch in which
        a channel is hit has eight of them, at least 200, and of a number that does not beat against
        the serial clock.
    most_steps : int
        About the most of those when left out.
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
    scenario = with_immunity(scenario, immunity)
    calm = undisturbed(scenario)
    # Made even where no event upsets any channel, for the immunity that it did not reach.
    upsets = Upsets(calm, trial)
    immune: dict[Way, int] = {way: one for way, one in upsets.immunity.items() if one is not None}
    given = swing if length is None else "1 V"
    event = event_of(scenario, slew, given, min(immune.values()))
    if length is not None:
        if length <= upsets.recovery:
            raise InputError(
                "--lengths", None, None, "longer than the recovery of the unit's barrier"
            )
        across = max(round(event.slew * (length - upsets.recovery) / 10**9), 1)
        event = Event(event.slew, across, event.most)
    length = ramp_lasts(event.swing, event.slew) + upsets.recovery
    alone, _ = watched(calm, trial)
    sent = int(alone.trigger[0, TARGET])
    following = int(alone.trigger[0, TARGET + 1])
    period = following - sent
    read = int(alone.read_start[0, TARGET])
    read_after = None if read == NEVER else read - int(alone.ready[0, TARGET])
    channels = [
        one
        for one in exposed(calm, unit.build(calm, range(trial, trial + 1)), length, read_after)
        if event.slew > immune.get(one.way, event.slew)
    ]
    last = max(int(alone.read_end[0, TARGET]), following)
    if steps is None:
        # Of the stretches of a channel each is at least as long as their mean is short.
        shortest = min((one.time // one.stretches for one in channels), default=period)
        steps = max(FEWEST_STEPS, -(-FINE * period // max(shortest, 1)))
        # What lies before the trigger and after the period takes steps, too.
        room = MOST_STEPS * period // (last - sent + length + 3 * period // FEWEST_STEPS)
        least = max(min(steps, most_steps, room * 9 // 10), 2)
        steps = _unlike_the_clock(
            calm, period, range(least, max(least, min(least + _CHOICE, room)) + 1)
        )
    step = max(1, round(period / steps))
    begin = -(length // step + 1) * step
    count = (last - sent - begin) // step + 1
    if count > MOST_STEPS:
        said = f"fewer: the event's {count} instants are over {MOST_STEPS}"
        raise InputError("--steps", None, str(steps), said)
    # In the middle of its step, so that the step stands for what it covers.
    offsets = [begin + number * step + step // 2 for number in range(count)]
    moments = []
    one_event = _Exposing(calm, trial, event, immune, alone)
    for number, offset in enumerate(offsets):
        moments.append(one_event.moment(sent + offset, offset, length))
        if progress is not None:
            progress(number + 1, count)
    safe, seen = _safe(scenario, trial, event, length, period)
    return Exposure(
        scenario=scenario,
        trial=trial,
        slew=event.slew,
        swing=event.swing,
        length=length,
        immunity=immune,
        period=period,
        step=step,
        moments=moments,
        channels=channels,
        safe=safe,
        seen=seen,
        most_slew=event.most,
        assumed=immunity is not None,
    )


def _unlike_the_clock(scenario: Scenario, period: int, choice: range) -> int:
    """Return of some numbers of steps of a period the one that beats least with the serial clock.

    With a step that bits are a simple multiple of, each bit meets the grid in the same few places,
    and what is missed of one is missed of all. Taken is the number with which the bits of a frame
    are spread over a step as evenly as can be, so that what each adds or lacks evens out.
    """
    clock = scenario.remote_clock if scenario.link.scheme == "remote_master" else None
    rate = scenario.host.clock.value if clock is None else clock.frequency.value
    bits = np.arange(min(scenario.bits_per_lane, _BITS)) * (FS_PER_SECOND / float(rate))

    def least_gap(steps: int) -> float:
        places = np.sort(bits * steps / period % 1)
        return float(np.diff(places, append=places[0] + 1).min())

    return max(choice, key=least_gap)


def _with_event(calm: Scenario, event: Event) -> Scenario:
    source = {
        "kind": "at",
        "times": ["0 s"],
        "slew": f"{event.slew} V/s",
        "swing": f"{event.swing // 10**3}.{event.swing % 10**3:03d} mV",
    }
    return calm.with_values({"transient": [source]})


def _moved(upset: Scenario, at: int, swing: int | None = None) -> Scenario:
    """Return the scenario with its event at another instant; checked once is enough."""
    more = {"times": (Constant(value=max(at, 0)),)}
    if swing is not None:
        more["swing"] = Constant(value=swing)  # type: ignore[assignment]
    event = upset.transient[0].model_copy(update=more)
    return upset.model_copy(update={"transient": (event,)})


class _Exposing:
    """Runs one event at any instant, beside the records of the run alone, without any event."""

    def __init__(
        self, calm: Scenario, trial: int, event: Event, immune: dict[Way, int], alone: FrameBlock
    ) -> None:
        self.calm, self.trial, self.alone = calm, trial, alone
        self.upset = _with_event(calm, event)
        self.back = self.upset
        if event.slew > immune.get("forward", event.slew):
            # What is lost on the way there sends nothing back: the channels back are watched alone.
            back = calm.with_value("barrier.forward.slew_immunity", SLEW.most_text)
            self.back = _with_event(back, event)
        self.before = host_view(calm, alone)[0]
        symbols = _symbols(calm, trial, event, _last(alone))
        self.sent = np.array([one.sent for one in symbols], dtype=np.int64)
        self.arrives = np.array([one.arrives for one in symbols], dtype=np.int64)
        #: Where an event meets nothing it may still make an edge.
        self.makes_edges = bool(calm.barrier.false_edge)
        self.unharmed = tuple(self.outcomes(calm, alone))

    def meets_nothing(self, start: int, length: int) -> bool:
        """Tell whether nothing is on its way through the barrier in a window, in fs."""
        return not bool(((self.sent < start + length) & (self.arrives > start)).any())

    def moment(self, at: int, offset: int, length: int) -> Moment:
        """Return what an event does at an instant: with all that it upsets, then the way back."""
        if not self.makes_edges and self.meets_nothing(max(at, 0), length):
            outcomes = self.unharmed
            hit: frozenset[str] = frozenset()
        else:
            moved = _moved(self.upset, at)
            block, seen = watched(moved, self.trial)
            hits = [one for one in seen if one.channel in FORWARD]
            there = seen
            if self.back is not self.upset:
                _, there = watched(_moved(self.back, at), self.trial)
            hits += [one for one in there if one.channel not in FORWARD]
            hit = frozenset(one.channel for one in hits if one.conversion == TARGET)
            outcomes = tuple(self.outcomes(moved, block))
        return Moment(
            offset, hit, tuple(one for one, _ in outcomes), tuple(told for _, told in outcomes)
        )

    def outcomes(self, scenario: Scenario, block: FrameBlock) -> Iterator[tuple[str, bool]]:
        """Give what became of the conversion and of those after it, and whether that is told.

        What befell them anyway is left out. The scenario has the event that was run, for a fault
        line tells of it.
        """
        alone, view = self.alone, host_view(scenario, block)[0]
        for conversion in range(TARGET, TARGET + AFTER):
            fate, before = int(block.fate[0, conversion]), int(alone.fate[0, conversion])
            one, was = view[conversion], self.before[conversion]
            more_wrong = block.wrong_bits[0, conversion] > alone.wrong_bits[0, conversion]
            if fate != before and fate not in (Fate.DELIVERED, Fate.CORRUPTED):
                yield Fate(fate).said, bool(one["told"])
            elif more_wrong or (fate != before and fate == Fate.CORRUPTED):
                yield WRONG, bool(one["told"])
            elif one["misaligned"] and one["believed"] != was["believed"]:
                yield MISALIGNED, bool(one["told"])
            elif block.request[0, conversion] != alone.request[0, conversion] == NEVER:
                yield MENDED, False
            else:
                yield UNHARMED, False


def _symbols(calm: Scenario, trial: int, event: Event, until: int) -> list[Met]:
    """Return every symbol that crosses undisturbed: an endless event meets all, hits none."""
    none_hit = _with_event(calm.with_value("barrier.upset", 0), event)
    endless = _moved(none_hit, 0, round(event.slew * until / 10**9))
    return watched(endless, trial)[1]


def _last(block: FrameBlock) -> int:
    """Return an instant after which nothing crosses any more, in fs."""
    return 2 * max(int(block.read_end.max()), int(block.trigger.max()), int(block.release.max()))


def _safe(
    scenario: Scenario, trial: int, event: Event, length: int, period: int
) -> tuple[tuple[int, int] | None, int]:
    """Return where after each trigger of the unit an event meets nothing, as far as is seen.

    The longest stretch that begins within the period, in fs after a trigger, and over how many
    triggers it holds.
    """
    calm = undisturbed(scenario, min(max(scenario.conversions, TARGET + 2), VARYING))
    block, _ = watched(calm, trial)
    sent = block.trigger[0][block.trigger[0] != NEVER]
    if scenario.barrier.false_edge:
        return None, len(sent)
    symbols = _symbols(calm, trial, event, _last(block))
    starts = np.array([one.sent - length for one in symbols], dtype=np.int64)
    ends = np.array([one.arrives for one in symbols], dtype=np.int64)
    bad = [
        (start, end)
        for time in sent.tolist()
        for start, end in np.column_stack([starts, ends])[
            (ends > time) & (starts < time + 2 * period)
        ]
        - time
    ]
    best: tuple[int, int] | None = None
    free = 0
    for start, end in [*sorted((int(a), int(b)) for a, b in bad), (2 * period, 2 * period)]:
        if free < period and start > free and (best is None or start - free > best[1] - best[0]):
            best = free, min(start, free + period)
        free = max(free, end)
    return best, len(sent)
