"""The remote clock master: serial clock mode 0, and whether the data it captures is valid.

The clock idles low (CPOL = 0) and the first edge of each bit is its rising one (CPHA = 0).
Bit 0 is on the line ``msb_valid`` after busy falls; the falling edge of bit i launches bit
i + 1, valid ``data_valid`` later, the old bit held for ``data_hold``. A bit is captured at its
own rising edge (``half``) or its own falling edge (``whole``).
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from simlink.base.instants import Times

Flags = npt.NDArray[np.bool_]


def starts_at(ready: Any, start_delay: Any) -> Any:
    """Return when the master starts to clock a frame out if it has a credit, in fs."""
    return ready + start_delay


def capture_offsets(rising: Times, falling: Times, capture: str) -> Times:
    """Return when each bit is captured, counted from the start of the clock, in fs."""
    return rising if capture == "half" else falling


def past_hold(rising: Times, falling: Times, capture: str, data_hold: Times, hold: Times) -> Flags:
    """Tell which bits of every frame of a unit are captured past their hold.

    Parameters
    ----------
    rising, falling : ndarray of int64, shape (..., N), fs
        Clock edges counted from the start.
    capture : {"half", "whole"}
        The capture edge.
    data_hold, hold : ndarray of int64, shape (...), fs
        The unit's own values.

    Returns
    -------
    ndarray of bool, shape (..., N)
    """
    captured = capture_offsets(rising, falling, capture)
    late: Flags = falling + data_hold[..., np.newaxis] < captured + hold[..., np.newaxis]
    return late


def wrong_later_bits(
    rising: Times,
    falling: Times,
    capture: str,
    data_valid: Times,
    data_hold: Times,
    setup: Times,
    hold: Times,
) -> Flags:
    """Tell which bits of every frame of a unit are captured too early or past their hold.

    Parameters
    ----------
    rising, falling : ndarray of int64, shape (..., N), fs
        Clock edges counted from the start.
    capture : {"half", "whole"}
        The capture edge.
    data_valid, data_hold, setup, hold : ndarray of int64, shape (...), fs
        The unit's own values.

    Returns
    -------
    ndarray of bool, shape (..., N)
        Bit 0 is judged here for its hold alone; its setup depends on the frame
        (`wrong_first_bit`).
    """
    captured = capture_offsets(rising, falling, capture)
    wrong = past_hold(rising, falling, capture, data_hold, hold)
    settled = falling[..., :-1] + (data_valid + setup)[..., np.newaxis]
    wrong[..., 1:] |= captured[..., 1:] < settled
    return wrong


def wrong_first_bit(start: Any, captured: Any, ready: Any, msb_valid: Any, setup: Any) -> Any:
    """Tell whether bit 0 is captured before it is valid and set up.

    Parameters
    ----------
    start : int or ndarray of int64, fs
        When the clock of the frame starts.
    captured : int or ndarray of int64, fs
        The offset of bit 0's capture from the start.
    ready : int or ndarray of int64, fs
        When busy fell.
    msb_valid, setup : int or ndarray of int64, fs
        The unit's own values.
    """
    return start + captured < ready + msb_valid + setup
