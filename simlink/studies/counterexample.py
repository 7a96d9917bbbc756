"""A counterexample: draws that break a limit, as few and as near to typical as could be found.

Each law is replaced by draws of its own, at its ends or in between, and the scenario is run with
them; the fullest FIFO, the latest release, or whatever the limit looks at, leads the search. What
breaks the limit is then made small: fewer conversions, and each draw moved towards the median of
its law as long as the limit stays broken.

A law whose draws follow one another (a recording, or two states) gives a stretch of itself, so
that every example is one that the scenario might give. Of a law without bounds the ends are those
of 65,536 draws.
"""

from __future__ import annotations

import math
import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.base.draws import streams
from simlink.base.errors import InputError
from simlink.base.instants import FS_PER_SECOND
from simlink.base.safe_write import write_set
from simlink.base.wording import many
from simlink.engines.batch import BatchEngine
from simlink.figures.reader import SAMPLED
from simlink.proofs.bounds import depth_bound, keeps_rate
from simlink.proofs.ends import Ends, UnboundedError, least
from simlink.proofs.release import latest_release, release_bound
from simlink.records import Fate
from simlink.running.run import run
from simlink.scenario.composite import TwoState
from simlink.scenario.distributions import exponential_time
from simlink.scenario.quantities import PARTS
from simlink.scenario.recorded import Recorded
from simlink.verdict import cycle
from simlink.verdict.limit import Known
from simlink.verdict.seen import Seen

if TYPE_CHECKING:
    from simlink.scenario.law import Distribution
    from simlink.scenario.schema import Scenario

#: Limits that may be asked for, and what a conversion that breaks them is called.
LIMITS = {
    "fifo": "a frame finds no free slot",
    "early-read": "a bit is read before it has arrived",
    "period": "a trigger comes while the converter is busy or is read",
    "acquisition": "a sample has not settled",
    "timeout": "a conversion is released after its timeout",
}
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
_TRIES, _CLIMBS, _SMALLER = 150, 250, 1500
#: Conversions of an example at the most.
_MOST = 256
#: Draws of a law that an example chooses from, beside its ends.
_KEPT = 65

Rows = dict[str, list[int]]
#: How to make a scenario, and the recordings that it needs to be there.
Made = tuple[Callable[[], "Scenario"], dict[str, bytes]]


@dataclass(frozen=True)
class _Law:
    """What an example may draw: values in order, or a sequence of which it takes a stretch."""

    key: str
    values: list[int]
    sequence: list[int] = field(default_factory=list)

    @property
    def typical(self) -> int:
        return len(self.values) // 2


@dataclass(frozen=True)
class Counterexample:
    """What was found.

    Attributes
    ----------
    limit : str
        One of `LIMITS`.
    scenario : Scenario
        The one that was asked about.
    rows : dict of str to list of int or None
        The draws of each key in base units, one for a value drawn once; None where no example
        was found.
    conversions : int
        Of the example.
    sentence : str
        What was found, and what is left between the example and a proof.
    """

    limit: str
    scenario: Scenario
    rows: Rows | None
    conversions: int
    sentence: str

    @property
    def found(self) -> bool:
        """Whether there is an example."""
        return self.rows is not None

    def save(self, folder: Path) -> Scenario:
        """Write the example into a folder that exists: a scenario, and recordings beside it."""
        assert self.rows is not None
        make, files = _with(self.scenario, self.rows, self.conversions, folder)
        write_set(folder, files)
        example = make()
        text = f"# {self.sentence}\n{example.to_toml(folder)}"
        write_set(folder, {"counterexample.toml": text.encode()})
        return example


def counterexample(scenario: Scenario, limit: str) -> Counterexample:
    """Look for draws that break a limit.

    Parameters
    ----------
    scenario : Scenario
        Of any scheme.
    limit : str
        One of `LIMITS`.

    Returns
    -------
    Counterexample
        The same for the same scenario.

    Raises
    ------
    InputError
        If the limit does not apply to the scenario.
    """
    _check(scenario, limit)
    counted = limit in _KEYS
    here = scenario.fifo.depth if limit == "fifo" else scenario.fifo.release_bits
    needed, known, why = _proven(scenario, limit)
    unit = "slot" if limit == "fifo" else "bit"
    if needed is not None and (needed <= here or not counted):
        said = "the limit is proven never to be broken"
        if counted:
            said = f"{many(needed, unit)} of {here}: proven enough"
        said = f"There is no counterexample: {said}, {known}."
        return Counterexample(limit, scenario, None, 0, said)
    found = _Search(scenario, limit).find()
    words = LIMITS[limit]
    if found is None:
        said = f"no draws were found at which {words}, and no proof that there are none"
        said += f": {why}" if why else ""
        if counted and needed is not None:
            said += f"; {many(needed, unit)}: proven enough"
        return Counterexample(limit, scenario, None, 0, f"Undecided: {said}.")
    rows, conversions = found
    said = f"after {many(conversions, 'conversion')} {words}"
    if counted and needed is not None:
        said = f"{many(needed, unit)}: proven enough; {here}: {said}, example"
        if needed - 1 == here:
            said += "; nothing undecided"
        elif _Search(scenario.with_value(_KEYS[limit], needed - 1), limit).find(small=False):
            said += f"; {needed - 1}: can be broken, too"
        else:
            said += f"; {needed - 1}: undecided"
    elif counted:
        said = f"{many(here, unit)}: {said}, example; nothing is proven enough: {why}"
    else:
        said = f"The limit can be broken: {said}"
    return Counterexample(limit, scenario, rows, conversions, f"{said}.")


