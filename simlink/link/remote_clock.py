"""The remote clock master: serial clock mode 0 at its own frequency.

The clock idles low (CPOL = 0) and the first edge of each bit is its rising one (CPHA = 0). The
falling edge of bit i launches bit i + 1. A bit is captured at its own rising edge (``half``) or
its own falling edge (``whole``). Whether a captured bit is right is the converter's rule.
"""

from __future__ import annotations

from simlink.base.instants import Times


def starts_at(ready: int, start_delay: int) -> int:
    """Return when the master starts to clock a frame out if it has a credit, in fs."""
    return ready + start_delay


def held_back_until(start: int, credit: int) -> int:
    """Return when a master that waited for a credit starts, in fs."""
    return max(start, credit)


def capture_offsets(rising: Times, falling: Times, capture: str) -> Times:
    """Return when each bit is captured, counted from the start of the clock, in fs."""
    return rising if capture == "half" else falling
