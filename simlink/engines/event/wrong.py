"""How many bits of a frame the host has wrong for the sake of transients."""

from __future__ import annotations

from simlink.engines.event.frame import Frame, Trial
from simlink.link.content import lane_bits


def wrong_bits(trial: Trial, frame: Frame) -> int:
    """Count the bits of a frame, as it is read, that are not what its conversion sent.

    A bit that came inverted is wrong. One that is in another's place is wrong where the two differ;
    a place that stays empty is read as 0.
    """
    scenario, number = trial.scenario, trial.number
    if not frame.slipped and frame.lost is None:
        return len(frame.inverted)
    count, inverted = 0, set(frame.inverted)
    for lane in range(trial.lanes):
        own = lane_bits(scenario, number, frame.index, lane)
        there = [0] * len(own)
        if frame.sources is None:
            there[:] = own
        else:
            sent = {index: lane_bits(scenario, number, index, lane) for index, _ in frame.sources}
            there[: len(frame.sources)] = [sent[index][bit] for index, bit in frame.sources]
        for place, bit in enumerate(there):
            if frame.lost is not None and place in frame.lost[lane]:
                bit = 0
            elif (lane, place) in inverted:
                bit = 1 - bit
            count += bit != own[place]
    return count
