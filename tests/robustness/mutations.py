"""What an attack changes in a file: values, units, shapes, nesting, characters, length."""

from __future__ import annotations

import copy
from typing import Any

from hypothesis import strategies as st

#: Values that fit nowhere, or only just.
ODD = [
    0, -1, 1, 2**63, 10**40, 1e308, float("nan"), float("inf"), True, "", "\x1b[2J", "\u202e",
    "x" * 300, [], {}, [[]], "0 s", "-1 ns", "1 fs", "2.5 h", "1 h", "9e999 s", "1e-999 Hz", "1 Hz",
    "0.01 Hz", "1 THz", "1e-9 Hz", "\u0661 ns", "5 \u00b5s", "1 ppm", "10 %", "-10 %", "1 bit/s",
    "1000 Gbit/s", "60 kV/us", "1 V", "half", "packets", "stall", "edge", "after_read", "burst",
    "poisson", "forwarded_clock", "returned_clock", 64, 256, 10**6,
    {"shape": "uniform", "low": "0 ns", "high": "1 h"},
    {"shape": "uniform", "low": "-1 h", "high": "1 h"},
    {"shape": "normal", "mean": "0 s", "sigma": "1 h"},
    {"shape": "exponential", "mean": "10 min"},
    {"shape": "lognormal", "mean": "1 us", "sigma": "1 s"},
    {"shape": "gamma", "mean": "1 us", "sigma": "1 us", "offset": "8900000000000000000 fs"},
    {"shape": "gamma", "mean": "1 fs", "sigma": "1 h"},
    {"shape": "two_state", "normal": "1 us", "stalled": "1 h", "spacing": 10**10},
    {"shape": "mixture", "parts": [{"weight": 1e-100, "of": "1 h"}, {"weight": 1, "of": "1 us"}]},
    {"shape": "limits", "typical": "1 us", "high": "2 us"},
    {"shape": "constant"},
]  # fmt: skip


def places(raw: Any, path: tuple[Any, ...] = ()) -> list[tuple[Any, ...]]:
    """Return where anything stands in what a file holds."""
    inside = raw.items() if isinstance(raw, dict) else enumerate(raw)
    found = []
    for key, value in inside:
        found.append((*path, key))
        if isinstance(value, dict | list):
            found += places(value, (*path, key))
    return found


@st.composite
def mutated(draw: Any, raw: Any) -> Any:
    """Change one to four things in what a file holds."""
    raw = copy.deepcopy(raw)
    for _ in range(draw(st.integers(1, 4))):
        where = draw(st.sampled_from(places(raw)))
        table = raw
        for step in where[:-1]:
            table = table[step]
        how = draw(st.sampled_from(["odd", "odd", "odd", "other", "gone", "name"]))
        if how == "odd":
            table[where[-1]] = copy.deepcopy(draw(st.sampled_from(ODD)))
        elif how == "other":
            other = draw(st.sampled_from(places(raw)))
            value = raw
            for step in other:
                value = value[step]
            table[where[-1]] = copy.deepcopy(value)
        elif isinstance(table, dict):
            value = table.pop(where[-1])
            if how == "name":
                table[draw(st.sampled_from(["depth", "delay", "x\x1b", "\u00e4", "rate"]))] = value
        if not places(raw):
            break
    return raw


@st.composite
def spoiled(draw: Any, data: bytes) -> bytes:
    """Cut, double, flip or replace parts of a file."""
    for _ in range(draw(st.integers(1, 3))):
        start = draw(st.integers(0, len(data)))
        stop = min(len(data), start + draw(st.sampled_from([0, 1, 2, 5, 40, 10**6])))
        new = draw(
            st.sampled_from(
                [b"", b"\x00", b"\xff\xfe", b"\r", b"\r\n", b",", b'"', b";", b"nan", b"1e999",
                 b"-1", b"x", b"z", b"r1.5 !", b"#99999999999999999999\n",
                 b"$scope module a $end\n",
                 b"$end", b"$comment", b"\xef\xbb\xbf", b"\x1b[2J", b"b" + b"1" * 5000 + b" !\n",
                 "\u0663".encode(), data[start:stop] * 3]
            )
        )  # fmt: skip
        data = data[:start] + new + data[stop:]
    return data
