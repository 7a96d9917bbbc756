"""What a read by the host's own clock spends: events, counted."""

from __future__ import annotations

import pytest

from tests.engines.chain import events
from tests.engines.host_clocked_scenarios import serial


@pytest.mark.parametrize("scheme", ["forwarded_clock", "returned_clock"])
@pytest.mark.parametrize("lanes", [1, 3])
@pytest.mark.parametrize("every_edge", [False, True])
def test_a_run_without_a_trace_moves_no_data_lines(scheme, lanes, every_edge):
    """A trigger leaves and arrives, busy rises and falls, on either side: 6.

    A frame is released, a service begins and starts to read, and the read ends: 4. The first
    clock edge meets the converter. Where every edge is an event, host and converter see two
    clock edges a bit each, the host captures once a bit, and a returned clock has two edges a
    bit more.
    """
    bits, frames = 3, 20
    capture = 4 if scheme == "forwarded_clock" else "half"
    changed = {"link.scheme": scheme, "host.capture": capture, "frame.lanes": lanes}
    returned = 2 * bits if scheme == "returned_clock" else 0
    edges = 5 * bits + returned if every_edge else 1
    scenario = serial(changed | {"conversions": frames})
    assert events(scenario, every_edge) == frames * (6 + 4 + edges)