_KEYS = {"fifo": "fifo.depth", "early-read": "fifo.release_bits"}


def _check(scenario: Scenario, limit: str) -> None:
    remote = scenario.link.scheme == "remote_master"
    if limit not in LIMITS:
        raise InputError("--limit", None, limit, f"one of {', '.join(LIMITS)}")
    if limit in _KEYS and not remote:
        raise InputError(
            scenario.name, "link.scheme", scenario.link.scheme, "remote_master, for this limit"
        )
    if limit == "timeout" and scenario.host.timeout is None:
        raise InputError(scenario.name, "host.timeout", "left out", "a timeout, for this limit")


def _proven(scenario: Scenario, limit: str) -> tuple[int | None, str, str]:
    """Return what is proven enough and how (0 if the limit always holds), or why nothing is."""
    if limit in ("period", "acquisition"):
        # A run of one conversion is all that the row of a proof takes.
        seen = Seen(run(scenario.with_(trials=1, conversions=1), ledger=False, workers=1))
        for row in cycle.rows(seen):
            if row.key == limit and row.known is Known.PROVEN:
                return 0, row.evidence, ""
        return None, "", ""

    def bound(ends: Ends) -> int:
        if limit == "fifo":
            return depth_bound(scenario, ends).depth
        if limit == "early-read":
            return release_bound(scenario, ends)
        timeout = scenario.host.timeout
        if scenario.link.scheme != "remote_master" or timeout is None:
            raise UnboundedError("each frame waits for the host's clock")
        if latest_release(scenario, ends) > timeout.constant_value:
            raise UnboundedError("a frame may be released after its timeout")
        if not keeps_rate(scenario, ends):
            raise UnboundedError("a conversion may be lost")
        return 0

    here = {"fifo": scenario.fifo.depth, "early-read": scenario.fifo.release_bits}.get(limit, 0)
    needed, said, why = least(bound, Fraction(here))
    return None if needed is None else int(needed), said, why


def _laws(scenario: Scenario) -> dict[str, Distribution]:
    """Return the laws that an example replaces, by their keys."""
    found: dict[str, Distribution] = {}
    for key in (*_EACH, *_ONCE):
        *above, name = key.split(".")
        if above[0] == "barrier":
            forward = above[1] == "forward"
            law = getattr(scenario.barrier.direction("forward" if forward else "return"), name)
        else:
            law = getattr(getattr(scenario, above[0]), name)
        if law is not None and not law.is_constant:
            found[key] = law
    if scenario.trigger.pattern == "poisson":
        assert scenario.trigger.rate is not None
        found.pop("trigger.tolerance", None)
        found["trigger.gap"] = exponential_time(float(FS_PER_SECOND / scenario.trigger.rate.value))
    return found


def _choices(scenario: Scenario) -> list[_Law]:
    found = []
    for key, law in _laws(scenario).items():
        drawn = law.sampler(streams(scenario.seed, 0, f"counterexample {key}")).take(SAMPLED)
        if isinstance(law, Recorded | TwoState):
            found.append(_Law(key, [], [int(one) for one in drawn]))
            continue
        ordered = np.sort(drawn)
        picked = ordered[np.linspace(0, SAMPLED - 1, _KEPT).astype(np.int64)].tolist()
        low, high = law.support
        if math.isfinite(low):
            picked[0] = min(picked[0], math.ceil(low))
        if math.isfinite(high):
            picked[-1] = max(picked[-1], math.floor(high))
        found.append(_Law(key, [int(one) for one in picked]))
    return found


def _text(key: str, value: int) -> str:
    return f"{100 * value / PARTS:.12f} %" if key.endswith("tolerance") else f"{value} fs"


