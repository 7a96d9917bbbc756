"""The pass map: serial clock against one-way barrier delay, simulated, beside the closed form."""

from __future__ import annotations

import math
import tomllib
from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from contextlib import closing
from dataclasses import dataclass
from fractions import Fraction
from functools import partial
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from simlink.base.cautions import CAUTIONS
from simlink.base.errors import InputError
from simlink.base.instants import FS_PER_SECOND
from simlink.base.json_text import AsJson
from simlink.base.late import picture
from simlink.budget import SchemeBudget
from simlink.budget import budget as budget_of
from simlink.budget.window import Window
from simlink.engines.choice import choose
from simlink.figures.cycle import cycles
from simlink.records import Fate
from simlink.running.spread import default_workers, spread
from simlink.scenario.checks import least_beside
from simlink.scenario.distributions import Constant
from simlink.scenario.loading import from_dict
from simlink.scenario.schema import Scenario
from simlink.scenario.sections import Direction

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.axes import Axes

#: Jitter of so few frames shows no rarer errors, so the limit beside it counts it like this.
_BER = 1e-3
_ROOM = 4
_READ = (Fate.DELIVERED, Fate.UNDERRUN, Fate.CORRUPTED, Fate.DROPPED)


@dataclass(frozen=True)
class PassMap(AsJson):
    """Where a scheme's frames come through.

    Attributes
    ----------
    scenario : Scenario
        What was varied; its own scheme is what is mapped.
    clocks : list of Fraction
        Serial clocks in Hz, the rows.
    delays : list of int
        One-way barrier delays in fs, the columns; forward and return alike.
    good : ndarray of float, shape (clocks, delays)
        Share of the frames read that had no wrong bit; NaN where the barrier refuses the clock.
    frames : ndarray of int, shape (clocks, delays)
        Frames that were read.
    refused : dict of (int, int) to str
        By row and column, why a point was refused at load time.
    highest, lowest : list of Fraction or None
        For each delay the closed-form worst-case limits in Hz, None where there is none.
    nominal : list of Fraction or None
        For each delay the highest clock at the means.
    never : list of tuple of str
        For each delay the margins that no clock keeps in the worst case.
    interrupted : bool
        Whether it was stopped before its last row; what is missing is NaN.
    """

    scenario: Scenario
    clocks: list[Fraction]
    delays: list[int]
    good: npt.NDArray[np.float64]
    frames: npt.NDArray[np.int64]
    refused: dict[tuple[int, int], str]
    highest: list[Fraction | None]
    lowest: list[Fraction | None]
    nominal: list[Fraction | None]
    never: list[tuple[str, ...]]
    interrupted: bool = False

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw which frames come through over clock and delay, with the closed-form limits."""
        drawn: Axes = picture("pass_map", "passmap")(self, ax)
        return drawn

    def to_pandas(self) -> pd.DataFrame:
        """Return the shares with the clocks in Hz as index and the delays in s as columns."""
        import pandas as pd

        return pd.DataFrame(
            self.good,
            index=pd.Index([float(clock) for clock in self.clocks], name="clock"),
            columns=pd.Index([delay / FS_PER_SECOND for delay in self.delays], name="delay"),
        )

    def to_dict(self) -> dict[str, Any]:
        """Return the map as JSON holds it: clocks in Hz, delays in seconds."""

        def hertz(values: list[Fraction | None]) -> list[float | None]:
            return [None if value is None else float(value) for value in values]

        return {
            "title": self.scenario.title,
            "scheme": self.scenario.link.scheme,
            "seed": self.scenario.seed,
            "clocks": [float(clock) for clock in self.clocks],
            "delays": [delay / FS_PER_SECOND for delay in self.delays],
            "good_frames": [[None if np.isnan(v) else float(v) for v in row] for row in self.good],
            "frames": self.frames.tolist(),
            "refused": [
                {
                    "clock": float(self.clocks[row]),
                    "delay": self.delays[column] / FS_PER_SECOND,
                    "why": said,
                }
                for (row, column), said in self.refused.items()
            ],
            "highest_clock_worst": hertz(self.highest),
            "lowest_clock_worst": hertz(self.lowest),
            "highest_clock_nominal": hertz(self.nominal),
            "no_clock_keeps": [list(names) for names in self.never],
            "cautions": CAUTIONS,
        }


def clock_key(scenario: Scenario) -> str:
    """Return the key of the clock that reads the converter."""
    remote = scenario.link.scheme == "remote_master"
    return "remote_clock.frequency" if remote else "host.clock"


def at(scenario: Scenario, clock: Fraction, delay: int) -> Scenario:
    """Return a scenario with another serial clock in Hz and one-way delay in fs.

    Triggers come so seldom that none is missed: the map is of the link, not of the rate.
    """
    raw = tomllib.loads(scenario.to_toml(scenario.base))
    table, key = clock_key(scenario).split(".")
    raw[table][key] = f"{round(clock)} Hz"
    for way in ("forward", "return"):
        raw["barrier"].setdefault(way, {})["delay"] = f"{delay} fs"
    raw["host"].update(watermark=1, drain=False)
    raw["trigger"] = {"pattern": "periodic", "rate": _slow(scenario, clock, delay)}
    return from_dict(raw, scenario.base, scenario.name)


def _slow(scenario: Scenario, clock: Fraction, delay: int) -> str:
    """Return a trigger rate at which one conversion is over before the next."""
    longest = sum((cycle.mean for cycle in cycles(scenario, clock=clock)), Fraction(0)) + 4 * delay
    return f"{max(1, int(FS_PER_SECOND / (_ROOM * longest)))} Hz"


def _budget(scenario: Scenario) -> SchemeBudget:
    return budget_of(scenario, ber=_BER, trials=1)[scenario.link.scheme]


def usual_axes(scenario: Scenario, steps: int) -> tuple[list[Fraction], list[int]]:
    """Return clocks and delays about the scenario's own that show its limit, at least 2 of each."""
    own = _budget(scenario)
    limit = own.worst.highest or own.nominal.highest or own.clock
    top = max(2 * limit, Fraction(6, 5) * own.clock)
    for rule in own.rules:
        top = min(top, rule.highest)
    low = top / 10
    clocks = [Fraction(round(low + (top - low) * i / (steps - 1))) for i in range(steps)]
    ways = [scenario.barrier.direction("forward"), scenario.barrier.direction("return")]
    delay = max(5e6, *(way.delay.mean for way in ways))
    least = max(_least(way, scenario.frame.lanes) for way in ways)
    span = max(2 * delay - least, delay)
    return clocks, [round(least + span * i / (steps - 1)) for i in range(steps)]


