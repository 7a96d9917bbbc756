"""``simlink vary``: one or two keys of a scenario over ranges."""

from __future__ import annotations

import io
import math
from typing import TYPE_CHECKING, Annotated

import typer

from simlink.base.errors import InputError
from simlink.commands import options as opt
from simlink.commands.results import about_engine, bar, interrupted, keep, names_of, prepare, tell

if TYPE_CHECKING:
    from simlink.figures.figure import Figure
    from simlink.studies.vary import Variation


def vary(
    path: opt.ScenarioPath,
    pairs: Annotated[
        list[str],
        typer.Argument(
            help="One or two dotted keys, each with its range: 1..8, '10 MHz..50 MHz in 9', "
            "'1 us..1 ms in 7 log', '0 ns..20 ns by 5 ns', '1, 2, 4, 8'.",
            metavar="KEY RANGE [KEY RANGE]",
        ),
    ],
    figure: Annotated[str, opt.value("The figure to draw.", "NAME")] = "overrun",
    seed: opt.Seed = None,
    trials: opt.Trials = None,
    conversions: opt.Conversions = None,
    engine: opt.Engine = "auto",
    workers: opt.Workers = None,
    on: opt.On = None,
    out: opt.Out = None,
    json: opt.Json = False,
) -> None:
    """Run a scenario over the values of one or two keys, on the same draws at every point."""
    from simlink.studies.ranges import values
    from simlink.studies.vary import vary as study

    if len(pairs) not in (2, 4):
        raise InputError("vary", None, " ".join(pairs), "one or two pairs of a key and its range")
    keys = {key: values(said, key) for key, said in zip(pairs[::2], pairs[1::2], strict=True)}
    if 2 * len(keys) != len(pairs):
        raise InputError("vary", None, pairs[0], "two different keys")
    place = opt.folder(out)
    scenario = opt.changed(path, seed, trials, conversions)
    about_engine(engine, scenario, math.prod(map(len, keys.values())))
    prepare(place, names_of("vary", "csv", "parquet", "json"))
    with bar("points", math.prod(map(len, keys.values()))) as update:

        def progress(done: int, of: int, part: float) -> None:
            if update is not None:
                update(done + part)

        with opt.where(on, workers) as there:
            found = study(scenario, keys, figure, engine=engine, progress=progress, **there)
    if not found.points:
        place = None
    figures = found.to_json()
    if place is not None:
        keep(
            place,
            "vary",
            found.plot(),
            csv=found.table.to_csv(index=False).encode(),
            parquet=_columns(found),
            json=figures.encode(),
        )
    tell(_table(found), place, figures if json else None)
    if found.interrupted:
        kept = "" if out is None else f" in {out}"
        raise interrupted(f"{len(found.points)} of {found.total} points finished and kept{kept}")


def _columns(found: Variation) -> bytes:
    """Return the table as Parquet."""
    import pyarrow as pa
    import pyarrow.parquet as pq

    from simlink.base.made import PARQUET

    table = pa.Table.from_pandas(found.table, preserve_index=False)
    written = io.BytesIO()
    pq.write_table(table.replace_schema_metadata({**table.schema.metadata, **PARQUET}), written)
    return written.getvalue()


def _table(found: Variation) -> str:
    from simlink.pictures.text import columns

    if len(found.keys) == 2:
        return _matrix(found)
    rows = [(*found.keys, found.figure, "interval", "count of")]
    for point in found.points:
        figure = point.figures[found.figure]
        count = "" if figure.of is None else f"{figure.count} of {figure.of}"
        rows.append((*map(str, point.values), figure.text(), figure.interval(), count))
    return columns(rows, right=True) + "\n"


#: Columns of a matrix side by side; more of them go into one more matrix below.
_ACROSS = 8


def _matrix(found: Variation) -> str:
    """Return the figure with the first key down and the second across, below it its interval."""
    from simlink.pictures.text import columns

    (down, rows), (across, heads) = found.keys.items()
    figures = [point.figures[found.figure] for point in found.points]
    parts = [f"{found.figure}: {down} down, {across} across; below each value its interval\n"]
    for first in range(0, len(heads), _ACROSS):
        some = range(first, min(first + _ACROSS, len(heads)))
        lines = [(down, *(str(heads[column]) for column in some))]
        for row, value in enumerate(rows):
            at = [row * len(heads) + column for column in some]
            cells = [figures[one] if one < len(figures) else None for one in at]
            lines.append((str(value), *("" if one is None else one.text() for one in cells)))
            ends = ["" if one is None else _end(one) for one in cells]
            if any(ends):
                lines.append(("", *ends))
        parts.append(columns(lines, right=True) + "\n")
    return "\n".join(parts)


def _end(figure: Figure) -> str:
    """Return an interval short enough for a matrix: a bound by boards alone."""
    return figure.interval().split("; ")[0]
