"""Looks for draws at which a limit breaks, and makes them few and near to typical.

Draws are at the ends of their laws at first, gaps between triggers also as short as the converter
keeps up with; the fullest FIFO, the latest release, or the margin of a capture leads the search.
What breaks the limit is then made small: fewer conversions, and
each draw moved towards the median of its law as long as the limit stays broken.
"""

from __future__ import annotations

import math
import tempfile
from bisect import insort
from collections.abc import Callable
from fractions import Fraction
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from simlink.base.draws import streams
from simlink.base.errors import InputError
from simlink.base.instants import FS_PER_SECOND
from simlink.base.made import COMMENT
from simlink.engines.batch import BatchEngine
from simlink.figures.cycle import REST, cycles, total, trigger_jitter
from simlink.figures.reader import SAMPLED
from simlink.scenario.composite import TwoState
from simlink.scenario.distributions import exponential_time
from simlink.scenario.law import Distribution
from simlink.scenario.quantities import PARTS
from simlink.scenario.recorded import Recorded
from simlink.scenario.schema import Scenario
from simlink.studies.counterexample_limits import CAPTURES, broken, row_over
from simlink.verdict.limit import Known
from simlink.verdict.what_if import value_at

#: Laws drawn for each conversion or bit, and those drawn once a board.
_EACH = (
    "trigger.jitter",
    "trigger.gap",
    "barrier.forward.jitter",
    "converter.conversion_time",
    "remote_clock.start_delay",
    "barrier.return.jitter",
    "fifo.sync_delay",
    "host.service_latency",
)
_ONCE = (
    "trigger.tolerance",
    "remote_clock.tolerance",
    "converter.acquisition_time",
    "barrier.forward.delay",
    "barrier.forward.part_to_part_skew",
    "barrier.return.delay",
    "barrier.return.part_to_part_skew",
)
#: What the captures of a bit rest on: all but the jitter of an edge, start delay and latency is
#: drawn once a board.
_CAPTURED = (
    "barrier.forward.jitter",
    "barrier.return.jitter",
    "remote_clock.start_delay",
    "remote_clock.tolerance",
    *(f"{side}.{name}" for side in ("remote_clock", "host") for name in ("setup", "hold")),
    *(f"converter.{name}" for name in ("msb_valid", "data_valid", "data_hold")),
    *(
        f"barrier.{way}.{name}"
        for way in ("forward", "return")
        for name in ("delay", "part_to_part_skew", "pulse_width_distortion", "min_pulse")
    ),
    "fifo.sync_delay",
    "host.service_latency",
)
_TRIES, _CLIMBS, _SMALLER = 150, 250, 1500
#: Of a limit that a margin leads to.
_TRIES_LED = 20
#: Conversions of an example at the most.
_MOST = 256
#: The same of a limit of the serial clock, which each frame may break.
_MOST_CAPTURED = 4
#: Draws of a law that an example chooses from, beside its ends.
_KEPT = 65

Rows = dict[str, list[int]]
#: How to make a scenario, and the recordings that it needs to be there.
Made = tuple[Callable[[], "Scenario"], dict[str, bytes]]


class _Law(NamedTuple):
    """What an example may draw: values in order, or a sequence of which it takes a stretch."""

    values: list[int]
    sequence: list[int]
    #: A value between the ends that is tried like them, if there is one.
    between: int | None = None

    @property
    def ends(self) -> list[int]:
        """The values that are tried first."""
        ends = [self.values[0], self.values[-1]]
        return ends if self.between is None else [*ends, self.between]


def _laws(scenario: Scenario, limit: str) -> dict[str, Distribution]:
    """Return the laws that an example replaces, by their keys."""
    found: dict[str, Distribution] = {}
    for key in _CAPTURED if limit in CAPTURES else (*_EACH, *_ONCE):
        law = value_at(scenario, key)
        if law is not None and not law.is_constant:
            found[key] = law
    if scenario.trigger.pattern == "poisson":
        assert scenario.trigger.rate is not None
        found.pop("trigger.tolerance", None)
        found["trigger.gap"] = exponential_time(float(FS_PER_SECOND / scenario.trigger.rate.value))
    return found


