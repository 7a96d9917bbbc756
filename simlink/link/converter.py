"""The converter: aperture, busy, missed triggers, its output register, and when a sample settles.

Bit 0 comes with the fall of busy. Launching edge i takes bit i away and brings bit i + 1: the
former one is held for ``data_hold`` after it, the new one is valid ``data_valid`` after it.
"""

from __future__ import annotations


def samples_at(arrival: int, aperture_jitter: int) -> int:
    """Return the sampling instant (aperture) of a trigger that arrives and is taken, in fs."""
    return arrival + aperture_jitter


def ready_at(arrival: int, conversion_time: int) -> int:
    """Return when busy falls at the converter, in fs."""
    return arrival + conversion_time


def accepts(arrival: int, occupied_until: int) -> bool:
    """Tell whether a trigger is taken: from the end of conversion and readout on, inclusive.

    An earlier one finds the converter converting or being read, and is missed.
    """
    return arrival >= occupied_until


def short_acquisition(arrival: int, ready_before: int, acquisition_time: int) -> bool:
    """Tell whether a trigger that is taken came before the sample had settled.

    Acquisition runs from the fall of busy of the conversion before, ``ready_before``.
    """
    return arrival < ready_before + acquisition_time


def shows_rise(rises: int, ready: int) -> bool:
    """Tell whether busy rises at all: not if the conversion is over before it would."""
    return rises < ready


def captured_early(captured: int, launched: int, valid_after: int, setup: int) -> bool:
    """Tell whether a bit is captured before it is valid and set up.

    Parameters
    ----------
    captured : int, fs
        When it is captured.
    launched : int, fs
        The edge that launched it; for bit 0 the fall of busy.
    valid_after, setup : int, fs
        ``data_valid`` (``msb_valid`` for bit 0) and the capturing side's setup time.
    """
    return captured < launched + valid_after + setup


def captured_past_hold(captured: int, taken_away: int, data_hold: int, hold: int) -> bool:
    """Tell whether a bit is captured too late.

    Parameters
    ----------
    captured : int, fs
        When it is captured.
    taken_away : int, fs
        The launching edge that brings the bit after it.
    data_hold, hold : int, fs
        How long the converter keeps the bit after that edge, how long the capturing side needs it.
    """
    return taken_away + data_hold < captured + hold
