"""The barrier's channels: how many signals a scheme isolates, and the line rates it asks for."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import Literal

from simlink.base.wording import rate_text
from simlink.budget.schemes import TermFactory
from simlink.link.repeat import repeats
from simlink.scenario.schema import Scenario


@dataclass(frozen=True)
class Signals:
    """The isolated signals of a scheme, by name: how many of each.

    Attributes
    ----------
    forward, back : dict of str to int
        Towards the converter, and towards the host.
    at_hand : int or None
        Channels that the barrier has, if the scenario says.
    """

    forward: dict[str, int]
    back: dict[str, int]
    at_hand: int | None

    @property
    def count(self) -> int:
        """All of them."""
        return sum(self.forward.values()) + sum(self.back.values())

    @property
    def missing(self) -> int:
        """How many more channels are needed than there are."""
        return 0 if self.at_hand is None else max(0, self.count - self.at_hand)


def signals(scenario: Scenario, scheme: str) -> Signals:
    """Return the isolated signals that a scheme needs.

    The scenario says the lanes, the side that triggers, whether a full FIFO stalls the master,
    whether frames are asked for once more, and whether there is a fault line. Its format has no
    keys for channel-select and configuration lines, which every scheme would need alike; they come
    on top.
    """
    forward: dict[str, int] = {}
    back: dict[str, int] = {"data": scenario.frame.lanes}
    if scenario.trigger.source == "host":
        forward["trigger"] = 1
    if scheme == "remote_master":
        if scenario.fifo.when_full == "stall":
            forward["credit"] = 1
        if repeats(scenario):
            forward["request"] = 1
            if scenario.barrier.return_.style == "bits":
                back["repeat mark"] = 1
        if scenario.barrier.return_.has_strobe:
            back["strobe"] = 1
    else:
        forward["clock"] = 1
        back["busy"] = 1
        if scheme == "returned_clock":
            back["returned clock"] = 1
    if scenario.fault.threshold is not None:
        back["fault"] = 1
    return Signals(forward, back, scenario.barrier.channels)


@dataclass(frozen=True)
class Rule:
    """A line rate that a channel has to carry: so many bits per second for each Hz of clock."""

    name: str
    key: str
    per_clock: int
    line_rate: Fraction

    @property
    def highest(self) -> Fraction:
        """The highest clock in Hz that the channel carries."""
        return self.line_rate / self.per_clock

    def refusal(self, clock: Fraction) -> str | None:
        """Return what a clock in Hz asks too much, or None."""
        over = self.per_clock * clock - self.line_rate
        if over <= 0:
            return None
        return (
            f"{self.name} at {rate_text(clock, 'Hz')} asks for "
            f"{rate_text(self.per_clock * clock, 'bit/s')}, {rate_text(over, 'bit/s')} more than "
            f"{self.key}"
        )


def rules(scenario: Scenario, scheme: str) -> list[Rule]:
    """Return the line rates that a scheme asks for: 2 f for a clock, f for data.

    Packets have a line rate of their own, which limits the sample rate and not the clock.
    """
    carried: dict[Literal["forward", "return"], tuple[str, int]]
    if scheme == "forwarded_clock":
        carried = {"forward": ("the clock", 2), "return": ("the data", 1)}
    elif scheme == "returned_clock":
        carried = {"forward": ("the clock", 2), "return": ("the returned clock", 2)}
    elif scenario.barrier.return_.style == "packets":
        carried = {}
    elif scenario.barrier.return_.has_strobe:
        carried = {"return": ("the strobe", 2)}
    else:
        carried = {"return": ("the data", 1)}
    make, found = TermFactory(scenario), []
    for way, (name, per_clock) in carried.items():
        line = scenario.barrier.direction(way).line_rate
        if line is not None:
            found.append(Rule(name, make.key(way, "line_rate"), per_clock, line.value))
    return found