def _choices(scenario: Scenario, limit: str) -> dict[str, _Law]:
    found = {}
    for key, law in _laws(scenario, limit).items():
        drawn = law.sampler(streams(scenario.seed, 0, f"counterexample {key}")).take(SAMPLED)
        if isinstance(law, Recorded | TwoState):
            found[key] = _Law([], [int(one) for one in drawn])
            continue
        ordered = np.sort(drawn)
        picked = ordered[np.linspace(0, SAMPLED - 1, _KEPT).astype(np.int64)].tolist()
        low, high = law.support
        if math.isfinite(low):
            picked[0] = min(picked[0], math.ceil(low))
        if math.isfinite(high):
            picked[-1] = max(picked[-1], math.floor(high))
        values, between = [int(one) for one in picked], None
        if key == "trigger.gap":
            # A shorter one gives a trigger that is missed, so that no frame comes of it.
            shortest = _kept_up_with(scenario)
            if values[0] < shortest < values[-1]:
                between = shortest
                insort(values, between)
        found[key] = _Law(values, [], between)
    return found


def _kept_up_with(scenario: Scenario) -> int:
    """Return a gap between triggers, fs, by whose end the converter is free again.

    Of what nothing bounds the mean counts, of jitter nothing.
    """
    busy = [piece for piece in cycles(scenario)[0].pieces if piece.name != REST]
    times = [piece.mean if math.isinf(piece.largest) else piece.largest for piece in busy]
    apart = trigger_jitter(scenario)
    return math.ceil(total(times) + (0 if math.isinf(apart) else Fraction(apart)))


def _text(key: str, value: int) -> str:
    return f"{100 * value / PARTS:.12f} %" if key.endswith("tolerance") else f"{value} fs"


def made_with(scenario: Scenario, rows: Rows, conversions: int, folder: Path) -> Made:
    """Return how to make the scenario with these draws, and the recordings that it needs."""
    values: dict[str, Any] = {"trials": 1, "conversions": conversions}
    files: dict[str, bytes] = {}
    for key, drawn in rows.items():
        if len(set(drawn)) == 1:
            values[key] = _text(key, drawn[0])
            continue
        column = key.replace(".", "_")
        name = f"{column}.csv"
        files[name] = "\n".join([COMMENT, column, *map(str, drawn), ""]).encode()
        values[key] = {
            "shape": "recorded",
            "file": str(folder.resolve() / name),
            "column": column,
            "unit": "fs",
            "start": 0,
        }
    if scenario.trigger.pattern == "poisson":
        values |= {
            "trigger.pattern": "burst",
            "trigger.burst_length": 1,
            "trigger.tolerance": None,
        }
    return lambda: scenario.with_values(values), files


