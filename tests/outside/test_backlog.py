"""The backlog bound of network calculus: b + r T.

Le Boudec and Thiran, Network Calculus, LNCS 2050, theorem 1.4.1 (from memory): arrivals that
never exceed b + r t in any time t, served at the rate R after a latency of at most T, never leave
more than b + r T behind, if r <= R.

Frames are whole, which enters twice. A frame keeps its slot until its last bit is read, so one
read, 1 / R, adds to T; so does the time from its first bit to its release. And the slots that are
taken are a whole number, at most the whole part of b + r (T + 1 / R + release). At the very
instant at which a slot is freed it is free, so where b + r T is whole it is approached, not
reached; the greedy source here is given one that is not.
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simlink.records import Fate
from tests.conftest import MANY
from tests.engines.chain import NS, chain, record

#: One frame of two bits: 2 ns on the remote clock, released 1 ns after its first bit.
LINK = {
    "frame.word_bits": 2,
    "converter.conversion_time": "1 ns",
    "remote_clock.frequency": "1 GHz",
    "remote_clock.start_delay": "0 ns",
    "barrier.forward.delay": "0 ns",
    "barrier.return.delay": "0 ns",
    "fifo.depth": 1000,
    "fifo.sync_delay": "0 ns",
    "host.drain": True,
}
RELEASE = 1
#: The readout ends 3 ns after a trigger, so those of a burst may be 4 ns apart, at 250 MHz.
APART = 4


def mhz(period):
    """Return the frequency of a period in ns."""
    return f"{1000 / period:g} MHz"


def fullest(scenario):
    """Return the most slots taken, having checked that every frame of the burst came through."""
    found = record(scenario, words=False)
    assert (found.fate == Fate.DELIVERED).all()
    return int(found.occupancy_at_arrival.max()) + 1


def bound(burst, period, latency, read):
    """Return the whole part of b + r T, all times in ns."""
    return int(burst + Fraction(latency + read + RELEASE, period))


@pytest.mark.parametrize(
    ("burst", "period", "latency", "read"),
    [(2, 1000, 1890, 100), (1, 800, 3830, 160), (5, 400, 390, 200), (8, 1000, 4950, 1000)],
)
def test_a_greedy_source_reaches_the_bound(recording, burst, period, latency, read):
    """b triggers as close as they can be, then one a period: a token bucket that is emptied.

    Periodic triggers, all but the last of the first b delayed to shortly before it.
    """
    conversions = burst + 20
    delays = [(burst - 1 - k) * (period - APART) for k in range(burst - 1)]
    delays += [0] * (conversions - len(delays))
    scenario = chain(
        LINK
        | {
            "conversions": conversions,
            "trigger.rate": mhz(period),
            "trigger.jitter": recording(delays),
            "host.clock": mhz(read / 2),
            "host.service_latency": f"{latency} ns",
        }
    )
    assert fullest(scenario) == bound(burst, period, latency, read)


@st.composite
def bounded(draw):
    """Give a source and a host that keep to (b, r) and (R, T), and these, in ns."""
    read = draw(st.sampled_from([20, 100, 250, 800]))
    period = draw(st.sampled_from([one for one in (100, 250, 500, 1000, 4000) if one >= read]))
    latency = draw(st.integers(0, 6000))
    low = draw(st.integers(0, latency))
    values = {
        "seed": draw(st.integers(0, 10**6)),
        "conversions": 200,
        "host.clock": mhz(read / 2),
        "host.service_latency": {
            "shape": "uniform",
            "low": f"{low} ns",
            "high": f"{latency} ns",
        },
    }
    if draw(st.booleans()):
        # b triggers at once, then idle until the bucket is full again.
        burst = draw(st.integers(1, 8))
        values |= {
            "trigger.pattern": "burst",
            "trigger.rate": mhz(APART),
            "trigger.burst_length": burst,
            "trigger.gap": f"{burst * period} ns",
        }
    else:
        # Jitter of up to J lets one frame and J / period more come at once.
        jitter = draw(st.integers(0, 3 * (period - APART) // 4))
        burst = 1 + Fraction(jitter, period)
        values |= {
            "trigger.rate": mhz(period),
            "trigger.jitter": {"shape": "uniform", "low": "0 ns", "high": f"{jitter} ns"},
        }
    return values, bound(burst, period, latency, read)


@settings(max_examples=max(MANY // 5, 100))
@given(bounded())
def test_the_bound_is_never_exceeded(case):
    values, most = case
    assert fullest(chain(LINK | values)) <= most


def test_the_published_example():
    """b 2, r 1, R 2, T 1: a delay of at most T + b / R = 2, here in us; a backlog of 2 + 1.

    Le Boudec and Thiran, theorems 1.4.1 and 1.4.2 (from memory). Whole frames: the read of
    0.5 us is the b / R of one frame and is in the delay already, and adds r / R to the backlog,
    so at most the whole part of 3.501. The first of the two triggers is 4 ns ahead of the second
    and released 1 ns after its first bit: the second is read 2 us + 1 ns - 4 ns after its own.
    """
    values = LINK | {
        "conversions": 40,
        "trigger.pattern": "burst",
        "trigger.rate": mhz(APART),
        "trigger.burst_length": 2,
        "trigger.gap": "2 us",
        "host.clock": "4 MHz",
        "host.service_latency": "1 us",
    }
    found = record(chain(values))
    delays = (found.read_end - found.first_bit[:, :, 0, 0])[0] / NS
    assert delays.max() == 2000 + RELEASE - APART
    assert int(found.occupancy_at_arrival.max()) + 1 <= 3