def _least(way: Direction, lanes: int) -> float:
    """Return the shortest delay that lets no symbol arrive before it was sent, in fs."""
    shortest = 0.0
    for falling in (False, True):
        lows = {**least_beside(way, lanes, falling), "jitter": way.jitter.support[0]}
        # What the delay covers is held to it.
        beside = [low for key, low in lows.items() if key not in way.delay_covers]
        shortest = max(shortest, -sum(low for low in beside if not math.isinf(low)))
    return shortest


def pass_map(
    scenario: Scenario,
    clocks: Sequence[Fraction] | None = None,
    delays: Sequence[int] | None = None,
    *,
    steps: int = 17,
    trials: int = 4,
    conversions: int = 3,
    engine: str = "auto",
    workers: int | None = None,
    executor: Executor | None = None,
    progress: Callable[[int], None] | None = None,
) -> PassMap:
    """Simulate a scenario's scheme over serial clock and one-way barrier delay.

    Parameters
    ----------
    scenario : Scenario
        What is mapped. Its delays give way to those of the map; spreads, skews, distortions and
        jitter stay, but for what the limits of a delay cover: each delay of the map is then all
        that there is.
    clocks : sequence of Fraction, optional
        Serial clocks in Hz, rising.
    delays : sequence of int, optional
        One-way delays in fs, rising, taken forward and back alike.
    steps : int
        How many of each where they are left out, at least 2.
    trials, conversions : int
        Simulated at each point.
    engine : {"auto", "event", "batch"}
        Which engine simulates.
    workers : int, optional
        Processes, each of which takes a row of points; as many as there are processors if there
        is much to simulate when left out. The result does not depend on it.
    executor : concurrent.futures.Executor, optional
        Where to simulate instead.
    progress : callable, optional
        Called with the number of points done.

    Returns
    -------
    PassMap
        Interrupted (Ctrl-C), it holds the rows that were finished.

    Raises
    ------
    InputError
        If no point can be simulated.
    """
    usual = usual_axes(scenario, steps)
    clocks = usual[0] if clocks is None else list(clocks)
    delays = usual[1] if delays is None else list(delays)
    sized = scenario.with_(trials=trials, conversions=conversions)
    shape = (len(clocks), len(delays))
    good, frames = np.full(shape, np.nan), np.zeros(shape, dtype=np.int64)
    refused: dict[tuple[int, int], str] = {}
    if workers is None:
        # As the slower engine has it: a few conversions at a point leave little to vectorise.
        workers = default_workers("event", good.size * trials * conversions)
    interrupted = False
    task = partial(_row, sized, delays, engine)
    try:
        with closing(spread(task, clocks, workers=workers, executor=executor)) as rows:
            for row, shares in enumerate(rows):
                for column, found in enumerate(shares):
                    if isinstance(found, str):
                        refused[row, column] = found
                    else:
                        good[row, column], frames[row, column] = found
                if progress is not None:
                    progress((row + 1) * len(delays))
    except KeyboardInterrupt:
        interrupted = True
    if len(refused) == good.size:
        raise InputError("pass map", None, None, f"no point can be simulated: {refused[0, 0]}")
    # The limits are those of the delay alone, whatever clock the scenario gives.
    limits = [_window(sized, delay) for delay in delays]
    return PassMap(
        scenario,
        clocks,
        delays,
        good,
        frames,
        refused,
        [worst.highest if worst.is_open else None for worst, _ in limits],
        [worst.lowest if worst.is_open else None for worst, _ in limits],
        [nominal.highest if nominal.is_open else None for _, nominal in limits],
        [worst.never for worst, _ in limits],
        interrupted,
    )


