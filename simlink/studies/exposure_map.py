"""Exposure over slew, or over how long an event upsets: what becomes of words, by its beginning."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from simlink.base.cautions import CAUTIONS
from simlink.base.errors import InputError
from simlink.base.instants import FS_PER_SECOND
from simlink.base.json_text import AsJson
from simlink.base.late import picture
from simlink.base.version import __version__
from simlink.base.wording import short_time, slew_text
from simlink.scenario.quantities import parse_duration
from simlink.scenario.schema import Scenario
from simlink.studies.exposing import exposure
from simlink.studies.exposure import UNHARMED, Exposure
from simlink.studies.ranges import values

if TYPE_CHECKING:
    import pandas as pd
    from matplotlib.figure import Figure

#: The most slews or lengths of a map, and the most instants of each unless they are asked for.
MOST, STEPS = 40, 1000


@dataclass(frozen=True)
class ExposureMap(AsJson):
    """What one event does to a conversion, by when it begins and how fast or how long it is.

    Attributes
    ----------
    by : {"slew", "length"}
        What differs from row to row: the slew in V/s, at one swing; or how long the event upsets
        in fs, recovery included, at one slew.
    rows : list of Exposure
        In the order that was asked for.
    """

    by: str
    rows: list[Exposure] = field(repr=False)

    def named(self, one: Exposure) -> str:
        """Return the slew or the length of a row, in words."""
        return slew_text(one.slew) if self.by == "slew" else short_time(one.length)

    @property
    def sentence(self) -> str:
        """What the map says, in one sentence."""
        first = self.rows[0]
        harmless = [one for one in self.rows if not one.harmful]
        said = f"On board {first.trial} {len(self.rows) - len(harmless)} of {len(self.rows)} "
        said += f"{self.by}s harm a word"
        if len(harmless) == len(self.rows):
            return f"{said}."
        worst = max(self.rows, key=lambda one: one.harmful / one.period)
        return f"{said}, the most at {self.named(worst)}: {worst.share}."

    @property
    def table(self) -> pd.DataFrame:
        """One row a slew or length: for how long an event may begin so as to do each harm, in s."""
        import pandas as pd

        kinds = sorted({kind for one in self.rows for kind in _lasting(one)})
        found = []
        for one in self.rows:
            lasts = _lasting(one)
            row: dict[str, Any] = {
                "slew": one.slew,
                "upsets_for": one.length / FS_PER_SECOND if one.upsets else 0.0,
                "harmful": one.harmful / FS_PER_SECOND,
                "share_of_period": one.harmful / one.period,
            }
            for number, kind in kinds:
                who = "this" if number == 0 else f"next_{number}"
                row[f"{who}: {kind}"] = lasts.get((number, kind), 0) / FS_PER_SECOND
            found.append(row)
        return pd.DataFrame(found)

    @property
    def moments_table(self) -> pd.DataFrame:
        """One row a cell: slew or length, offset, channels hit, what becomes of whom, and told."""
        import pandas as pd

        parts = []
        for one in self.rows:
            part = one.moments_table
            part.insert(0, "slew", one.slew)
            part.insert(1, "upsets_for", one.length / FS_PER_SECOND)
            parts.append(part)
        return pd.concat(parts, ignore_index=True)

    def plot(self) -> Figure:
        """Draw this conversion and the next, each with a row for each slew or length."""
        drawn: Figure = picture("exposure_map", "exposure_map")(self)
        return drawn

    def to_dict(self) -> dict[str, Any]:
        """Return the map as plain, JSON-ready dictionaries: times in s, slews in V/s."""
        first = self.rows[0]
        return {
            "title": first.scenario.title,
            "seed": first.scenario.seed,
            "unit": first.trial,
            "version": __version__,
            "by": self.by,
            "answer": self.sentence,
            "table": self.table.to_dict("records"),
            "rows": [one.to_dict() for one in self.rows],
            "cautions": CAUTIONS,
        }

    def _repr_html_(self) -> str:
        return self.table.to_html()


def _lasting(one: Exposure) -> dict[tuple[int, str], int]:
    """Return for how long an event may begin so as to do each harm to each conversion, in fs."""
    found: dict[tuple[int, str], int] = {}
    for moment in one.moments:
        for number in range(len(moment.outcomes)):
            kind = moment.said(number)
            if kind != UNHARMED:
                found[number, kind] = found.get((number, kind), 0) + one.step
    return found


def exposure_map(
    scenario: Scenario,
    *,
    slews: str | None = None,
    lengths: str | None = None,
    slew: str | None = None,
    swing: str | None = None,
    immunity: str | None = None,
    steps: int | None = None,
    trial: int = 0,
    progress: Callable[[int, int], None] | None = None,
) -> ExposureMap:
    """Expose a conversion to events of several slews, or that upset for several lengths of time.

    Parameters
    ----------
    slews, lengths : str
        One of the two, a range as `simlink.studies.ranges` reads it: ``"40 kV/us..100 kV/us in 7"``
        or ``"2 ns..40 ns in 8"``.
    scenario, slew, swing, immunity, steps, trial, progress
        As of `simlink.studies.exposing.exposure`.

    Raises
    ------
    InputError
        If neither or both are given, a range is bad, or an option does not go with it.
    """
    if (slews is None) == (lengths is None):
        raise InputError("--slews", None, None, "one of --slews and --lengths is wanted")
    name, text = ("--slews", slews) if lengths is None else ("--lengths", lengths)
    assert text is not None
    if lengths is not None and swing is not None:
        raise InputError("--swing", None, f'"{swing}"', "not with --lengths, which follow from it")
    if slews is not None and slew is not None:
        raise InputError("--slew", None, f'"{slew}"', "not with --slews")
    wanted = values(text, name)
    if len(wanted) > MOST:
        raise InputError(name, None, f'"{text}"', f"at most {MOST} values")
    rows = []
    for number, value in enumerate(wanted):
        last = None if lengths is None else parse_duration(str(value), name)

        def part(done: int, of: int, number: int = number) -> None:
            if progress is not None:
                progress(number * of + done, len(wanted) * of)

        found = exposure(
            scenario,
            slew=slew if slews is None else str(value),
            swing=swing,
            length=last,
            immunity=immunity,
            steps=steps,
            most_steps=STEPS,
            trial=trial,
            progress=part,
        )
        rows.append(found)
    return ExposureMap("slew" if lengths is None else "length", rows)
