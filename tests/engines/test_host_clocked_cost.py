"""What a read by the host's own clock spends: steps of the event queue, counted."""

from __future__ import annotations

import pytest

from simlink.engines.event.clockwork import Clockwork
from tests.engines.chain import record
from tests.engines.host_clocked_scenarios import serial


@pytest.mark.parametrize("scheme", ["forwarded_clock", "returned_clock"])
@pytest.mark.parametrize("lanes", [1, 3])
def test_a_run_without_a_trace_moves_no_data_lines(scheme, lanes, monkeypatch):
    """Two processes start (reader, trigger timer) and the timer's ends: 3.

    A trigger leaves and arrives, busy rises and falls, on either side: 6. A frame is released, a
    service begins and starts to read, and the read ends: 4. Host and converter see two clock
    edges a bit each, the host captures once a bit, and a returned clock has two edges a bit more.
    """
    taken = 0
    real = Clockwork.step

    def step(self):
        nonlocal taken
        real(self)  # raises if nothing is left
        taken += 1

    monkeypatch.setattr(Clockwork, "step", step)
    bits, frames = 3, 20
    capture = 4 if scheme == "forwarded_clock" else "half"
    changed = {"link.scheme": scheme, "host.capture": capture, "frame.lanes": lanes}
    record(serial(changed | {"conversions": frames}))
    returned = 2 * bits if scheme == "returned_clock" else 0
    assert taken == 3 + frames * (6 + 4 + 5 * bits + returned)
