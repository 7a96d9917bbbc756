"""The shipped scenarios, and the bench supply's with a few keys changed."""

from __future__ import annotations

import tomllib
from pathlib import Path

from tests.engines.chain import put

SHIPPED = sorted((Path(__file__).parents[2] / "scenarios").glob("*.toml"))
BENCH = next(path for path in SHIPPED if path.name == "bench-supply.toml")


def bench(values=None):
    """Return the tables of the bench supply's scenario, two trials of twenty conversions."""
    raw = tomllib.loads(BENCH.read_text(encoding="utf-8"))
    return put(raw, {"trials": 2, "conversions": 20} | (values or {}))