class Search:
    """The search of one example; all its draws are from a stream of its own."""

    def __init__(self, scenario: Scenario, limit: str) -> None:
        self.scenario, self.limit = scenario, limit
        self.laws = _choices(scenario, limit)
        self.rng = streams(scenario.seed, 0, "counterexample")("")
        self.runs = 0
        #: Whether some draws made no scenario.
        self.refused = False
        self.longest = min(max(scenario.conversions, 1), _MOST)
        if limit in CAPTURES:
            self.longest = min(self.longest, _MOST_CAPTURED)

    def find(self, *, small: bool = True) -> tuple[Rows, int] | None:
        """Return the draws of an example and its conversions, None if none was found."""
        with tempfile.TemporaryDirectory() as folder:
            self.folder = Path(folder)
            found = self._any()
            if found is None or not small:
                return found
            rows, conversions = self._shorter(*found)
            return self._nearer(self._cut(rows, 0, conversions), conversions), conversions

    def _any(self) -> tuple[Rows, int] | None:
        best: tuple[float, Rows] | None = None
        tries = _TRIES_LED if self.limit in CAPTURES else _TRIES
        for attempt in range(tries + _CLIMBS):
            climbs = best is not None and attempt >= tries
            rows = self._moved(best[1]) if climbs and best else self._drawn()
            breaks, height = self._run(rows, self.longest)
            if breaks is not None:
                return rows, self._end(rows, breaks)
            if best is None or height >= best[0]:
                best = height, rows
            if not self.laws:
                break
        return None

    def _end(self, rows: Rows, breaks: int) -> int:
        """Return how many conversions show that one breaks the limit.

        It may take a later one to push a frame out, or to come before one has been read.
        """
        for conversions in range(breaks + 1, self.longest):
            if self._run(rows, conversions)[0] is not None:
                return conversions
        return self.longest

    def _drawn(self) -> Rows:
        """Return draws at the ends: all of them, one stretch, or coins of any bias."""
        rows: Rows = {}
        for key, law in self.laws.items():
            count = self.longest * self._each(key) or 1
            if law.sequence:
                at = int(self.rng.integers(0, SAMPLED - count + 1))
                rows[key] = law.sequence[at : at + count]
                continue
            kind, which = int(self.rng.integers(3)), int(self.rng.integers(2))
            ends = law.ends
            if law.between is not None:
                ends.pop(int(self.rng.integers(len(ends))))
            if not self._each(key) or kind == 0:
                rows[key] = [ends[which]] * count
            elif kind == 1:
                at, end = sorted(int(one) for one in self.rng.integers(0, count, 2))
                rows[key] = [ends[which ^ (at <= row <= end)] for row in range(count)]
            else:
                share = (0.1, 0.5, 0.9)[int(self.rng.integers(3))]
                rows[key] = [ends[int(coin)] for coin in self.rng.random(count) < share]
        return rows

    def _moved(self, rows: Rows) -> Rows:
        """Return draws of which a few are at another end."""
        found = {key: list(drawn) for key, drawn in rows.items()}
        keys = list(found)
        key = keys[int(self.rng.integers(len(keys)))]
        law, drawn = self.laws[key], found[key]
        if law.sequence:
            at = int(self.rng.integers(0, SAMPLED - len(drawn) + 1))
            found[key] = law.sequence[at : at + len(drawn)]
        else:
            for at in self.rng.integers(0, len(drawn), max(1, len(drawn) // 16)):
                drawn[int(at)] = law.ends[int(self.rng.integers(len(law.ends)))]
        return found

    def _each(self, key: str) -> int:
        """Return how many draws a conversion takes of a law; 0 if it is drawn once a board."""
        if key not in _EACH:
            return 0
        return self.scenario.bits_per_lane if key == "barrier.return.jitter" else 1

    def _cut(self, rows: Rows, first: int, end: int) -> Rows:
        """Return the draws of some conversions."""
        each = {key: self._each(key) for key in rows}
        return {
            key: drawn[first * each[key] : end * each[key]] if each[key] else drawn
            for key, drawn in rows.items()
        }

    def _shorter(self, rows: Rows, conversions: int) -> tuple[Rows, int]:
        """Leave conversions out at the start, as many as may be."""
        step = conversions // 2
        while step:
            later = self._cut(rows, step, self.longest)
            breaks, _ = self._run(later, conversions - step) if conversions > step else (None, 0)
            if breaks is not None:
                rows, conversions = later, self._end(later, breaks)
                step = min(step, conversions // 2)
            else:
                step //= 2
        return rows, conversions

    def _nearer(self, rows: Rows, conversions: int) -> Rows:
        """Move draws towards the median, all of a law at once, then one by one."""
        left = _SMALLER
        places: list[tuple[str, int | None]] = [(key, None) for key in rows]
        places += [(key, at) for key, drawn in rows.items() if len(drawn) > 1
                   for at in range(len(drawn))]  # fmt: skip
        for key, at in places:
            law = self.laws[key]
            if law.sequence:
                continue
            now = rows[key][0 if at is None else at]
            far = int(np.searchsorted(law.values, now))
            # The nearest value that still breaks it, by halving.
            good, bad = far, len(law.values) // 2
            typical = tried = bad
            while good != tried and left:
                left -= 1
                moved = dict(rows)
                value = law.values[tried]
                if at is None:
                    moved[key] = [value] * len(rows[key])
                else:
                    moved[key] = [*rows[key][:at], value, *rows[key][at + 1 :]]
                breaks, _ = self._run(moved, conversions)
                if breaks is not None:
                    good, rows = tried, moved
                    if good == typical:
                        break
                else:
                    bad = tried
                if abs(bad - good) <= 1:
                    break
                tried = (good + bad) // 2
        return rows

    def _run(self, rows: Rows, conversions: int) -> tuple[int | None, float]:
        """Return the first conversion that breaks the limit, None if none does, and how near."""
        # A file that is written anew within one tick of the clock would look as it was.
        self.runs += 1
        place = self.folder / str(self.runs)
        place.mkdir()
        make, files = made_with(self.scenario, rows, conversions, place)
        for name, content in files.items():
            (place / name).write_bytes(content)
        try:
            example = make()
        except InputError:
            self.refused = True
            return None, -math.inf
        (block,) = BatchEngine().run(example, range(1), words=False)
        at = np.flatnonzero(broken(example, self.limit, block)[0])
        first = int(at[0]) if at.size else None
        if self.limit in CAPTURES:
            # How near it is says the margin, and what took a bit the row that is broken.
            row = row_over(example, self.limit)
            if row is None:
                return None, -math.inf
            nearer = -math.inf if row.margin is None else -float(row.margin)
            return (first if row.known is Known.VIOLATED else None), nearer
        taken = block.occupancy_at_arrival[0].max(initial=0)
        came = block.release[0] >= 0
        latest = (block.release[0] - block.trigger[0])[came].max(initial=0) / FS_PER_SECOND
        return first, float(taken) + min(latest, 0.9)
