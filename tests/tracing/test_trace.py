"""What a trace knows of a window's conversions once it has closed, worked by hand."""

from __future__ import annotations

import pytest

from simlink.tracing.trace import trace
from tests.engines.chain import chain


@pytest.mark.parametrize(
    ("conversions", "timeout", "given_up"),
    [
        # Nothing else happens at 1000, when the timeout ends.
        (2, 600, True),
        # Trigger 2, sent at 600, is released at 906: a timeout before gives trigger 1 up, one of
        # that instant does not.
        (3, 505, True),
        (3, 506, False),
    ],
)
def test_a_timeout_is_decided_after_the_window_has_closed(conversions, timeout, given_up):
    """Trigger 1, sent at 400 ns, is missed at 410, and with that the window closes."""
    changes = {"trigger.rate": "5 MHz", "conversions": conversions, "host.timeout": f"{timeout} ns"}
    found = trace(chain(changes), range(1, 2))
    assert found.entries[-1][:2] == (410_000_000, "remote.missed")
    assert bool(found.record.timed_out[0, 1]) is given_up
