"""Least-squares sine fits of three and of four parameters, after IEEE Std 1057 (from memory)."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]

_MOST_STEPS = 30


@dataclass(frozen=True)
class SineFit:
    """A sine fitted to a record: cosine cos(2 pi f n) + sine sin(2 pi f n) + offset.

    Attributes
    ----------
    frequency : float
        In cycles a sample.
    cosine, sine, offset : float
        As above, sample n counted from 0.
    rms : float
        The root of the mean square of what is left, over all samples.
    """

    frequency: float
    cosine: float
    sine: float
    offset: float
    rms: float

    @property
    def amplitude(self) -> float:
        """The peak of the sine."""
        return math.hypot(self.cosine, self.sine)

    @property
    def phase(self) -> float:
        """In rad, of amplitude cos(2 pi f n + phase)."""
        return math.atan2(-self.sine, self.cosine)

    @property
    def ratio(self) -> float:
        """Signal to noise and distortion, in dB; infinite if nothing is left."""
        if self.rms == 0:
            return math.inf
        return 20 * math.log10(self.amplitude / math.sqrt(2) / self.rms)


def angles(frequency: float, count: int, at: Floats | None = None) -> Floats:
    """Return 2 pi f n for `count` samples, or for the places `at`, less whole turns."""
    cycles = np.arange(count, dtype=np.float64) if at is None else at.copy()
    cycles *= frequency
    cycles -= np.floor(cycles)
    cycles *= 2 * math.pi
    return cycles


def _solve(design: Floats, values: Floats) -> Floats:
    """Return least-squares coefficients through an orthogonal decomposition of the design."""
    orthogonal, triangular = np.linalg.qr(design)
    found: Floats = np.linalg.solve(triangular, orthogonal.T @ values)
    return found


def three(values: npt.ArrayLike, frequency: float, at: Floats | None = None) -> SineFit:
    """Fit cosine, sine and offset at a known frequency.

    Parameters
    ----------
    values : array_like, shape (n,)
        The record, n at least 4.
    frequency : float
        In cycles a sample, above 0 and below 1/2 or folded there.
    at : ndarray, shape (n,), optional
        The places of the samples, if some are missing; else 0 to n - 1.
    """
    record = np.asarray(values, dtype=np.float64)
    turns = angles(frequency, len(record), at)
    design = np.empty((len(record), 3))
    np.cos(turns, out=design[:, 0])
    np.sin(turns, out=design[:, 1])
    design[:, 2] = 1.0
    found = _solve(design, record)
    left = record - design @ found
    cosine, sine, offset = map(float, found)
    return SineFit(frequency, cosine, sine, offset, math.sqrt(float(left @ left) / len(record)))


def four(values: npt.ArrayLike, frequency: float, at: Floats | None = None) -> SineFit:
    """Fit the frequency as well, from a first guess, by Gauss and Newton.

    Parameters
    ----------
    values, at
        As for `three`.
    frequency : float
        The guess, right to about half a cycle over the record.
    """
    record = np.asarray(values, dtype=np.float64)
    count = len(record)
    places = np.arange(count, dtype=np.float64) if at is None else at
    middle, span = (float(places[0]) + float(places[-1])) / 2, float(places[-1] - places[0])
    away = (places - middle) / span  # keeps the four columns about as large
    fit = three(record, frequency, at)
    design = np.empty((count, 4))
    for _ in range(_MOST_STEPS):
        turns = angles(fit.frequency, count, at)
        np.cos(turns, out=design[:, 0])
        np.sin(turns, out=design[:, 1])
        design[:, 2] = 1.0
        design[:, 3] = fit.sine * design[:, 0] - fit.cosine * design[:, 1]
        design[:, 3] *= away
        step = float(_solve(design, record)[3]) / span / (2 * math.pi)
        fit = three(record, fit.frequency + step, at)
        if abs(step) * span < 1e-10:
            break
    return fit


def peak(values: npt.ArrayLike) -> float:
    """Return a guess of the frequency of the largest tone, in cycles a sample.

    The largest bin of a Hann-windowed transform, moved by the ratio of its neighbours.
    """
    record = np.asarray(values, dtype=np.float64)
    count = len(record)
    window = 0.5 - 0.5 * np.cos(2 * math.pi / count * np.arange(count))
    size = np.abs(np.fft.rfft((record - record.mean()) * window))
    size[0] = 0.0
    top = int(size.argmax())
    if not 0 < top < len(size) - 1 or size[top] == 0:
        return top / count
    left, here, right = (float(one) for one in size[top - 1 : top + 2])
    side, sign = (right, 1) if right > left else (left, -1)
    return (top + sign * (2 * side - here) / (side + here)) / count
