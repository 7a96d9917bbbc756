"""A loop in which each trigger waits for the read before it: how long one turn of it takes."""

from __future__ import annotations

import math
from collections.abc import Sequence
from fractions import Fraction

from simlink.base.instants import FS_PER_SECOND
from simlink.base.wording import short_time
from simlink.budget import dual_dirac, rates
from simlink.budget.terms import exact
from simlink.figures.cycle import REST, Cycle, Piece, total
from simlink.scenario.schema import Scenario


def turn(scenario: Scenario, way: Sequence[Piece]) -> Fraction:
    """Return how long a turn takes on average, in fs: from a trigger to the next.

    `way` is that from the trigger to the last bit read, as `rates.latency` gives it.
    """
    gap, jitter = scenario.trigger.gap, scenario.trigger.jitter
    assert gap is not None
    return sum((piece.mean for piece in way), Fraction(gap.mean)) + Fraction(jitter.mean)


def fault(
    scenario: Scenario, way: Sequence[Piece], cycle: Cycle, clock: Fraction, ber: float
) -> str:
    """Say why the loop does not go round as it should, empty if it does.

    Pieces count at their longest, those without a bound at their means, and Gaussian jitter at a
    bit-error ratio. The way and the converter's cycle are those at a serial clock in Hz.
    """
    host = scenario.host
    assert host.timeout is not None
    if host.watermark > 1 and cycle.side == "converter":
        return (
            f"the host triggers again once it has read, and reads once {host.watermark} frames "
            f"wait, so that the loop stops at its first trigger"
        )
    before = way[: next(n for n, piece in enumerate(way) if piece.name == rates.SERVICE)]
    released, timeout = _longest(before), host.timeout.constant_value
    if released > timeout:
        return (
            f"a frame is released up to {short_time(released)} after its trigger, and the host "
            f"gives it up after {short_time(timeout)} (host.timeout)"
        )
    early = _too_early(scenario, way, clock, ber) if cycle.side != "converter" else Fraction(0)
    if early > 0:
        return (
            f"the next trigger may come up to {short_time(early)} before the last edge of the "
            f"serial clock has fallen at the converter"
        )
    ready, comes = _longest(_keeps(cycle)), _soonest(scenario, way, ber)
    if ready > comes:
        return (
            f"the converter is ready up to {short_time(ready)} after its conversion, and the next "
            f"trigger may come {short_time(comes)} after it"
        )
    return ""


def _longest(pieces: Sequence[Piece]) -> Fraction:
    worst = total(piece.largest for piece in pieces)
    if math.isinf(worst):
        return sum((piece.mean for piece in pieces), Fraction(0))
    return Fraction(worst)


def _keeps(cycle: Cycle) -> list[Piece]:
    """Return what the converter needs after its conversion that the loop does not wait for.

    Where the host's own clock reads it, the read is over when the loop goes on.
    """
    if cycle.side == "converter":
        return list(cycle.pieces[1:])
    acquisition = cycle.acquisition
    assert acquisition is not None
    high = acquisition.support[1]
    return [Piece(REST, Fraction(acquisition.mean), exact(high))]


def _soonest(scenario: Scenario, way: Sequence[Piece], ber: float) -> Fraction | float:
    """Return how soon after a conversion the next trigger arrives, delays at their means."""
    conversion = next(n for n, piece in enumerate(way) if piece.name == "conversion")
    crossing = [piece.mean for piece in way[:conversion]]
    later = [
        piece.mean if piece.law is None else Fraction(piece.law.support[0])
        for piece in way[conversion + 1 :]
    ]
    jitter = scenario.barrier.direction("forward").jitter
    early = Fraction(jitter.mean) - exact(dual_dirac.ends(jitter, ber)[0])
    return total([*crossing, *later, _least_gap(scenario, ber)]) - early


def _too_early(
    scenario: Scenario, way: Sequence[Piece], clock: Fraction, ber: float
) -> Fraction | float:
    """Return how far ahead of the host's last clock edge the trigger behind it may arrive, in fs.

    The two cross in one direction, each with a jitter of its own, and the clock with its channel's
    skew and its distortion. That edge leaves once all bits have been clocked out; the loop goes on
    when the last of them has been captured.
    """
    service = next(n for n, piece in enumerate(way) if piece.name == rates.SERVICE)
    read = sum((piece.mean for piece in way[service + 1 :]), Fraction(0))
    ahead = read - scenario.bits_per_lane * FS_PER_SECOND / clock + _least_gap(scenario, ber)
    channel = scenario.barrier.direction("forward")
    earliest, latest = dual_dirac.ends(channel.jitter, ber)
    late = exact(latest) - exact(earliest) + exact(channel.pulse_width_distortion.support[1])
    if not isinstance(channel.channel_skew, tuple):
        late = late + exact(channel.channel_skew.support[1])
    return late - ahead


def _least_gap(scenario: Scenario, ber: float) -> Fraction | float:
    """Return how soon after a read the next trigger leaves, in fs."""
    gap = scenario.trigger.gap
    assert gap is not None
    jitter = exact(dual_dirac.ends(scenario.trigger.jitter, ber)[0])
    return max(exact(gap.support[0]) + jitter, Fraction(0))