def _window(scenario: Scenario, delay: int) -> tuple[Window, Window]:
    """Return the clocks that will do at a delay: in the worst case, and at the means."""
    law = Constant(value=delay)
    barrier = scenario.barrier
    # Unchecked: the delay may be too short for the spread, and the limit is asked for all the same.
    moved = barrier.model_copy(
        update={
            "forward": barrier.forward.model_copy(update={"delay": law}),
            "return_": barrier.return_.model_copy(update={"delay": law}),
        }
    )
    own = _budget(scenario.model_copy(update={"barrier": moved}))
    return own.worst, own.nominal


def _row(
    scenario: Scenario, delays: Sequence[int], engine: str, clock: Fraction
) -> list[tuple[float, int] | str]:
    """Return what `_share` does for each delay, or why the point was refused."""
    found: list[tuple[float, int] | str] = []
    for delay in delays:
        try:
            point = at(scenario, clock, delay)
        except InputError as error:
            found.append(str(error))
        else:
            found.append(_share(point, engine))
    return found


def _share(scenario: Scenario, engine: str) -> tuple[float, int]:
    """Return the share of frames read that were good, and how many were read."""
    chosen, _ = choose(engine, scenario)
    good = read = 0
    for block in chosen.run(scenario, range(scenario.trials), words=False):
        good += int((block.fate == Fate.DELIVERED).sum())
        read += int(np.isin(block.fate, _READ).sum())
    return (good / read if read else float("nan")), read
