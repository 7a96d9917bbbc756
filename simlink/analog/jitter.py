"""What jitter of the sampling instant allows, in closed form.

A slope of 2 pi f A turns a timing error into one of amplitude. The signal-to-noise ratio is
-20 log10(2 pi f sigma) whatever the amplitude (IEEE Std 1241, from memory).
"""

from __future__ import annotations

import math

#: 10 log10(1.5): full-scale sine over the error of an ideal quantiser, less 20 log10(2) a bit.
QUANTISER_DB = 10 * math.log10(1.5)
DB_PER_BIT = 20 * math.log10(2)


def snr_of_jitter(frequency: float, sigma: float) -> float:
    """Return the signal-to-noise ratio in dB that an rms jitter in s leaves a tone in Hz.

    -20 log10(2 pi f sigma), good while 2 pi f sigma is far below 1; infinite without jitter.
    """
    angle = 2 * math.pi * frequency * sigma
    return -20 * math.log10(angle) if angle > 0 else math.inf


def snr_of_normal_jitter(frequency: float, sigma: float) -> float:
    """Return the same for normal jitter of any size, -10 log10(exp((2 pi f sigma)^2) - 1).

    The mean of exp(i x) over a normal x of deviation s is exp(-s^2 / 2): what is left of the
    tone has that amplitude, and the rest of its power is noise.
    """
    angle = 2 * math.pi * frequency * sigma
    return -10 * math.log10(math.expm1(angle**2)) if angle > 0 else math.inf


def jitter_allowed(frequency: float, snr: float) -> float:
    """Return the largest rms jitter, in s, that leaves a tone of `frequency` Hz `snr` dB."""
    return float(10 ** (-snr / 20) / (2 * math.pi * frequency))


def tone_allowed(sigma: float, snr: float) -> float:
    """Return the highest tone, in Hz, to which an rms jitter of `sigma` s leaves `snr` dB."""
    return float(10 ** (-snr / 20) / (2 * math.pi * sigma)) if sigma > 0 else math.inf


def snr_of_quantising(bits: int, amplitude: float = 1.0) -> float:
    """Return the signal-to-noise ratio of an ideal quantiser, 6.02 N + 1.76 dB at full scale.

    The tone's amplitude is a share of full scale.
    """
    return DB_PER_BIT * bits + QUANTISER_DB + 20 * math.log10(amplitude)


def sum_of_ratios(*ratios: float) -> float:
    """Return the ratio in dB that independent noises, each with its own ratio, leave together."""
    power = sum(10 ** (-one / 10) for one in ratios)
    return -10 * math.log10(power) if power > 0 else math.inf


def bits_of(ratio: float) -> float:
    """Return the effective number of bits of a full-scale ratio in dB, (ratio - 1.76) / 6.02."""
    return (ratio - QUANTISER_DB) / DB_PER_BIT
