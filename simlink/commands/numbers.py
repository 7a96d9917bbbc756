"""Numbers given as options, each complaint in one line."""

from __future__ import annotations

import re
from typing import overload

from simlink.base.errors import InputError


@overload
def whole(option: str, text: str, low: int, high: int) -> int: ...
@overload
def whole(option: str, text: str | None, low: int, high: int) -> int | None: ...
def whole(option: str, text: str | None, low: int, high: int) -> int | None:
    """Read a whole number, which may be written as ``1e9``; None stays None."""
    if text is None:
        return None
    match = re.fullmatch(r"([0-9]{1,20})(?:[eE]\+?([0-9]{1,2}))?", text)
    value = -1 if match is None else int(match[1]) * 10 ** int(match[2] or 0)
    if not low <= value <= high:
        raise InputError(option, None, f'"{text}"', f"a whole number from {low} to {high}")
    return value


def share(option: str, text: str | None, most: float | None = None) -> float:
    """Read a share above 0 and below 1, or a ratio of at most `most`."""
    number = r"(?:[0-9]{1,40}\.?[0-9]{0,40}|\.[0-9]{1,40})(?:[eE][+-]?[0-9]{1,3})?"
    value = float(text) if text is not None and re.fullmatch(number, text) else 0.0
    if not 1e-300 <= value < 1 if most is None else not 1e-300 <= value <= most:
        allowed = "a share above 0 and below 1, such as 1e-6"
        if 0 < value < 1:
            allowed = "a share of at least 1e-300"
        if most is not None:
            allowed = f"a ratio above 0 and at most {most:g}"
        raise InputError(option, None, f'"{text}"', allowed)
    return value
