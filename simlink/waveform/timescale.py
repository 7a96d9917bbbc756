"""The timescale of a dump: 1, 10 or 100 of s, ms, us, ns, ps or fs."""

from __future__ import annotations

import re

from simlink.base.errors import InputError
from simlink.base.wording import nanoseconds

UNITS = {"s": 10**15, "ms": 10**12, "us": 10**9, "ns": 10**6, "ps": 10**3, "fs": 1}
"""dict of str to int: each unit of the standard, in fs."""

ALLOWED = "1, 10 or 100 of s, ms, us, ns, ps or fs, such as 100 ps"


def step_of(text: str, where: str, key: str | None = None) -> int:
    """Return the step that a timescale stands for.

    Parameters
    ----------
    text : str
        Such as ``"10 ps"``; the space may be left out.
    where, key : str
        What to name in a complaint.

    Returns
    -------
    int
        The step in fs.

    Raises
    ------
    InputError
        If the standard has no such timescale.
    """
    found = re.fullmatch(r"\s*(1|10|100)\s*(s|ms|us|ns|ps|fs)\s*", text)
    if found is None:
        raise InputError(where, key, f'"{" ".join(text.split())}"', ALLOWED)
    return int(found[1]) * UNITS[found[2]]


def written(step: int) -> str:
    """Return the timescale of a step in fs, one of those that `step_of` gives."""
    for unit, size in UNITS.items():
        if step >= size:
            return f"{step // size} {unit}"
    raise ValueError(step)


def shown(time: int) -> str:
    """Return an instant or a length in fs as a reader of waveforms writes it: exact, in ns."""
    return f"{nanoseconds(time)} ns"
