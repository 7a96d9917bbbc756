"""Studies: one or two keys of a scenario over ranges, every point on the same draws.

>>> from simlink.scenario.loading import load
>>> found = vary(load("link.toml"), {"fifo.depth": "1..8"})  # doctest: +SKIP
>>> found.table, found.plot()  # doctest: +SKIP
"""

from __future__ import annotations

import difflib
import itertools
import math
import re
import tomllib
from collections.abc import Callable, Generator, Iterable, Mapping
from concurrent.futures import Executor
from contextlib import ExitStack, closing, suppress
from dataclasses import dataclass, field
from fractions import Fraction
from functools import partial
from typing import TYPE_CHECKING, Any

from simlink.base.cautions import CAUTIONS
from simlink.base.errors import InputError
from simlink.base.json_text import AsJson
from simlink.base.late import picture
from simlink.base.version import __version__
from simlink.engines.choice import choose
from simlink.figures.figure import Figure, plain
from simlink.link.repeat import repeats
from simlink.running.run import run
from simlink.running.spread import default_workers, spread
from simlink.running.workers import Workers
from simlink.scenario.faults import FaultError, written
from simlink.scenario.quantities import FREQUENCY, LINE_RATE, RATIO, SLEW, TIME, VOLTAGE, exact
from simlink.scenario.reading import unknown
from simlink.scenario.schema import Scenario
from simlink.scenario.transient import Transient
from simlink.scenario.writing import every_key
from simlink.studies.ranges import MOST, Value, values

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: The figures of a run; the first is drawn unless another is asked for.
FIGURES = (
    "overrun",
    "triggers",
    "delivered",
    "missed_trigger",
    "underrun",
    "corrupted_flagged",
    "corrupted_silent",
    "not_received",
    "in_flight",
    "timed_out",
    "short_acquisition",
    "lost_told",
    "lost_silent",
    "misaligned_told",
    "misaligned_silent",
    "silent",
    "silent_per_hour",
    "recovery_frames",
    "recovery_frames_largest_seen",
    "unrequested",
    "boards_missed_trigger",
    "boards_overrun",
    "boards_underrun",
    "boards_corrupted",
    "boards_failing",
    *(
        f"latency_{end}_{part}"
        for end in ("release", "read")
        for part in ("median", "p99", "p999", "largest_seen")
    ),
    "throughput_offered",
    "throughput_delivered",
    "fifo_occupancy_max",
    "host_busy_share",
    "sampling_jitter_rms",
)

#: Called with finished points, points in all, and the share of the next one that is done.
Progress = Callable[[int, int, float], None]


@dataclass(frozen=True)
class VariedPoint:
    """One point: the value of each key, as a scenario file would hold it, and its figures."""

    values: tuple[Any, ...]
    engine: str
    figures: dict[str, Figure]


