"""The line that says what jitter leaves of a tone."""

from fractions import Fraction

import pytest

from simlink.pictures.jitter_line import allowed, jitter_line, tones
from simlink.running.run import run
from simlink.scenario.loading import loads

_BASE = """
trials = 4
conversions = 200
[link]
scheme = "remote_master"
[trigger]
rate = "2 MHz"
[converter]
conversion_time = "100 ns"
[remote_clock]
frequency = "100 MHz"
[barrier.forward]
delay = "10 ns"
[host]
clock = "100 MHz"
service_latency = "10 ns"
"""
_JITTER = {"shape": "normal", "mean": "0 ps", "sigma": "72 ps"}


def test_72_ps() -> None:
    # -20 log10(2 pi f sigma), worked by hand: 86.89 dB at 100 kHz, 66.89 dB at 1 MHz.
    said = allowed(72e-12, (Fraction(10**5), Fraction(10**6)))
    assert said == "87 dB at 100 kHz, 67 dB at 1 MHz"
    assert allowed(1e-7, (Fraction(10**6),)) == "below 20 dB at 1 MHz"


@pytest.mark.parametrize("key", ["trigger.jitter", "barrier.forward.jitter"])
def test_a_run_whose_triggers_jitter_says_it(key: str) -> None:
    line = jitter_line(run(loads(_BASE).with_value(key, _JITTER)))
    assert line.endswith(" ps rms: SNR ≤ 87 dB at 100 kHz, 67 dB at 1 MHz")
    assert abs(float(line.split()[0]) - 72) < 12


def test_no_jitter_and_no_even_spacing_have_no_line() -> None:
    assert jitter_line(run(loads(_BASE))) == ""
    values = {"trigger.pattern": "poisson", "trigger.jitter": _JITTER}
    assert jitter_line(run(loads(_BASE).with_values(values))) == ""


def test_tones_lie_below_half_the_rate() -> None:
    scenario = loads(_BASE)
    assert tones(scenario) == (10**5, 10**6)
    assert tones(scenario.with_value("trigger.rate", "1.9 MHz")) == (10**4, 10**5)
    assert tones(scenario.with_value("analog.tone", "3 kHz")) == (3000,)
