"""Random scenarios of which some quantities stand at the ends of what a file may say."""

from __future__ import annotations

import re
from typing import Any

from hypothesis import strategies as st

from tests.engines.host_clocked_scenarios import raw_serial_scenarios
from tests.robustness.mutations import places
from tests.strategies import FINE, raw_scenarios

#: The least, the largest, and what lies between, of each kind of quantity by its unit.
ENDS = {
    "s": ["0 s", "1 fs", "1 ps", "1 ns", "1 us", "1 ms", "1 s", "1 min", "1 h", "2.5 h"],
    "Hz": ["0.001 Hz", "1 Hz", "1 kHz", "1 MHz", "1 GHz", "1 THz", "1000 THz"],
    "bit/s": ["1 bit/s", "1 kbit/s", "1 Gbit/s", "1000 Gbit/s"],
    "V/us": ["0 kV/us", "1 V/us", "1 kV/us", "1000 kV/us", "1e9 kV/us"],
}
COUNTS = [0, 1, 2, 3, 16, 64, 255, 256, 1000, 10**4, 10**6, 10**9]
SHARES = [0.0, 1e-300, 1e-12, 0.001, 0.5, 0.999999999999, 1.0]
_UNIT = re.compile(r"-?[0-9.e+-]+ (?:[fpnum]?s|min|h|[kMGT]?Hz|[kMG]?bit/s|k?V/[num]?s)")
_BASES = (("bit/s", "bit/s"), ("Hz", "Hz"), ("V/", "V/us"))


def other(value: Any) -> list[Any]:
    """Return the ends of whatever kind a value is of; none if it is of none."""
    if isinstance(value, bool):
        return [not value]
    if isinstance(value, int):
        return COUNTS
    if isinstance(value, float):
        return SHARES
    if not isinstance(value, str) or not _UNIT.fullmatch(value):
        return []
    return ENDS[next((base for part, base in _BASES if part in value), "s")]


@st.composite
def extreme(draw: Any) -> dict[str, Any]:
    """Draw what a file holds; it may be refused."""
    both = st.one_of(raw_serial_scenarios(conversions=20), raw_scenarios(FINE, conversions=20))
    raw = draw(both)
    raw.pop("seed", None)
    raw["trials"] = 2
    for _ in range(draw(st.integers(1, 5))):
        where = draw(st.sampled_from([at for at in places(raw) if other(_at(raw, at))]))
        if where in (("conversions",), ("trials",)):
            continue
        _at(raw, where[:-1])[where[-1]] = draw(st.sampled_from(other(_at(raw, where))))
    return raw


def _at(raw: Any, where: tuple[Any, ...]) -> Any:
    for step in where:
        raw = raw[step]
    return raw
