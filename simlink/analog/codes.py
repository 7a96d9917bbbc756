"""The converter's codes: noise, nonlinearity, quantisation, clipping.

Values are in LSB from the middle of the range. An ideal converter of N bits gives code
floor(x) + 2^(N-1) from 0 to 2^N - 1: each code is one LSB wide, and a full-scale sine just fills
the range. `centres` gives the middle of a code's own step back.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]
Codes = npt.NDArray[np.int64]


def in_lsb(values: Floats, bits: int) -> Floats:
    """Return values given as shares of half the full-scale range in LSB of a converter."""
    return values * 2.0 ** (bits - 1)


def bent(values: Floats, bits: int, polynomial: tuple[float, ...]) -> Floats:
    """Return what an integral nonlinearity makes of values in LSB from the middle.

    INL in LSB is a polynomial c0 + c1 u + c2 u^2 + ... of u, the value as a share of half the range
    from -1 to 1.
    """
    if not any(polynomial):
        return values
    u = values / 2.0 ** (bits - 1)
    bend = np.zeros_like(u)
    for coefficient in reversed(polynomial):
        bend *= u
        bend += coefficient
    bend += values
    return bend


def interpolated(values: Floats, bits: int, table: npt.ArrayLike) -> Floats:
    """Return what a table of INL in LSB, evenly spaced from the lowest code to the highest, does.

    Between its points it is a straight line; beyond its ends it stays as it is there.
    """
    table = np.asarray(table, dtype=np.float64)
    half = 2.0 ** (bits - 1)
    places = np.linspace(-half, half, len(table))
    found: Floats = values + np.interp(values, places, table)
    return found


def quantised(values: Floats, bits: int) -> tuple[Codes, int]:
    """Return the codes, int64 from 0 to 2^bits - 1, of values in LSB from the middle.

    And how many of them lay outside the range, and took its first or last code. From 1 to 62 bits.
    """
    half = 1 << (bits - 1)
    codes = np.floor(values)
    beyond = int(np.count_nonzero((values < -half) | (values > half)))
    np.clip(codes, -half, half - 1, out=codes)
    found = codes.astype(np.int64)
    found += half
    return found, beyond


def centres(codes: Codes, bits: int) -> Floats:
    """Return the value in LSB from the middle that codes stand for."""
    found: Floats = codes.astype(np.float64)
    found -= 2.0 ** (bits - 1) - 0.5
    return found