@dataclass
class Variation(AsJson):
    """What varies with what.

    Attributes
    ----------
    scenario : Scenario
        The scenario at whose other keys nothing was changed.
    keys : dict of str to list
        The one or two keys and their values.
    figure : str
        The figure that is drawn.
    points : list of VariedPoint
        The finished points, the last key's values running fastest.
    interrupted : bool
        Whether it was stopped before its last point.
    """

    scenario: Scenario
    keys: dict[str, list[Any]]
    figure: str
    points: list[VariedPoint] = field(default_factory=list, repr=False)
    interrupted: bool = False

    @property
    def total(self) -> int:
        """Points asked for."""
        return math.prod(map(len, self.keys.values()))

    @property
    def table(self) -> pd.DataFrame:
        """One row a point.

        Returns
        -------
        pandas.DataFrame
            A column for each key as it was written, one more in its base unit (s, Hz, bit/s, or
            a plain ratio) where it has a unit, and for each figure its value and, with
            ``_low``, ``_high``, ``_count`` and ``_of`` behind its name, its interval and count.
            ``attrs["units"]`` holds the unit of each figure.
        """
        import pandas as pd

        rows = []
        for point in self.points:
            row: dict[str, Any] = {}
            for key, value in zip(self.keys, point.values, strict=True):
                row[key] = _shown(value)
                measured = number_of(value)
                if isinstance(value, str) and measured is not None:
                    row[f"{key} [{unit_of(value)}]"] = measured
            for name, figure in point.figures.items():
                row[name] = figure.value
                row[f"{name}_low"], row[f"{name}_high"] = figure.low, figure.high
                row[f"{name}_count"], row[f"{name}_of"] = figure.count, figure.of
            rows.append(row)
        table = pd.DataFrame(rows)
        for column in table.columns:
            if column.endswith(("_count", "_of")):
                table[column] = table[column].astype("Int64")
            elif column not in self.keys:
                table[column] = table[column].astype("float64")
        if self.points:
            given = {name: one.unit for name, one in self.points[0].figures.items()}
            table.attrs["units"] = given
        return table

    def plot(self, ax: Axes | None = None, figure: str | None = None) -> Axes:
        """Draw a figure: a line with its interval for one key, a map for two."""
        drawn: Axes = picture("vary", "variation")(
            self, ax, None if figure is None else _figure(self.scenario, figure)
        )
        return drawn

    def to_dict(self) -> dict[str, Any]:
        """Return the study as plain, JSON-ready dictionaries."""
        return {
            "scenario": tomllib.loads(self.scenario.to_toml(self.scenario.base)),
            "seed": self.scenario.seed,
            "version": __version__,
            "interrupted": self.interrupted,
            "keys": self.keys,
            "figure": self.figure,
            "points": [
                {
                    "values": dict(zip(self.keys, point.values, strict=True)),
                    "engine": point.engine,
                    "figures": plain(point.figures),
                }
                for point in self.points
            ],
            "cautions": CAUTIONS,
        }

    def _repr_html_(self) -> str:
        columns = [*self.keys, *(self.figure + end for end in ("", "_low", "_high"))]
        return self.table[columns].to_html()


