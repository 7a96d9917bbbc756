"""``simlink diagram``: a timing diagram of a scenario, and the timing table to go under it."""

from __future__ import annotations

import re
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from simlink.base.errors import InputError
from simlink.commands import options as opt
from simlink.commands.results import say

if TYPE_CHECKING:
    from simlink.pictures.diagram import Diagram

#: A picture taller than this does not fit on a page, in mm.
_PAGE = 240.0


def diagram(
    path: opt.ScenarioPath,
    conversions: Annotated[
        str,
        opt.value(
            "Which to draw: A:B (B not included, at most 8), one number, or of the run the latest, "
            "or the first that is overrun, missed_trigger, underrun, corrupted, dropped, "
            "not_received, timed_out, misaligned (taken for another one) or silent (harmed, and "
            "nobody is told).",
            "A:B",
        ),
    ] = "0:1",
    trial: opt.Trial = "0",
    signals: Annotated[
        str | None,
        opt.value("Signals of the trace to draw, with commas between; at most 12.", "LIST"),
    ] = None,
    intervals: Annotated[
        str | None,
        opt.value("Symbols of the intervals to draw, with spaces between; or none.", "LIST"),
    ] = None,
    width: Annotated[
        str, opt.value("1 or 2 columns of a page (85 or 175 mm), or a width in mm.", "WIDTH")
    ] = "2",
    to_scale: Annotated[bool, opt.flag("--to-scale", "One conversion, true to scale.")] = False,
    bands: Annotated[
        bool, opt.flag("--bands", "Shade where else each edge could have been.")
    ] = False,
    quiet: Annotated[
        str | None,
        opt.value(
            "Shade the time around each sampling instant in which nothing should switch, and ring "
            'what does: before and after it, such as "50 ns:20 ns".',
            "T:T",
        ),
    ] = None,
    limits: Annotated[
        bool,
        opt.flag(
            "--limits",
            "Write least, typical and largest of the run, or of as much as is traced, as well.",
        ),
    ] = False,
    table: Annotated[
        str | None,
        opt.value("Write a timing table too: the name of a .md, .csv or .tex file.", "FILE"),
    ] = None,
    since: Annotated[
        str | None,
        opt.value(
            "Where the picture begins: a signal's first event such as remote.clock or "
            '"remote.busy falls + 50 ns", or a time after the first trigger.',
            "EVENT",
            "--from",
        ),
    ] = None,
    until: Annotated[
        str | None,
        opt.value("Where it ends: a signal's last event, or a time, said so too.", "EVENT", "--to"),
    ] = None,
    names: opt.PinNames = None,
    dark: Annotated[bool, opt.flag("--dark", "Draw light on dark.")] = False,
    plain: Annotated[
        bool, opt.flag("--plain", "Draw black on white, with hatching alone.")
    ] = False,
    seed: opt.Seed = None,
    out: Annotated[
        str | None,
        opt.value(
            "The picture's name, ending with .svg, .pdf or .png. Left out: the scenario's name "
            "with -timing.svg.",
            "FILE",
        ),
    ] = None,
) -> None:
    """Draw a timing diagram from the simulation, every interval measured."""
    from simlink.base.safe_write import check_place, write_whole
    from simlink.pictures.diagram import draw, kind_of
    from simlink.pictures.timing_table import KINDS, timing_table
    from simlink.tracing.law_limits import law_limits
    from simlink.tracing.pin_names import load, pins_of
    from simlink.tracing.run_limits import over_run

    place = Path(f"{path.stem}-timing.svg" if out is None else out)
    kind = kind_of(place)
    table_kind = None if table is None else _kind("--table", table, KINDS)
    for one in (place, *(() if table is None else (Path(table),))):
        check_place(one)
    width_mm = _width(width)
    window = None if quiet is None else _window(quiet)
    number = opt.whole("--trial", trial, 0, 10**7)
    pins = {} if names is None else load(names)
    if dark and plain:
        raise InputError("--plain", None, None, "is black on white, which --dark is not")
    scenario = opt.changed(path, seed)
    measured = over_run(scenario) if limits or table is not None else None
    drawn = draw(
        scenario,
        conversions,
        trial=number,
        signals=None if signals is None else signals.split(","),
        width=width_mm,
        to_scale=to_scale,
        bands=bands,
        quiet_window=window,
        names=_symbols(intervals),
        limits=measured if limits else None,
        dark=dark,
        plain=plain,
        since=since,
        until=until,
        pins=pins,
    )
    write_whole(place, drawn.encode(kind))
    if table is not None and table_kind is not None:
        assert measured is not None
        text = timing_table(
            measured,
            table_kind,
            over=measured.over,
            laws=law_limits(scenario),
            pins=pins_of(scenario, pins),
            scheme=scenario.link.scheme,
        )
        write_whole(Path(table), text.encode())
    _tell(drawn, place, None if measured is None or table is None else (table, measured.over))


def _tell(drawn: Diagram, place: Path, table: tuple[str, str] | None) -> None:
    layout = drawn.layout
    first, last = layout.view.conversions[0], layout.view.conversions[-1]
    which = f"conversion {first}" if first == last else f"conversions {first} to {last}"
    size = f"{layout.width:g} x {layout.height:.0f} mm"
    print(f"Diagram: {place} ({size}; board {layout.view.trace.trial}, {which})")
    if table is not None:
        name, over = table
        print(f"Table: {name} (over {over})")
    for symbol, why in layout.missing:
        say(f"{symbol} is not drawn: {why}")
    if layout.height > _PAGE:
        say(
            f"the picture is {layout.height:.0f} mm tall, more than a page: draw fewer "
            "conversions or signals, or two columns"
        )


def _symbols(text: str | None) -> list[str] | None:
    if text is None:
        return None
    return [] if text == "none" else text.split()


def _kind(option: str, name: str, kinds: tuple[str, ...]) -> str:
    kind = Path(name).suffix.lower().removeprefix(".")
    if kind not in kinds:
        raise InputError(option, None, f'"{name}"', f"a name ending with .{', .'.join(kinds)}")
    return kind


def _width(text: str) -> float:
    from simlink.pictures.diagram import COLUMNS

    match = re.fullmatch(r"([0-9]{1,4}(?:\.[0-9]{1,3})?)\s*(mm)?", text.strip())
    if match is None:
        raise InputError("--width", None, f'"{text}"', '1 or 2 columns, or such as "120 mm"')
    value = float(match[1])
    if match[2] is None and value in COLUMNS:
        return COLUMNS[int(value)]
    return value


def _window(text: str) -> tuple[int, int]:
    from simlink.scenario.quantities import parse_duration

    before, colon, after = text.partition(":")
    if not colon:
        raise InputError("--quiet", None, f'"{text}"', 'two durations, such as "50 ns:20 ns"')
    found = parse_duration(before, "--quiet"), parse_duration(after, "--quiet")
    if min(found) < 0:
        raise InputError("--quiet", None, f'"{text}"', "durations that are not negative")
    return found
