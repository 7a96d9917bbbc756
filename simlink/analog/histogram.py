"""Nonlinearity from the histogram of a sine's codes, after IEEE Std 1241 (from memory)."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from simlink.analog.codes import Codes

Floats = npt.NDArray[np.float64]

#: The fewest samples for each code, on average, of which nonlinearity is told.
FEWEST_A_CODE = 64


def enough(count: int, bits: int) -> bool:
    """Tell whether so many samples suffice for a converter of so many bits."""
    return count >= FEWEST_A_CODE << bits


def nonlinearity(codes: Codes, bits: int) -> tuple[Floats, Floats]:
    """Return integral and differential nonlinearity, in LSB, of a converter that a sine overdrives.

    Of each transition between codes, against a straight line through the first and the last, shape
    (2^bits - 1,); and of each code but the first and the last, shape (2^bits - 2,).

    Raises
    ------
    ValueError
        If the sine does not reach the first and the last code.
    """
    counts = np.bincount(codes, minlength=1 << bits)
    if counts[0] == 0 or counts[-1] == 0:
        raise ValueError("the sine does not reach the first and the last code")
    # T[k] = -cos(pi Hc[k] / S): the share of a sine's time below a level, turned round.
    transitions = -np.cos(np.pi * np.cumsum(counts)[:-1] / len(codes))
    step = (transitions[-1] - transitions[0]) / (len(transitions) - 1)
    places = (transitions - transitions[0]) / step
    inl = places - np.arange(len(places))
    return inl, np.diff(places) - 1.0
