"""How long a million samples take to simulate on the batch engine and to analyse.

    .venv/bin/python tests/benchmarks/spectrum.py

Under 3 s is asked for; the processor time is told beside the elapsed one, which others share.
"""

from __future__ import annotations

import time

from simlink.scenario.loading import loads
from simlink.studies.spectrum import spectrum

_SCENARIO = """
conversions = 1000000
[link]
scheme = "remote_master"
[trigger]
rate = "500 kHz"
jitter = { shape = "normal", mean = "0 ps", sigma = "20 ps" }
[frame]
word_bits = 18
[converter]
conversion_time = "500 ns"
aperture_jitter = { shape = "normal", mean = "0 ps", sigma = "5 ps" }
[remote_clock]
frequency = "50 MHz"
[barrier.forward]
delay = "12 ns"
jitter = { shape = "normal", mean = "0 ps", sigma = "69 ps" }
[host]
clock = "25 MHz"
service_latency = "100 ns"
[analog]
tone = "100 kHz"
noise = 1.2
inl = [0, 0, 0.5, 0.8]
"""


def main() -> None:
    """Run it once compiled."""
    scenario = loads(_SCENARIO)
    spectrum(scenario.with_(conversions=1000), engine="batch")
    began, used = time.perf_counter(), time.process_time()
    found = spectrum(scenario, engine="batch")
    elapsed, spent = time.perf_counter() - began, time.process_time() - used
    print(found.sentence)
    print(f"{elapsed:.2f} s elapsed, {spent:.2f} s of a processor")


if __name__ == "__main__":
    main()
