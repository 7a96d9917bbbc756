"""The converter: aperture, busy, missed triggers, and when its sample has settled."""

from __future__ import annotations

from typing import Any


def samples_at(arrival: Any, aperture_jitter: Any) -> Any:
    """Return the sampling instant (aperture) of triggers that arrive and are taken, in fs."""
    return arrival + aperture_jitter


def ready_at(arrival: Any, conversion_time: Any) -> Any:
    """Return when busy falls at the converter, in fs, on ints or arrays."""
    return arrival + conversion_time


def accepts(arrival: Any, readout_end: Any) -> Any:
    """Tell whether a trigger is taken: from the last remote clock edge's fall on, inclusive.

    An earlier one finds the converter converting or being read, and is missed.
    """
    return arrival >= readout_end


def short_acquisition(arrival: Any, ready_before: Any, acquisition_time: Any) -> Any:
    """Tell whether a trigger that is taken came before the sample had settled.

    Acquisition runs from the fall of busy of the conversion before, ``ready_before``.
    """
    return arrival < ready_before + acquisition_time
