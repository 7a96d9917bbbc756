"""Random scenarios as they are, only slower: every time longer and every rate lower alike."""

from __future__ import annotations

import re
from fractions import Fraction
from typing import Any

from hypothesis import strategies as st

from simlink.base.errors import InputError
from simlink.scenario.loading import from_dict
from tests.engines.host_clocked_scenarios import raw_serial_scenarios
from tests.strategies import FINE, GRIDS, raw_scenarios

_QUANTITY = re.compile(r"(-?[0-9.]+) (fs|Hz|MHz|bit/s|Mbit/s)")
_SLOWER = {"fs": 0, "Hz": 1, "MHz": 10**6, "bit/s": 1, "Mbit/s": 10**6}


def slower(value: Any, power: int) -> Any:
    """Return what a file holds with its times 10^power as long; recordings by whole thousands."""
    if isinstance(value, dict):
        found = {key: slower(one, power) for key, one in value.items()}
        if value.get("shape") == "recorded":
            found["unit"] = {"ns": ["ns", "us", "ms", "s"][power // 3]}[value["unit"]]
        return found
    if isinstance(value, list):
        return [slower(one, power) for one in value]
    match = _QUANTITY.fullmatch(value) if isinstance(value, str) else None
    if match is None:
        return value
    number, unit = Fraction(match[1]), match[2]
    if unit == "fs":
        return f"{number * 10**power} fs"
    base = number * _SLOWER[unit] / 10**power
    return f"{float(base):.15f} {'Hz' if 'Hz' in unit else 'bit/s'}"


def loaded(raw: dict[str, Any]) -> Any:
    """Return the scenario, or None where it is refused."""
    try:
        return from_dict(raw)
    except InputError:
        return None


@st.composite
def far_scenarios(draw: Any) -> Any:
    """Draw a scenario whose delays are minutes and hours; None where it is refused."""
    if draw(st.booleans()):
        raw = draw(raw_serial_scenarios(conversions=6))
    else:
        raw = draw(raw_scenarios(draw(st.sampled_from([FINE, *GRIDS])), conversions=6))
    raw.pop("seed", None)
    return loaded(slower(raw, draw(st.sampled_from([6, 7, 8, 8, 9]))))