def _with(scenario: Scenario, rows: Rows, conversions: int, folder: Path) -> Made:
    """Return how to make the scenario with these draws, and the recordings that it needs."""
    values: dict[str, Any] = {"trials": 1, "conversions": conversions}
    files: dict[str, bytes] = {}
    for key, drawn in rows.items():
        if len(set(drawn)) == 1:
            values[key] = _text(key, drawn[0])
            continue
        column = key.replace(".", "_")
        name = f"{column}.csv"
        files[name] = "\n".join([column, *map(str, drawn), ""]).encode()
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


class _Search:
    """The search of one example; all its draws are from a stream of its own."""

    def __init__(self, scenario: Scenario, limit: str) -> None:
        self.scenario, self.limit = scenario, limit
        self.laws = {law.key: law for law in _choices(scenario)}
        self.rng = streams(scenario.seed, 0, "counterexample")("")
        self.runs = 0
        self.longest = min(max(scenario.conversions, 1), _MOST)

    def find(self, *, small: bool = True) -> tuple[Rows, int] | None:
        """Return the draws of an example and its conversions, None if none was found."""
        with tempfile.TemporaryDirectory() as folder:
            self.folder = Path(folder)
            found = self._any()
            if found is None or not small:
                return found
            rows, conversions = self._shorter(*found)
            rows = self._nearer(rows, conversions)
            return {key: self._cut(key, drawn, conversions) for key, drawn in rows.items()}, (
                conversions
            )

    def _any(self) -> tuple[Rows, int] | None:
        best: tuple[float, Rows] | None = None
        for attempt in range(_TRIES + _CLIMBS):
            climbs = best is not None and attempt >= _TRIES
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
            count = self._count(key)
            if law.sequence:
                at = int(self.rng.integers(0, SAMPLED - count + 1))
                rows[key] = law.sequence[at : at + count]
                continue
            ends, kind = (law.values[0], law.values[-1]), int(self.rng.integers(3))
            which = int(self.rng.integers(2))
            if key in _ONCE or kind == 0:
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
                drawn[int(at)] = law.values[-int(self.rng.integers(2))]
        return found

    def _count(self, key: str) -> int:
        if key in _ONCE:
            return 1
        return self.longest * self._each(key)

    def _each(self, key: str) -> int:
        return self.scenario.bits_per_lane if key == "barrier.return.jitter" else 1

    def _cut(self, key: str, drawn: list[int], conversions: int) -> list[int]:
        return drawn if key in _ONCE else drawn[: conversions * self._each(key)]

    def _shorter(self, rows: Rows, conversions: int) -> tuple[Rows, int]:
        """Leave conversions out at the start, as many as may be."""
        step = conversions // 2
        while step:
            later = {
                key: drawn if key in _ONCE else drawn[step * self._each(key) :]
                for key, drawn in rows.items()
            }
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
        rows = {key: self._cut(key, drawn, conversions) for key, drawn in rows.items()}
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
            good, bad = far, law.typical
            tried = bad
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
                    if good == law.typical:
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
        make, files = _with(self.scenario, rows, conversions, place)
        for name, content in files.items():
            (place / name).write_bytes(content)
        try:
            example = make()
        except InputError:
            return None, -math.inf
        (block,) = BatchEngine().run(example, range(1), words=False)
        broken = self._broken(example, block)
        at = np.flatnonzero(broken[0])
        taken = block.occupancy_at_arrival[0].max(initial=0)
        came = block.release[0] >= 0
        latest = (block.release[0] - block.trigger[0])[came].max(initial=0) / FS_PER_SECOND
        return (int(at[0]) if at.size else None), float(taken) + min(latest, 0.9)

    def _broken(self, example: Scenario, block: Any) -> Any:
        if self.limit == "early-read":
            return block.fate == Fate.UNDERRUN
        if self.limit == "acquisition":
            return block.short_acquisition
        if self.limit == "timeout":
            # What is given up since it was lost before is no matter of the timeout.
            timeout = example.host.timeout
            assert timeout is not None
            late = block.release - block.trigger > timeout.constant_value
            return block.timed_out & (block.release >= 0) & late
        missed = itself = block.fate == Fate.MISSED_TRIGGER
        remote = example.link.scheme == "remote_master"
        if remote and example.fifo.when_full == "stall" and missed.any():
            # Those that a deep FIFO misses, too.
            deep = example.with_value("fifo.depth", example.conversions + 1)
            (other,) = BatchEngine().run(deep, range(1), words=False)
            itself = missed & (other.fate == Fate.MISSED_TRIGGER)
        if self.limit == "period":
            return itself if remote else itself | (block.fate == Fate.OVERRUN)
        lost = (block.fate == Fate.OVERRUN) | (block.fate == Fate.NOT_RECEIVED)
        return lost | (missed & ~itself)
