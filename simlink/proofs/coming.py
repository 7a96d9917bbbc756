"""How closely frames may come one after another, and when their bits arrive at the latest.

Frames come no closer together than triggers do, and no closer than the converter lets them: it
takes no trigger before it has been read.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

from simlink.base.instants import clock_edges, period_of
from simlink.figures.cycle import arrivals, crossing
from simlink.link.repeat import repeats
from simlink.link.transport import packets_of
from simlink.proofs.ends import Ends, UnboundedError
from simlink.scenario.quantities import PARTS

if TYPE_CHECKING:
    from simlink.scenario.distributions import Distribution
    from simlink.scenario.schema import Scenario

#: Bursts longer than this are not looked at trigger by trigger.
_LONGEST_BURST = 10**5


@dataclass(frozen=True)
class Coming:
    """Frames that come: any n + 1 of them take n gaps of the pattern, less the wander, or more."""

    #: The shortest spacings, over one whole pattern, in fs.
    gaps: list[int]
    #: How far an instant may stray from an even spacing, in fs.
    wander: int

    @property
    def cycle(self) -> int:
        """The length of the pattern, in fs."""
        return sum(self.gaps)

    def starts(self) -> list[int]:
        """Return where in the pattern a window may open worst."""
        gaps = self.gaps
        # A burst is densest from its start, unless its gap is shorter than its period.
        if gaps[-1] >= gaps[0]:
            return [0]
        return [0, len(gaps) - 1] if len(gaps) <= 2 else list(range(len(gaps)))

    def least(self, count: int) -> int:
        """Return the shortest time that so many frames, and one more, may come in, in fs."""
        whole, rest = divmod(count, len(self.gaps))
        found = (
            sum(self.gaps[(start + n) % len(self.gaps)] for n in range(rest))
            for start in self.starts()
        )
        return max(whole * self.cycle + min(found) - self.wander, 0)


def check_quiet(scenario: Scenario) -> None:
    """Raise UnboundedError where a transient may take or make a symbol, or a frame be repeated."""
    if scenario.transient:
        raise UnboundedError("transients may take triggers, bits and credits, or make some")
    if repeats(scenario):
        raise UnboundedError("a frame whose check fails is asked for once more, and others wait")


def trigger_gaps(scenario: Scenario, ends: Ends) -> list[int]:
    """Return the shortest spacings of triggers without jitter, over one whole pattern, in fs."""
    trigger = scenario.trigger
    if trigger.pattern == "after_read":
        raise UnboundedError("triggers wait for the host")
    if trigger.pattern == "poisson":
        raise UnboundedError("Poisson triggers may come arbitrarily close together")
    assert trigger.rate is not None
    fastest = trigger.rate.value * (PARTS + ends.high(trigger.tolerance, "the tolerance")) / PARTS
    period = math.floor(period_of(Fraction(fastest)))
    if trigger.pattern == "periodic":
        return [period]
    assert trigger.gap is not None
    assert trigger.burst_length is not None
    if trigger.burst_length > _LONGEST_BURST:
        raise UnboundedError("the bursts are too long to be followed trigger by trigger")
    return [period] * (trigger.burst_length - 1) + [ends.low(trigger.gap, "the gap")]


def trigger_jitter(scenario: Scenario) -> list[tuple[Distribution, str]]:
    """Return what moves one trigger at the converter against the next."""
    found = [(scenario.trigger.jitter, "the trigger jitter")]
    if scenario.trigger.source == "host":
        found.append((scenario.barrier.direction("forward").jitter, "the forward jitter"))
    return found


def of_triggers(scenario: Scenario, ends: Ends) -> Coming:
    """Return how the remote master's clock starts, as the triggers let it."""
    gaps = trigger_gaps(scenario, ends)
    moving = [
        *trigger_jitter(scenario),
        (scenario.converter.conversion_time, "the conversion time"),
        (scenario.remote_clock.start_delay, "the start delay"),
    ]
    return Coming(gaps, sum(ends.spread(law, name) for law, name in moving))


def of_converter(scenario: Scenario, ends: Ends) -> Coming:
    """Return how the remote master's clock starts, as the converter lets it.

    From the end of one readout to the start of the next there are at the least a conversion and
    a start delay.
    """
    fastest = scenario.remote_clock.frequency.value * (
        PARTS + ends.high(scenario.remote_clock.tolerance, "the tolerance")
    )
    read = math.floor(period_of(Fraction(fastest) / PARTS) * scenario.bits_per_lane)
    conversion = ends.low(scenario.converter.conversion_time, "the conversion time")
    start = ends.low(scenario.remote_clock.start_delay, "the start delay")
    return Coming([read + conversion + start], 0)


def ways(scenario: Scenario, ends: Ends) -> tuple[list[Coming], str]:
    """Return each way in which frames are held apart, and why the triggers do not, if so."""
    try:
        found, why = [of_triggers(scenario, ends)], ""
    except UnboundedError as error:
        found, why = [], str(error)
    apart = of_converter(scenario, ends)
    return [*found, *([apart] if apart.cycle else [])], why


def slowest(scenario: Scenario, ends: Ends) -> Fraction:
    """Return the remote clock at its slowest, in Hz."""
    tolerance = ends.low(scenario.remote_clock.tolerance, "the tolerance")
    return Fraction(scenario.remote_clock.frequency.value * (PARTS + tolerance)) / PARTS


def loose(scenario: Scenario) -> int:
    """Return how much more two edges of the clock may be apart than at its slowest, in fs.

    Each edge is rounded by itself, so that a faster clock may round the other way.
    """
    return 0 if scenario.remote_clock.tolerance.is_constant else 1


def arrived(scenario: Scenario, ends: Ends) -> list[int]:
    """Return when the bits of a lane are past the line at the latest, from the clock's start.

    Returns
    -------
    list of int, fs
        Without the crossing of the barrier, and of packets that find the line free. The time
        from one bit to a later one is at its longest, too, whether or not they do.
    """
    return [int(one) for one in arrivals(scenario, slowest(scenario, ends))[1]]


def check_line(scenario: Scenario, ends: Ends) -> None:
    """Raise UnboundedError unless the packets of a frame always find the line free."""
    packets = packets_of(scenario)
    if packets is None:
        return
    captured, past = arrivals(scenario, slowest(scenario, ends))
    needed = int(past[-1]) - int(captured[packets[0].last]) + loose(scenario)
    found, _ = ways(scenario, ends)
    if all(needed > one.least(1) for one in found):
        raise UnboundedError("packets of one frame may wait for those of the frame before")


def latest_crossing(scenario: Scenario, ends: Ends, way: str, *, jitters: bool = True) -> int:
    """Return the longest crossing of a trigger (``"forward"``) or of a lane's bit, in fs.

    A credit takes as long as a trigger that does not jitter.
    """
    forward = way == "forward"
    channel = scenario.barrier.direction("forward" if forward else "return")
    found = (
        crossing(scenario, way, "forward")
        if forward
        else crossing(scenario, way, "return", skew="lanes")
    )
    fixed = found.largest - Fraction(channel.jitter.mean)
    if math.isinf(fixed):
        raise UnboundedError(f"the {way} crossing has no upper bound")
    jitter = ends.high(channel.jitter, f"the {way} jitter") if jitters else 0
    return max(math.ceil(fixed) + jitter, 0)


def read_time(scenario: Scenario) -> int:
    """Return how long the host reads one frame, in fs."""
    return int(clock_edges(scenario.host.clock.value, scenario.bits_per_lane)[1][-1])
