"""A barrier channel: it delays every symbol, and never lets one overtake another.

What a channel owes to its unit (delay, part-to-part spread, skew against the other channels,
pulse-width distortion) is drawn once for each trial; jitter is drawn for each edge. The delay
is that of a rising edge; a falling edge takes the pulse-width distortion on top. No symbol
arrives before it was sent: jitter that would make it so is cut off there.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from simlink.base.instants import Times


def crossing(static: npt.ArrayLike, jitter: npt.ArrayLike) -> Times:
    """Return how long symbols take to cross.

    Parameters
    ----------
    static : int64 array_like, fs
        Delay, spread and skew of the channel in its unit.
    jitter : int64 array_like, fs
        The jitter of each symbol's edge.

    Returns
    -------
    ndarray of int64, fs
        Never negative.
    """
    return np.maximum(np.add(static, jitter), 0)


def in_order(arrivals: Times, ahead: npt.ArrayLike) -> Times:
    """Keep the symbols of one channel in order.

    Parameters
    ----------
    arrivals : ndarray of int64, shape (..., n), fs
        When each of n successive symbols would arrive if it were alone.
    ahead : int64 array_like, shape (...), fs
        When the symbol ahead of them arrived.

    Returns
    -------
    ndarray of int64, shape (..., n), fs
        Each at least as late as the one before it.
    """
    ordered: Times = np.maximum.accumulate(arrivals, axis=-1)
    kept: Times = np.maximum(ordered, np.asarray(ahead)[..., np.newaxis])
    return kept


def falling_edge(rising_delay: npt.ArrayLike, distortion: npt.ArrayLike) -> Times:
    """Return the delay of a falling edge: that of a rising one plus the distortion, in fs."""
    return np.maximum(np.add(rising_delay, distortion), 0)
