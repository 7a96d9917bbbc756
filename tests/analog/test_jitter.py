"""What jitter allows, against simulated tones and figures from outside."""

import math
from fractions import Fraction

import numpy as np
import pytest

from simlink.analog import codes, jitter
from simlink.analog.sine_fit import three
from simlink.analog.spectrum import analyse, coherent
from simlink.analog.tone import Tone

_COUNT = 4096
_RATE = Fraction(10**6)
# Of a power estimated from n values of a normal noise: sqrt(2 / n) in relative terms.
_ERROR = 10 / math.log(10) * math.sqrt(2 / _COUNT)
_POINTS = [
    (1e3, 1e-9),
    (3e3, 3e-10),
    (1e4, 1e-9),
    (3e4, 1e-11),
    (1e5, 1e-10),
    (1e5, 1e-14),
    (1e6, 7.2e-11),
    (3e6, 1e-12),
    (1e7, 1e-10),
    (1e7, 1e-9),
]


def _tone(wanted: float) -> tuple[Tone, float]:
    frequency = coherent(Fraction(wanted), _RATE, _COUNT)
    return Tone(frequency, 1.0, 0.13), float(frequency)


def _instants(sigma: float, seed: int) -> np.ndarray:
    even = 10**9 * np.arange(1, _COUNT + 1)
    drawn = np.random.default_rng(seed).normal(0.0, sigma * 1e15, _COUNT)
    return np.asarray(even + np.rint(drawn).astype(np.int64))


@pytest.mark.parametrize(("wanted", "sigma"), _POINTS)
def test_jitter_costs_what_the_closed_form_says(wanted: float, sigma: float) -> None:
    # IEEE Std 1241, -20 log10(2 pi f sigma), from memory; normal jitter exactly.
    tone, frequency = _tone(wanted)
    found = three(tone.at(_instants(sigma, 1)), frequency / float(_RATE)).ratio
    # An instant is rounded to a femtosecond, which adds a twelfth of its square.
    sigma = math.hypot(sigma, 1e-15 / math.sqrt(12))
    # The noise follows the slope, cos^2: its square's spread is that of more kurtosis, 3 x 3/2 - 1.
    error = _ERROR * math.sqrt(3.5 / 2)
    assert abs(found - jitter.snr_of_normal_jitter(frequency, sigma)) < 4 * error
    if frequency * sigma < 1e-3:
        assert abs(found - jitter.snr_of_jitter(frequency, sigma)) < 4 * error


@pytest.mark.parametrize(("wanted", "sigma"), _POINTS)
@pytest.mark.parametrize("bits", [8, 12])
def test_quantisation_costs_what_the_closed_form_says(
    wanted: float, sigma: float, bits: int
) -> None:
    tone, frequency = _tone(wanted)
    values = codes.in_lsb(tone.at(_instants(0.0, 0)), bits)
    found, clipped = codes.quantised(values, bits)
    record = codes.centres(found, bits)
    assert clipped == 0
    # An error even over a step: its square's relative variance is 4/5, but that of a tone that
    # repeats itself is no random one; the bound is that of the noise at any rate.
    alone = three(record, frequency / float(_RATE)).ratio
    assert abs(alone - jitter.snr_of_quantising(bits)) < 4 * _ERROR
    both, _ = codes.quantised(codes.in_lsb(tone.at(_instants(sigma, 2)), bits), bits)
    together = three(codes.centres(both, bits), frequency / float(_RATE)).ratio
    said = jitter.sum_of_ratios(
        jitter.snr_of_normal_jitter(frequency, sigma), jitter.snr_of_quantising(bits)
    )
    assert abs(together - said) < 4 * _ERROR * math.sqrt(3.5 / 2)


def test_a_hundred_decibels_at_ten_kilohertz_needs_159_ps() -> None:
    # Common practice, no source.
    assert jitter.jitter_allowed(10e3, 100.0) == pytest.approx(159e-12, rel=2e-3)


def test_allowances_turn_the_closed_form_round() -> None:
    # 100 MHz with 1 ps: 64.036 dB (Kester, Data Conversion Handbook, from memory).
    assert jitter.snr_of_jitter(100e6, 1e-12) == pytest.approx(64.036, abs=1e-3)
    assert jitter.jitter_allowed(100e6, 64.036) == pytest.approx(1e-12, rel=1e-4)
    assert jitter.tone_allowed(1e-12, 64.036) == pytest.approx(100e6, rel=1e-4)
    assert jitter.snr_of_jitter(1e6, 0.0) == math.inf
    assert jitter.tone_allowed(0.0, 80.0) == math.inf
    assert jitter.snr_of_quantising(16) == pytest.approx(6.0206 * 16 + 1.7609, abs=1e-3)
    assert jitter.bits_of(jitter.snr_of_quantising(13)) == pytest.approx(13)


@pytest.mark.parametrize("bits", [8, 10, 12, 14, 16, 18, 20])
def test_a_quantised_full_scale_tone_gives_its_bits(bits: int) -> None:
    count = 1 << 16
    frequency = coherent(Fraction(123456), Fraction(10**6), count)
    tone = Tone(frequency, 1.0, 0.3)
    values = codes.in_lsb(tone.at(10**9 * np.arange(1, count + 1)), bits)
    record = codes.centres(codes.quantised(values, bits)[0], bits)
    found = analyse(record, float(frequency / 10**6))
    assert abs(found.enob(bits) - bits) < 0.02
    assert abs(jitter.bits_of(found.sinad) - bits) < 0.02
