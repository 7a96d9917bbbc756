"""Which intervals get a dimension line, and what it says."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from simlink.base.errors import InputError
from simlink.base.wording import in_unit, unit_of
from simlink.pictures.diagram.tracks import SHOWN_ON, Track
from simlink.tracing.measured import RULES, Span, measure

if TYPE_CHECKING:
    from simlink.pictures.diagram.window import View
    from simlink.tracing.run_limits import Limits

#: Drawn only if they are named; and what is drawn unless intervals are.
_UNUSUAL = ("t_BUSY", "t_MSB", "t_BCK", "t_DH", "t_WAIT", "t_RCH", "t_RCL")
USUAL = tuple(symbol for symbol in RULES if symbol not in _UNUSUAL)
#: Significant digits of what is written on a dimension line.
_DIGITS = 4
#: Those of a bit or a clock cycle are shown at the second, for the first is out of the ordinary.
_OF_SECOND_BIT = ("t_DV", "t_SU", "t_H", "t_DH", "t_PD,R")


@dataclass(frozen=True)
class Dimension:
    """A dimension line."""

    #: What was measured, to the femtosecond.
    span: Span
    #: The tracks that its edges are on.
    start_track: str
    end_track: str
    #: Beside which side it stands: "remote", "barrier" or "host".
    place: str
    #: What is written on it.
    text: str
    #: Whether that includes the limits over a run.
    with_limits: bool = False

    @property
    def name(self) -> str:
        """A name of its own within the picture."""
        return f"{self.span.symbol}@{self.span.start}"


def mathematical(symbol: str) -> str:
    """Return a symbol with its subscript set below."""
    letter, _, index = symbol.partition("_")
    return f"${letter}_{{\\mathregular{{{index.replace(',', '{,}')}}}}}$"


def said(length: float, digits: int = _DIGITS) -> str:
    """Return a length in fs for people, such as ``"641.2 ns"``."""
    scale, unit = unit_of(length)
    return f"{_in(length, scale, digits)} {unit.replace('u', 'µ')}"


def _in(length: float, scale: int, digits: int = _DIGITS) -> str:
    return in_unit(length, scale, digits).replace("-", "\N{MINUS SIGN}")


def choose(
    view: View, drawn: list[Track], names: list[str] | None, limits: dict[str, Limits] | None
) -> tuple[list[Dimension], list[tuple[str, str]]]:
    """Return the dimension lines of a picture, and what was asked for and cannot be drawn.

    Parameters
    ----------
    view : View
        What is shown.
    drawn : list of Track
        What it is drawn with; an interval whose signals are not there is left out.
    names : list of str or None
        Symbols; None for the usual ones.
    limits : dict of str to Limits, or None
        Least, typical and largest value over a run, to be written beside.

    Returns
    -------
    dimensions : list of Dimension
        In the order of the signal's way.
    missing : list of (str, str)
        Each symbol of ``names`` without a dimension line, and why.

    Raises
    ------
    InputError
        If there is no such symbol.
    """
    for name in names or ():
        if name not in RULES:
            raise InputError("--intervals", None, f'"{name}"', f"some of {', '.join(RULES)}")
    wanted = USUAL if names is None else names
    spans: dict[str, list[Span]] = {}
    for span in measure(view.edges):
        inside = view.start <= min(span.start, span.end) <= max(span.start, span.end) <= view.end
        asked = span.length != 0 or names is not None
        if inside and asked and span.conversion in (None, *view.conversions):
            spans.setdefault(span.symbol, []).append(span)
    tracks = {track.name: track for track in drawn}
    found, missing = [], []
    for symbol in [one for one in RULES if one in wanted]:
        made = _dimension(spans.get(symbol, []), tracks, view, (limits or {}).get(symbol))
        if made is not None:
            found.append(made)
        elif names is not None:
            why = "its signals are not drawn" if symbol in spans else "not within what is shown"
            missing.append((symbol, why))
    return found, missing


def _dimension(
    spans: list[Span], tracks: dict[str, Track], view: View, law: Limits | None
) -> Dimension | None:
    """Return the dimension line of the first of some intervals of one symbol that can be drawn."""
    second = [one for one in spans if one.bit == 1 or one.symbol not in _OF_SECOND_BIT]
    for span in second or spans:
        first, last = span.rule.between(view.trace.scenario.link.scheme)
        start = _track(first, span, tracks, view)
        end = _track(last, span, tracks, view)
        if start is None or end is None:
            continue
        sides = {start.signal.side, end.signal.side}
        place = sides.pop() if len(sides) == 1 else "barrier"
        text = f"{mathematical(span.symbol)} {said(span.length)}"
        if law is not None:
            scale, unit = unit_of(span.length)
            unit = unit.replace("u", "µ")
            some = (span.length, law.least, law.typical, law.largest)
            # As many decimals in each: those of the one with the most digits before the point.
            before = [len(str(abs(one) // scale)) for one in some]
            digits = [_DIGITS - max(before) + own for own in before]
            length, *each = (_in(*one) for one in zip(some, [scale] * 4, digits, strict=True))
            text = f"{mathematical(span.symbol)} {length} {unit} ({' … '.join(each)})"
        return Dimension(span, start.name, end.name, place, text, law is not None)
    return None


def _track(name: str, span: Span, tracks: dict[str, Track], view: View) -> Track | None:
    if view.trace.scenario.trigger.source == "remote" and name == "host.trigger":
        name = "remote.trigger"
    if name == "fifo.release" and "host.busy" not in tracks:
        name = "fifo.level"
    name = SHOWN_ON.get(name, name)
    if span.lane is not None and f"{name}[{span.lane}]" in tracks:
        return tracks[f"{name}[{span.lane}]"]
    return tracks.get(name)