def vary(
    scenario: Scenario,
    keys: Mapping[str, str | Iterable[Any]],
    figure: str = "overrun",
    *,
    engine: str = "auto",
    workers: int | None = None,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> Variation:
    """Run a scenario at every value of a key, or at every pair of values of two.

    Parameters
    ----------
    scenario : Scenario
        What to run; every point has its seed, so that two points differ by the keys alone and
        not by chance (common random numbers).
    keys : mapping of str to str or iterable
        One or two dotted keys, each with a range in plain words (see `studies.ranges`) or with
        values as the scenario file would hold them.
    figure : str
        The figure to draw.
    engine : {"auto", "event", "batch"}
        Which engine.
    workers : int, optional
        Processes, for whole points where there are enough of them, else for the trials of each;
        as many as there are processors if the study is long when left out, else one.
    executor : concurrent.futures.Executor, optional
        Where to run the trials instead.
    progress : callable, optional
        Called with the finished points, the points in all, and how much of the next is done.

    Returns
    -------
    Variation
        Interrupted (Ctrl-C), it holds the points that were finished.

    Raises
    ------
    InputError
        If a key, a value or a figure is bad, or the engine cannot do a point; before anything
        runs.
    """
    given = {key: _values(key, wanted) for key, wanted in keys.items()}
    found = Variation(scenario, given, _figure(scenario, figure))
    if not 1 <= len(given) <= 2:
        raise InputError("vary", None, str(len(given)), "one or two keys")
    if found.total > MOST:
        raise InputError("vary", None, str(found.total), f"at most {MOST} points in all")
    candidates = [
        scenario.with_values(dict(zip(given, values, strict=True)))
        for values in itertools.product(*given.values())
    ]
    runs = len(candidates)
    engines = [choose(engine, candidate, runs)[0].name for candidate in candidates]
    if workers is None:
        # The event engine is the slower one, so whatever it does counts.
        conversions = sum(candidate.trials * candidate.conversions for candidate in candidates)
        workers = default_workers("event" if "event" in engines else "batch", conversions)
    try:
        with closing(_points(candidates, engine, workers, executor, progress)) as points:
            for values, point in zip(itertools.product(*given.values()), points, strict=True):
                found.points.append(VariedPoint(values, *point))
    except KeyboardInterrupt:
        found.interrupted = True
    return found


Point = tuple[str, "dict[str, Figure]"]


def _points(
    candidates: list[Scenario],
    engine: str,
    workers: int,
    executor: Executor | None,
    progress: Progress | None,
) -> Generator[Point, None, None]:
    """Run every candidate; give its engine and figures, in their order."""

    def tell(done: int, share: float = 0.0) -> None:
        if progress is not None and done < len(candidates):
            progress(done, len(candidates), share)

    tell(0)
    if executor is None and 1 < workers <= len(candidates):
        task = partial(_point, engine=engine, workers=1)
        with closing(spread(task, candidates, workers=workers)) as points:
            for number, point in enumerate(points, 1):
                yield point
                tell(number)
        return
    with ExitStack() as stack:
        if executor is None and workers > 1:
            executor = stack.enter_context(Workers(workers))
        for number, candidate in enumerate(candidates):

            def trials(done: int, number: int = number, of: int = candidate.trials) -> None:
                tell(number, done / of)

            yield _point(
                candidate, engine=engine, workers=workers, executor=executor, progress=trials
            )
            tell(number + 1)


def _point(scenario: Scenario, **options: Any) -> Point:
    """Run a point whole, with options of `run`, and return its engine and figures."""
    found = run(scenario, ledger=False, **options)
    if found.interrupted:
        raise KeyboardInterrupt
    return found.engine, dict(found.figures)


def _values(key: str, wanted: str | Iterable[Any]) -> list[Any]:
    known = list(every_key())
    # Of several sources of transients, which one: transient[0].slew.
    source = key.partition(".")[0]
    if re.fullmatch(r"transient\[\d+\]", source):
        known += [f"{source}.{name}" for name in Transient.model_fields]
    # A key may reach into a shape, as host.service_latency.mean does.
    steps = key.split(".")
    if not any(".".join(steps[:n]) in known for n in range(1, len(steps) + 1)):
        raise InputError("vary", None, f'"{key}"', unknown(key, known).split(" (known")[0])
    found = values(wanted, key) if isinstance(wanted, str) else list(wanted)
    if not found:
        raise InputError("vary", key, None, "at least one value")
    return [one.item() if hasattr(one, "item") else one for one in found]


def _figure(scenario: Scenario, name: str) -> str:
    known = (*FIGURES, "dropped") if scenario.check.tells else FIGURES
    if repeats(scenario):
        known = (*known, "repeated", "mended")
    if name in known:
        return name
    near = difflib.get_close_matches(name[:60].lower(), known, n=1, cutoff=0.5)
    hint = f'did you mean "{near[0]}"? ' if near else ""
    raise InputError("--figure", None, f'"{name}"', f"{hint}one of {', '.join(known)}")


_UNITS = (
    (TIME, "s", 10**15),
    (FREQUENCY, "Hz", 1),
    (LINE_RATE, "bit/s", 1),
    (RATIO, "1", 10**12),
    (SLEW, "kV/us", 10**9),
    (VOLTAGE, "V", 10**6),
)


def _measured(value: Value) -> tuple[float, str] | None:
    """Return a value with a unit in its base unit."""
    for dimension, unit, scale in _UNITS if isinstance(value, str) else ():
        with suppress(FaultError):
            return float(exact(str(value), dimension) / Fraction(scale)), unit
    return None


def unit_of(value: Any) -> str:
    """Return the base unit of a value, empty if it has none."""
    measured = _measured(value)
    return "" if measured is None else measured[1]


def number_of(value: Any) -> float | None:
    """Return a value as a number, in its base unit; None for words and tables."""
    if isinstance(value, bool):
        return None
    if isinstance(value, int | float):
        return float(value)
    measured = _measured(value)
    return None if measured is None else measured[0]


def _shown(value: Any) -> Any:
    return written(value) if isinstance(value, dict | list) else value
