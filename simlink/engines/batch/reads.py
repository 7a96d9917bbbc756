"""The edges of a read by the host's own clock, and the columns of their jitter."""

from __future__ import annotations

from simlink.engines.batch.draws import EDGES, Column, edge_columns
from simlink.scenario.schema import Scenario

#: Places of the columns: busy's rise and fall, the clock's edges, each lane's edges and the one
#: that takes its last bit away, the returned clock's edges.
BUSY = EDGES
CLOCK = EDGES + 2


def read_columns(scenario: Scenario) -> list[Column]:
    """Return the columns of all edges of a conversion, in the order of the places."""
    bits = scenario.bits_per_lane
    forward = scenario.barrier.direction("forward").jitter
    back = scenario.barrier.direction("return").jitter
    found = edge_columns(back, "barrier.return.jitter busy", 2)
    found += edge_columns(forward, "barrier.forward.jitter clock", 2 * bits)
    for lane in range(scenario.frame.lanes):
        found += edge_columns(back, f"barrier.return.jitter lane {lane}", bits)
        found += edge_columns(back, f"barrier.return.jitter lane {lane} end", 1)
    if scenario.link.scheme == "returned_clock":
        found += edge_columns(back, "barrier.return.jitter clock", 2 * bits)
    return found
