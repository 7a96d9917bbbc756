"""Hosts told by edge alone, which fall behind by a frame for good: no depth holds those."""

from __future__ import annotations

import numpy as np

from simlink.base.instants import NEVER
from simlink.engines.choice import make
from simlink.scenario.schema import Scenario

#: Conversions to look at, and the least units.
_LOOKED_AT, _UNITS = 200_000, 8
_DEEPEST = 10**6


def may_pile_up(scenario: Scenario) -> bool:
    """Tell whether a frame that goes unnoticed would hold its slot for good.

    A service reads one frame and takes an edge. Once two frames have been released since the
    service before, one waits for an edge that belongs to a later frame, and so does some frame
    ever after: what has piled up is never read off.
    """
    host = scenario.host
    remote = scenario.link.scheme == "remote_master"
    return remote and host.interrupt == "edge" and host.watermark == 1 and not host.drain


def frames_pile_up(scenario: Scenario, engine: str) -> bool:
    """Tell whether a quick look sees any frame left waiting so, if `may_pile_up`, at any depth."""
    conversions = max(scenario.conversions, 1)
    # So deep that nothing overruns, which would hide what piles up.
    deep = scenario.with_value("fifo.depth", min(conversions + 1, _DEEPEST))
    units = max(_UNITS, _LOOKED_AT // conversions)
    #: When the service of the frame before began; it took all edges up to then.
    begun = np.full(units, NEVER, dtype=np.int64)
    for block in make(engine).passing(deep, range(units), words=False):
        rows = slice(block.trials.start, block.trials.stop)
        for release, service in zip(
            np.moveaxis(block.release, 1, 0), np.moveaxis(block.service, 1, 0), strict=True
        ):
            came = release != NEVER
            if (came & (release <= begun[rows])).any():
                return True
            begun[rows] = np.where(came, service, begun[rows])
    return False
