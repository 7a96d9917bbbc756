"""Scenarios whose draws are pushed to the ends of their laws.

Each law becomes a recording of its two ends (a constant, where it is drawn once a board), so that
a run of it is one that the scenario itself might give.
"""

from __future__ import annotations

import copy
from typing import Any

import numpy as np

from simlink.proofs.ends import LIKELY
from simlink.scenario.distributions import reach

#: Laws drawn for each conversion or edge.
EACH = (
    "trigger.jitter", "trigger.gap", "barrier.forward.jitter", "converter.conversion_time",
    "remote_clock.start_delay", "barrier.return.jitter", "fifo.sync_delay", "host.service_latency",
    "converter.aperture_jitter",
)  # fmt: skip
#: Laws drawn once a board.
ONCE = (
    "trigger.tolerance", "remote_clock.tolerance", "converter.acquisition_time",
    "barrier.forward.delay", "barrier.return.delay", "barrier.forward.part_to_part_skew",
    "barrier.return.part_to_part_skew",
)  # fmt: skip
#: Rows of a recording.
ROWS = 64


def law_at(scenario: Any, key: str) -> Any:
    """Return the law of a key, None where the scenario has none."""
    section, _, name = key.rpartition(".")
    if section.startswith("barrier."):
        return getattr(scenario.barrier.direction(section.split(".")[1]), name)
    return getattr(getattr(scenario, section), name)


def text_of(key: str, value: int) -> str:
    """Write a value in base units."""
    return f"{value / 10**6:.6f} ppm" if key.endswith("tolerance") else f"{value} fs"


def ends_of(scenario: Any, key: str) -> tuple[int, int] | None:
    """Return the ends of a law that has some, a normal one's at 1e-12."""
    law = law_at(scenario, key)
    if law is None or law.is_constant:
        return None
    low, high = reach(law, LIKELY.sigmas)
    if not np.isfinite([low, high]).all():
        return None
    return int(np.ceil(low)), int(np.floor(high))


def replaced(scenario: Any, rows: dict[str, list[int]], folder: Any, name: str, **more: Any) -> Any:
    """Return a scenario of one trial with some draws: a list of one value is a constant."""
    values: dict[str, Any] = dict(more)
    for key, drawn in rows.items():
        if len(drawn) == 1:
            values[key] = text_of(key, drawn[0])
            continue
        column = key.replace(".", "_")
        path = folder / f"{name}_{column}.csv"
        path.write_text("\n".join([column, *map(str, drawn)]) + "\n")
        values[key] = {
            "shape": "recorded", "file": str(path), "column": column, "unit": "fs", "start": 0,
        }  # fmt: skip
    return scenario.with_values(copy.deepcopy(values))


def at_random(scenario: Any, rng: Any) -> dict[str, list[int]]:
    """Return draws at the ends of every law: all low, all high, long runs, or coins of any bias."""
    rows = {}
    for key in (*EACH, *ONCE):
        ends = ends_of(scenario, key)
        if ends is None:
            continue
        if key in ONCE:
            rows[key] = [ends[rng.integers(2)]]
            continue
        kind = rng.integers(4)
        if kind == 0:
            rows[key] = [ends[rng.integers(2)]]
        elif kind == 1:
            # One stretch apart from the rest.
            at, other = sorted(rng.integers(0, ROWS, 2)), int(rng.integers(2))
            rows[key] = [ends[other if at[0] <= row <= at[1] else 1 - other] for row in range(ROWS)]
        else:
            coins = rng.random(ROWS) < rng.choice([0.1, 0.5, 0.9])
            rows[key] = [ends[int(coin)] for coin in coins]
    return rows


def mutated(scenario: Any, rows: dict[str, list[int]], rng: Any) -> dict[str, list[int]]:
    """Return the same draws with a few of them at the other end."""
    found = {key: list(drawn) for key, drawn in rows.items()}
    if not found:
        return found
    for key in rng.choice(sorted(found), size=min(2, len(found)), replace=False):
        ends = ends_of(scenario, key)
        assert ends is not None
        drawn = found[key]
        for at in rng.integers(0, len(drawn), max(1, len(drawn) // 16)):
            drawn[at] = ends[0] if drawn[at] == ends[1] else ends[1]
    return found
