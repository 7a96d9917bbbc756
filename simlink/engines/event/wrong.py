"""How many bits of a frame the host has wrong for the sake of transients."""

from __future__ import annotations

from simlink.engines.event.frame import Harm, Trial
from simlink.link.content import lane_bits


def wrong_bits(trial: Trial, index: int, harm: Harm) -> int:
    """Count the bits of a frame, as it is read, that are not what its conversion sent.

    A bit that came inverted is wrong. One that is in another's place is wrong where the two differ;
    a place that stays empty is read as 0.

    Parameters
    ----------
    index : int
        The frame's conversion.
    harm : Harm
        What transients did to it.
    """
    scenario, number = trial.scenario, trial.number
    if not harm.slipped and not harm.lost:
        return len(harm.inverted)
    count = 0
    for lane in range(trial.lanes):
        own = lane_bits(scenario, number, index, lane)
        there = list(own)
        for place, (conversion, bit) in enumerate(harm.sources or ()):
            # A false strobe brings a bit of 0.
            there[place] = 0
            if conversion != -1:
                there[place] = lane_bits(scenario, number, conversion, lane)[bit]
        for place, bit in enumerate(there):
            if (lane, place) in harm.lost:
                bit = 0
            elif (lane, place) in harm.inverted:
                bit = 1 - bit
            count += bit != own[place]
    return count
