"""Timing diagrams, made from the trace of a simulation.

>>> from simlink.pictures import diagram
>>> diagram.draw(scenario, "0:2").save("timing.svg")  # doctest: +SKIP
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from pathlib import Path
from typing import TYPE_CHECKING

from simlink.base.errors import InputError
from simlink.base.safe_write import write_whole
from simlink.pictures import style
from simlink.pictures.diagram import bounds, events, intervals, quiet, spread_bands, tracks, window
from simlink.pictures.diagram.layout import Layout
from simlink.pictures.diagram.painting import DPI, KINDS, paint
from simlink.pictures.diagram.palette import DARK, LIGHT, PLAIN
from simlink.tracing.pin_names import pins_of
from simlink.tracing.run_limits import RunLimits

if TYPE_CHECKING:
    from collections.abc import Mapping

    from matplotlib.figure import Figure

    from simlink.pictures.diagram.intervals import Dimension
    from simlink.scenario.loading import Scenario
    from simlink.tracing.run_limits import Limits

#: Widths of one and of two columns of a printed page, in mm.
COLUMNS = {1: 85.0, 2: 175.0}
NARROWEST, WIDEST = 60.0, 420.0


@dataclass(repr=False)
class Diagram:
    """A timing diagram.

    Attributes
    ----------
    layout : Layout
        Everything in its place, in mm.
    dark : bool
        Whether it is drawn light on dark.
    plain : bool
        Whether it is drawn black on white, with hatching alone.
    """

    layout: Layout
    dark: bool = False
    plain: bool = False

    @property
    def dimensions(self) -> list[Dimension]:
        """The dimension lines, each with the interval that was measured."""
        return self.layout.dimensions

    @cached_property
    def figure(self) -> Figure:
        """The picture as a matplotlib figure, which belongs to no window."""
        return paint(self.layout, PLAIN if self.plain else DARK if self.dark else LIGHT)

    def encode(self, kind: str) -> bytes:
        """Return the picture as the bytes of an SVG, PDF or PNG file (``"svg"`` and so on)."""
        return style.encode(self.figure, kind, DPI, text=True)

    def save(self, path: Path | str) -> None:
        """Write the picture as what the ending of the name says.

        Raises
        ------
        InputError
            If it says none of svg, pdf and png.
        OutputError
            If it cannot be written.
        """
        write_whole(Path(path), self.encode(kind_of(path)))

    def __repr__(self) -> str:
        return f"Diagram of {self.layout.width:.4g} mm, {len(self.dimensions)} intervals"

    def _repr_svg_(self) -> str:
        return self.encode("svg").decode()


def kind_of(path: Path | str) -> str:
    """Return the kind of picture that the name of a file asks for."""
    kind = Path(path).suffix.lower().removeprefix(".")
    if kind not in KINDS:
        raise InputError(str(path), None, None, f"its name must end with .{', .'.join(KINDS)}")
    return kind


def draw(
    scenario: Scenario,
    conversions: range | str = "0:1",
    *,
    trial: int = 0,
    signals: list[str] | None = None,
    width: float = COLUMNS[2],
    to_scale: bool = False,
    bands: bool = False,
    quiet_window: tuple[int, int] | None = None,
    names: list[str] | None = None,
    limits: dict[str, Limits] | None = None,
    dark: bool = False,
    plain: bool = False,
    since: str | None = None,
    until: str | None = None,
    pins: Mapping[str, str] | None = None,
) -> Diagram:
    """Draw a timing diagram.

    Parameters
    ----------
    scenario : Scenario
        What is simulated.
    conversions : range or str
        ``range(4, 6)``, ``"4:6"`` (6 not included), ``"4"``, or a word of
        `simlink.tracing.finding.WORST`: the latest of the run, or its first of a kind.
    trial : int
        Which unit; the worst conversion brings its own.
    signals : list of str, optional
        Signals of the trace, at most 12; the usual ones when left out.
    width : float
        In mm.
    to_scale : bool
        One conversion, true to scale, without cuts.
    bands : bool
        Whether to shade where else each edge could have been.
    quiet_window : (int, int), optional
        Time before and after each sampling instant in which nothing should switch, in fs; it is
        shaded, and what switches is ringed.
    names : list of str, optional
        Symbols of the intervals to draw; the usual ones when left out.
    limits : dict of str to Limits, optional
        From `simlink.tracing.run_limits.over_run`: least, typical and largest are written too.
    dark, plain : bool
        Whether to draw light on dark, or black on white with hatching alone.
    since, until : str, optional
        Where the picture begins and ends, as `simlink.pictures.diagram.bounds` reads it.
    pins : mapping of str to str, optional
        What signals are called in the picture, by their names on the trace
        (`simlink.tracing.pin_names.load`); they win over the scenario's own.

    Raises
    ------
    InputError
        If something asked for is not there.
    """
    if not NARROWEST <= width <= WIDEST:
        raise InputError("--width", None, f"{width:g} mm", f"{NARROWEST:g} mm to {WIDEST:g} mm")
    wanted = window.parse(conversions) if isinstance(conversions, str) else conversions
    if to_scale and not isinstance(wanted, str) and len(wanted) > 1:
        raise InputError("--to-scale", None, f"{len(wanted)} conversions", "only one is shown so")
    before = 0 if quiet_window is None else quiet_window[0]
    view = window.view(scenario, wanted, trial, before)
    chosen = tracks.choose(view.trace, signals, view.conversions)
    if since is not None or until is not None:
        bounds.narrow(view, since, until)
    names_of_pins = pins_of(scenario, pins)
    drawn = tracks.tracks(view.trace, view.edges, chosen, view.start, view.end, names_of_pins)
    crossing = [
        one
        for one in tracks.crossings(view.trace, drawn)
        if one.end >= view.start and one.start <= view.end
    ]
    around = None if quiet_window is None else quiet.quiet(view, drawn, *quiet_window)
    dimensions, missing = intervals.choose(view, drawn, names, limits)
    layout = Layout(
        width,
        view,
        drawn,
        crossing,
        dimensions,
        around,
        spread_bands.bands(view, drawn) if bands else [],
        to_scale,
        limits.over if isinstance(limits, RunLimits) else "",
        missing,
        events.events(view, drawn),
    )
    return Diagram(layout, dark, plain)
