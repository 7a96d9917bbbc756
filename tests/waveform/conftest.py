import pytest

from simlink.scenario.loading import from_dict
from tests.waveform import analyser

#: One 12-bit converter at 200 kHz, seldom two frames in the FIFO; random everywhere.
BENCH = {
    "seed": 5,
    "conversions": 60,
    "link": {"scheme": "remote_master"},
    "trigger": {
        "rate": "200 kHz",
        "jitter": {"shape": "normal", "mean": "0 ps", "sigma": "80 ps"},
    },
    "frame": {"word_bits": 12, "content": "random"},
    "converter": {
        "conversion_time": {"shape": "uniform", "low": "600 ns", "high": "700 ns"},
        "busy_delay": "9 ns",
        "msb_valid": "6 ns",
        "data_valid": "5 ns",
        "data_hold": "2 ns",
    },
    "remote_clock": {
        "frequency": "40 MHz",
        "start_delay": "15 ns",
        "tolerance": {"shape": "uniform", "low": "-80 ppm", "high": "80 ppm"},
    },
    "barrier": {
        "min_pulse": "5 ns",
        "forward": {
            "delay": "11 ns",
            "jitter": {"shape": "normal", "mean": "0 ps", "sigma": "60 ps"},
        },
        "return": {
            "delay": "12 ns",
            "jitter": {"shape": "normal", "mean": "0 ps", "sigma": "60 ps"},
        },
    },
    "fifo": {"depth": 8, "sync_delay": "25 ns"},
    "host": {
        "clock": "30 MHz",
        "service_latency": {"shape": "uniform", "low": "400 ns", "high": "5 us"},
    },
}


@pytest.fixture(scope="session")
def bench():
    return from_dict(BENCH)


@pytest.fixture(scope="session")
def sampled(bench):
    """A capture at 1 ns of the whole run."""
    return analyser.export(bench)
