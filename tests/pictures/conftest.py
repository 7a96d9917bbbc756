import pytest

from simlink.running.run import run
from simlink.scenario.loading import loads

TEXT = """
title = "A link"
seed = 7
trials = {trials}
conversions = {conversions}
[link]
scheme = "remote_master"
[trigger]
{trigger}
[frame]
word_bits = 18
[converter]
conversion_time = {{ shape = "limits", low = "480 ns", typical = "500 ns", high = "520 ns" }}
acquisition_time = "400 ns"
[remote_clock]
frequency = "50 MHz"
start_delay = "8 ns"
[barrier.return]
delay = "14 ns"
{barrier}
[fifo]
depth = {depth}
[host]
clock = "40 MHz"
service_latency = {{ shape = "exponential", mean = "700 ns" }}
{host}
"""
PACKETS = """
style = "packets"
packet_bits = 8
overhead_bits = 4
line_rate = "100 Mbit/s"
"""

KINDS = {
    "plain": {},
    "one trial": {"trials": 1},
    "one frame": {"trials": 1, "conversions": 1},
    "packets": {"barrier": PACKETS},
    "too fast": {"trigger": 'rate = "900 kHz"', "depth": 16, "conversions": 300},
    "far too fast": {"trigger": 'rate = "1.5 MHz"', "depth": 30, "conversions": 200},
    "poisson": {"trigger": 'pattern = "poisson"\nrate = "400 kHz"'},
    "burst": {
        "trigger": 'pattern = "burst"\nrate = "1 MHz"\nburst_length = 5\ngap = "20 us"',
        "depth": 200,
    },
    "after read": {
        "trigger": 'pattern = "after_read"\ngap = "2 us"',
        "host": 'timeout = "50 us"',
    },
    "none read": {"host": "watermark = 4", "trials": 2, "conversions": 3},
}


def scenario(**changed):
    given = {
        "trials": 6,
        "conversions": 120,
        "trigger": 'rate = "500 kHz"',
        "barrier": "",
        "depth": 4,
        "host": "",
        **changed,
    }
    return loads(TEXT.format(**given))


@pytest.fixture(scope="session", params=list(KINDS))
def any_run(request):
    return run(scenario(**KINDS[request.param]))


@pytest.fixture(scope="session")
def runs():
    return {name: run(scenario(**kind)) for name, kind in KINDS.items()}


@pytest.fixture
def nothing_arrived(runs):
    """A run of which not a single frame arrived: nothing was released, nothing read."""
    from dataclasses import replace

    from simlink.figures import summary
    from simlink.figures.tally import Tally
    from simlink.running.run import Figures

    found = runs["plain"].scenario
    tally = Tally(found, range(found.trials))
    tally.sent[:] = 3
    tally.fates[:, 5] = 3
    return replace(
        runs["plain"], tally=tally, figures=Figures(summary.figures(found, tally)), rows=None
    )
