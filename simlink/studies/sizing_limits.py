"""Confidence limits of a share that is lost in clusters, and when to look at them."""

from __future__ import annotations

import math

import numpy as np

from simlink.figures.intervals import one_sided
from simlink.studies.cycles_seen import Losses

#: Fewer losing units than this are taken as a plain count, for their spread is not known well.
FEW = 20
#: The least number of units of a first look, so that a variance between units means something.
LEAST_UNITS = 64
#: Conversions, and units, after which a value that loses far too much may be dropped, and by how
#: much more the next such look takes.
_SOON, _LEAST_SOON, _SOONER = 1000, 5, 16
#: Conversions of the first look, in expected losses at the target.
_FIRST_LOOK = 4


def limits(seen: Losses, miss: float, by_cycle: bool, weight: float = 1.0) -> tuple[float, float]:
    """Return a lower and an upper limit of the share of conversions lost, each at a chance to miss.

    With at least `FEW` losing units they are those of Clopper and Pearson at the effective number
    of conversions L^2 / sum of l^2 (after Korn and Graubard, Survey Methodology 24, 1998, from
    memory). With fewer, those of the share of losing units; for cycles, whose lengths differ, the
    upper one times the losses of a losing cycle over the mean length, if that is above 1. Those
    losses are at least `weight`, what one was seen to lose where more of them were seen.
    """
    if seen.units == 0 or seen.sent == 0:
        return 0.0, 1.0
    length = seen.sent / seen.units
    if seen.losing < FEW:
        low, high = one_sided(seen.losing, seen.units, miss)
        if not by_cycle:
            # One lost conversion at least in each losing unit.
            return low / length, high
        heavy = max(weight, seen.lost / max(seen.losing, 1))
        return low / length, min(1.0, high * max(1.0, heavy / length))
    if seen.lost == seen.sent:
        return one_sided(seen.units, seen.units, miss)[0], 1.0
    squares = float((seen.losses.astype(np.float64) ** 2).sum())
    if not by_cycle:
        # Units are of one length, so their mean is taken off; cycles that lose are long ones,
        # and what would be taken off is left in, which errs on the safe side.
        squares = max(squares - seen.lost**2 / seen.units, 0.0) * seen.units / (seen.units - 1)
    share = seen.share
    most = float(seen.sent)
    tries = min(most, share * (1 - share) * most**2 / squares) if squares > 0 else most
    return one_sided(share * tries, tries, miss)


def looks(target: float, conversions: int, most_units: int) -> list[int]:
    """Return after how many units a test looks: the number doubles up to the most there may be.

    The first look comes where a few losses are to be expected at the target, which is a share of
    conversions, so many of each unit.
    """
    units = max(LEAST_UNITS, math.ceil(_FIRST_LOOK / target / conversions))
    found = []
    while units < most_units:
        found.append(units)
        units *= 2
    # A last look just after the one before it would be a waste.
    if found and most_units < 1.25 * found[-1]:
        found.pop()
    return [*found, most_units]


def early_looks(conversions: int, before: int, times: int = _SOONER) -> list[int]:
    """Return after how many units it is worth seeing whether far too much is lost.

    The first of these looks comes after a thousand conversions, and at least five units, each of
    the others after so many times as much as the one before it; all come ahead of the first look,
    after `before` units, that may show a target to be met.
    """
    units, found = max(_LEAST_SOON, math.ceil(_SOON / conversions)), []
    while times * units <= before:
        found.append(units)
        units *= times
    return found


def conversions_needed(
    seen: Losses, share: float, target: float, miss: float, by_cycle: bool
) -> int | None:
    """Return about how many conversions would show that a share meets a target.

    What was seen says how losses cluster; the share is what it is thought to be, 0 if none was ever
    lost. To two figures, upwards; None if the share is too close to the target to be told apart by
    any affordable number.
    """
    cluster = 1.0
    if seen.lost:
        cluster = float((seen.losses.astype(np.float64) ** 2).sum()) / seen.lost
    length = seen.sent / seen.units if seen.units else 1.0
    if share < target / 100:
        # None lost, in as many cycles, each at least a conversion, or in as many whole units.
        return _up(math.log(1 / miss) / target * (max(length, cluster) if by_cycle else length))
    if share >= 0.97 * target:
        return None
    low, high = 1.0, 1e6
    for _ in range(60):
        # Events, in clusters, at the share supposed.
        events = math.sqrt(low * high)
        tries = events / share
        if one_sided(events, tries, miss)[1] <= target:
            high = events
        else:
            low = events
    return _up(high * cluster / share)


def _up(value: float) -> int:
    step: int = 10 ** max(math.floor(math.log10(value)) - 1, 0)
    return math.ceil(value / step) * step
