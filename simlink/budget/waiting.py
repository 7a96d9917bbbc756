"""Whether frames wait for one another, so that the closed form is not the worst.

The chain of pieces from the trigger to the last bit read is one frame's own (`rates.latency`).
That is the whole of it where each service has ended before the next frame is released. Else how
long a frame waits depends on those before it, which no closed form follows.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

from simlink.base.instants import FS_PER_SECOND
from simlink.base.wording import short_time
from simlink.budget import dual_dirac, rates
from simlink.budget.terms import exact
from simlink.figures.cycle import (
    REST,
    Piece,
    crossing,
    cycles,
    late_jitter,
    periods,
    shortest_spacing,
    total,
)
from simlink.figures.reader import reader_of
from simlink.link.repeat import repeats
from simlink.scenario.distributions import Distribution
from simlink.scenario.schema import Scenario

_CREDIT = "the remote master may wait for a credit before it clocks one out"


@dataclass(frozen=True)
class Waiting:
    """Why frames may wait, and whether they do so even if everything takes its mean."""

    why: str
    at_means: bool = False


def waiting(
    scenario: Scenario, scheme: str, way: Sequence[Piece], clock: Fraction, ber: float
) -> Waiting | None:
    """Return why a frame may wait, None where none ever does.

    Where the host's own clock reads the converter, a frame finds the host idle unless its trigger
    came before the clock that reads the last one.

    Parameters
    ----------
    scenario : Scenario
        Its own scheme does not matter.
    scheme : str
        The one that is meant.
    way : sequence of Piece
        From the trigger to the last bit read, as `rates.latency` gives it.
    clock : Fraction
        The serial clock in Hz.
    ber : float
        The bit-error ratio that Gaussian jitter counts at.
    """
    host = scenario.host
    before = way[: next(n for n, piece in enumerate(way) if piece.name == rates.SERVICE)]
    released = total(piece.largest for piece in before)
    loops = scenario.trigger.pattern == "after_read"
    if scheme != "remote_master":
        if loops:
            return _late_in_a_loop(scenario, released)
        return _before_the_read(scenario, scheme, clock)
    if host.watermark > 1:
        return Waiting(f"the host reads once {host.watermark} of them wait", at_means=True)
    if repeats(scenario):
        return Waiting("one whose check fails is asked for once more, and others wait")
    if loops:
        return _late_in_a_loop(scenario, released) or _credit_in_a_loop(scenario, ber)
    mean_spacing = periods(scenario)[0]
    assert mean_spacing is not None
    if host.interrupt == "edge" and scenario.trigger.source == "host":
        closest = _closest_leaving(scenario, ber)
        if released > closest:
            mean = total(piece.mean for piece in before)
            return Waiting(
                f"the host is told by the falls of busy alone, and one may be released "
                f"{_up_to(released)} after its trigger, when busy may be high for the next: "
                f"triggers leave as little as {short_time(max(closest, 0))} apart",
                at_means=mean > mean_spacing,
            )
    read = reader_of(scenario).read
    service = exact(host.service_latency.support[1]) + read
    starts = rates.frames_apart(scenario, clock, ber)
    apart = starts - _moved(scenario, way, ber)
    if service > apart:
        return Waiting(
            f"service latency and read take {_up_to(service)}, and releases may be as close "
            f"as {short_time(max(apart, 0))}",
            at_means=Fraction(host.service_latency.mean) + read > mean_spacing,
        )
    if scenario.fifo.when_full == "stall":
        # From the start of the clock until the credit is back, for which it has `depth` frames.
        first = next(n for n, piece in enumerate(way) if piece.name == rates.CLOCKING)
        held = total(piece.largest for piece in way[first:]) + _latest_credit(scenario, ber)
        if held > scenario.fifo.depth * starts:
            return Waiting(_CREDIT)
    return None


def _before_the_read(scenario: Scenario, scheme: str, clock: Fraction) -> Waiting | None:
    """Return why a conversion may begin while the host is about to read the one before.

    From the first edge of the host's clock on a trigger is missed.
    """
    cycle = cycles(scenario, scheme, clock)[0]
    pieces = [piece for piece in cycle.pieces if piece.name not in ("read", REST)]
    half = Fraction(FS_PER_SECOND, 2) / clock
    taken = total(piece.largest for piece in pieces) + half
    closest = shortest_spacing(scenario)
    assert closest is not None
    assert cycle.period is not None
    if taken + late_jitter(scenario, scheme) <= closest:
        return None
    return Waiting(
        f"the host's clock may come for a conversion {_up_to(taken)} after its trigger, and the "
        f"next trigger may come {short_time(max(closest, 0))} after it",
        at_means=total(piece.mean for piece in pieces) + half > cycle.period,
    )


def _late_in_a_loop(scenario: Scenario, released: Fraction | float) -> Waiting | None:
    """Return why a frame may wait though each trigger waits for the host, which may give it up."""
    timeout = scenario.host.timeout
    assert timeout is not None
    if released <= timeout.constant_value:
        return None
    return Waiting(
        f"one may be released {_up_to(released)} after its trigger, when host.timeout of "
        f"{short_time(timeout.constant_value)} has let the host trigger the next"
    )


def _credit_in_a_loop(scenario: Scenario, ber: float) -> Waiting | None:
    """Return why a frame may wait for the credit of the one before, which came with its trigger."""
    trigger = scenario.trigger
    assert trigger.gap is not None
    if scenario.fifo.when_full != "stall":
        return None
    laws = [trigger.gap, scenario.converter.conversion_time, scenario.remote_clock.start_delay]
    sooner = [exact(law.support[0]) for law in laws]
    sooner.append(exact(dual_dirac.ends(trigger.jitter, ber)[0]))
    if _latest_credit(scenario, ber) <= total(sooner):
        return None
    return Waiting(_CREDIT)


def _closest_leaving(scenario: Scenario, ber: float) -> Fraction | float:
    """Return how closely two triggers may leave the host, in fs; below 0 if in any order."""
    spacing = periods(scenario, fastest=True)[0]
    if spacing is None or scenario.trigger.pattern == "poisson":
        return Fraction(0)
    return spacing - _spread(scenario.trigger.jitter, ber)


def _moved(scenario: Scenario, way: Sequence[Piece], ber: float) -> Fraction | float:
    """Return how much closer releases may be than the starts of their clocks, in fs."""
    found = _spread(scenario.barrier.direction("return").jitter, ber)
    found = found + _spread(scenario.fifo.sync_delay, ber)
    return found + total(piece.largest for piece in way if piece.name == rates.LINE_TAKEN)


def _latest_credit(scenario: Scenario, ber: float) -> Fraction | float:
    """Return how long a credit may take to cross to the remote master, in fs."""
    jitter = scenario.barrier.direction("forward").jitter
    late = exact(dual_dirac.ends(jitter, ber)[1]) - Fraction(jitter.mean)
    return crossing(scenario, "credit", "forward").largest + late


def _spread(law: Distribution, ber: float) -> Fraction | float:
    low, high = dual_dirac.ends(law, ber)
    return exact(high) - exact(low)


def _up_to(time: Fraction | float) -> str:
    return "any time" if math.isinf(time) else f"up to {short_time(time)}"
