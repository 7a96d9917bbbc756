from __future__ import annotations

import itertools
import os
import signal
import sys
from pathlib import Path

import pytest
import vcdvcd  # noqa: F401
from hypothesis import HealthCheck, settings

from simlink.base import interrupts

# Importing vcdvcd gives SIGPIPE its default action, which kills whoever writes to a process that
# has gone; Python's own way, an error that can be caught, is put back.
if hasattr(signal, "SIGPIPE"):
    signal.signal(signal.SIGPIPE, signal.SIG_IGN)
# A shell starts what it puts in the background with Ctrl-C ignored, and every process that a test
# starts and interrupts would inherit that.
if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
    signal.signal(signal.SIGINT, signal.default_int_handler)


@pytest.fixture(autouse=True)
def _signals_as_before():
    """Leave Ctrl-C and SIGTERM as they were, though the program was run within this process."""
    before = {one: signal.getsignal(one) for one in (signal.SIGINT, signal.SIGTERM)}
    yield
    for one, handler in before.items():
        if signal.getsignal(one) is not handler:
            signal.signal(one, handler)
    interrupts.forget()


# Test modules share helpers as `tests.strategies`, `tests.engines.chain` and so on.
sys.path.insert(0, str(Path(__file__).parents[1]))

#: How many random scenarios the engine's properties are tried on; raise it by hand.
MANY = int(os.environ.get("SIMLINK_MANY", "120"))

settings.register_profile(
    "simlink",
    deadline=None,
    derandomize="SIMLINK_MANY" not in os.environ,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile("simlink")


@pytest.fixture
def recording(tmp_path):
    """Write values in ns to a file; return them as a law that replays them from the first."""

    def law(values, unit="ns"):
        path = tmp_path / f"{next(names)}.csv"
        path.write_text("value\n" + "".join(f"{value}\n" for value in values))
        return {
            "shape": "recorded",
            "file": str(path),
            "column": "value",
            "unit": unit,
            "start": 0,
        }

    names = itertools.count()
    return law
