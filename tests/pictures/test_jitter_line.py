"""The line that says what jitter leaves of a tone."""

import math
import re
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
    assert said == "86.9 dB at 100 kHz, 66.9 dB at 1 MHz"
    assert allowed(1e-7, (Fraction(10**6),)) == "below 20 dB at 1 MHz"


@pytest.mark.parametrize("key", ["trigger.jitter", "barrier.forward.jitter"])
def test_a_run_whose_triggers_jitter_says_it(key: str) -> None:
    line = jitter_line(run(loads(_BASE).with_value(key, _JITTER)))
    found = re.fullmatch(r"(\S+) ps rms: SNR ≤ (\S+) dB at 100 kHz, (\S+) dB at 1 MHz", line)
    assert found is not None
    sigma, slow, fast = map(float, found.groups())
    assert abs(sigma - 72) < 12
    # A decade of frequency takes 20 dB. 60 and 84 ps leave 88.5 and 85.5 dB at 100 kHz.
    assert slow - fast == pytest.approx(20)
    assert 85.5 <= slow <= 88.5


def test_a_limit_from_above_is_rounded_up() -> None:
    """10 ns and 240 kHz are 0.015080 rad, 36.432 dB; an angle of 0.01 is 40 dB."""
    assert allowed(10e-9, (Fraction(240_000),)) == "36.5 dB at 240 kHz"
    assert allowed(0.01 / (2 * math.pi * 1e6), (Fraction(10**6),)) == "40.0 dB at 1 MHz"


def test_no_jitter_and_no_even_spacing_have_no_line() -> None:
    assert jitter_line(run(loads(_BASE))) == ""
    values = {"trigger.pattern": "poisson", "trigger.jitter": _JITTER}
    assert jitter_line(run(loads(_BASE).with_values(values))) == ""


def test_tones_lie_below_half_the_rate() -> None:
    scenario = loads(_BASE)
    assert tones(scenario) == (10**5, 10**6)
    assert tones(scenario.with_value("trigger.rate", "1.9 MHz")) == (10**4, 10**5)
    assert tones(scenario.with_value("analog.tone", "3 kHz")) == (3000,)
