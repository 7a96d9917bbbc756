"""The FIFO and the host against an independent simulator on the same arrivals and services.

`ciw` 3.2, a general-purpose queueing library. Its times are floats: whole femtoseconds below
2^53, so about 9 s, are exact in them.
"""

from __future__ import annotations

import ciw
import numpy as np
import pytest

from simlink.base.draws import Column
from simlink.records import Fate
from tests.outside import queues


class ByArrival(ciw.dists.Distribution):
    """Gives each customer the service that belongs to its arrival, taken or not."""

    def __init__(self, services):
        super().__init__()
        self.services = services

    def sample(self, t=None, ind=None):
        """Return the service of one customer."""
        return self.services[ind.arrival_date]


@pytest.mark.parametrize("places", [1, 2, 5])
@pytest.mark.parametrize("pattern", ["periodic", "poisson"])
def test_rejections_and_times_are_those_of_ciw(pattern, places):
    conversions = 2000
    scenario = queues.queue(
        pattern, queues.exponential(0.9), places, conversions=conversions, seed=21
    )
    (block,) = queues.blocks(scenario)
    law = scenario.host.service_latency
    services = Column(law, scenario.seed, 0, "host.service_latency").take(conversions)
    services += queues.READ
    # All frames arrive 500 fs after their triggers; refused ones have no release of their own.
    arrivals = (block.trigger[0] + 500).astype(float)
    assert arrivals[-1] < 2**53
    network = ciw.create_network(
        arrival_distributions=[
            ciw.dists.Sequential([arrivals[0], *np.diff(arrivals).tolist(), float("inf")])
        ],
        service_distributions=[
            ByArrival(dict(zip(arrivals.tolist(), services.astype(float).tolist(), strict=True)))
        ],
        number_of_servers=[1],
        queue_capacities=[places - 1],
    )
    simulation = ciw.Simulation(network)
    simulation.simulate_until_max_time(arrivals[-1] + 1e15)
    records = simulation.get_all_records()
    served = sorted(
        (int(one.arrival_date), int(one.service_start_date), int(one.service_end_date))
        for one in records
        if one.record_type == "service"
    )
    rejected = sorted(int(one.arrival_date) for one in records if one.record_type == "rejection")
    delivered = block.fate[0] == Fate.DELIVERED
    refused = block.fate[0] == Fate.OVERRUN
    assert int(delivered.sum() + refused.sum()) == conversions
    assert refused.any()
    times = (block.release, block.service, block.read_end)
    assert served == list(zip(*(one[0, delivered].tolist() for one in times), strict=True))
    assert rejected == arrivals[refused].astype(int).tolist()
