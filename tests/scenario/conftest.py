from __future__ import annotations

import hashlib

import numpy as np
import pytest

MINIMAL = """\
[link]
scheme = "remote_master"

[trigger]
rate = "1 MHz"

[converter]
conversion_time = "500 ns"

[remote_clock]
frequency = "50 MHz"

[host]
clock = "25 MHz"
service_latency = "2 us"
"""


@pytest.fixture
def minimal():
    """The shortest scenario that loads."""
    return MINIMAL


@pytest.fixture
def scenario():
    from simlink.scenario.loading import loads

    return loads(MINIMAL)


@pytest.fixture
def complaint(scenario):
    """Set keys of the minimal scenario; return the complaint, a line a fault."""
    from simlink.base.errors import InputError

    def told(**values):
        changed = scenario
        with pytest.raises(InputError) as caught:
            changed.with_values({key.replace("__", "."): value for key, value in values.items()})
        assert all(line.isprintable() for line in str(caught.value).splitlines())
        return str(caught.value)

    return told


@pytest.fixture
def streams():
    """Streams named by their suffix; `streams(seed)` gives a maker that notes what was asked."""

    def make(seed=0):
        def stream(suffix, page=0):
            stream.asked.append(suffix)
            digest = hashlib.sha256(f"{seed}/{suffix}{page or ''}".encode()).digest()
            return np.random.Generator(np.random.SFC64(int.from_bytes(digest[:8], "big")))

        stream.asked = []
        return stream

    return make
