"""A run in words: the answer first, then what it rests on."""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING

from simlink.base.cautions import CAUTIONS
from simlink.base.errors import printable
from simlink.base.wording import percent, short_time
from simlink.figures.cycle import Cycle
from simlink.figures.summary import Figure
from simlink.pictures.text import WIDTH, columns, wrapped

if TYPE_CHECKING:
    from simlink.running.run import Run

_BAR = 52
#: What the pieces of a bar are drawn with, in their order.
_FILLS = "#=+%"
_SPARE, _OVER = ".", "!"

_NAMES = {
    "triggers": "triggers sent",
    "delivered": "words delivered",
    "missed_trigger": "missed trigger",
    "corrupted_flagged": "wrong bits, flagged",
    "corrupted_silent": "wrong bits, silent",
    "not_received": "never received",
    "in_flight": "in flight at the end",
    "timed_out": "timed out",
    "short_acquisition": "short acquisition",
    "units_missed_trigger": "units with a missed trigger",
    "units_overrun": "units with an overrun",
    "units_underrun": "units with an underrun",
    "units_corrupted": "units with wrong bits",
    "units_failing": "units with a word undelivered",
    "latency_release_median": "latency to release, median",
    "latency_release_p99": "latency to release, 99 %",
    "latency_release_p999": "latency to release, 99.9 %",
    "latency_release_largest_seen": "latency to release, largest seen",
    "latency_read_median": "latency to last bit, median",
    "latency_read_p99": "latency to last bit, 99 %",
    "latency_read_p999": "latency to last bit, 99.9 %",
    "latency_read_largest_seen": "latency to last bit, largest seen",
    "throughput_offered": "throughput, offered",
    "throughput_delivered": "throughput, delivered",
    "fifo_occupancy_max": "FIFO slots taken, most seen",
    "host_busy_share": "host busy, share of time",
    "sampling_jitter_rms": "sampling instant, rms jitter",
}
# Losses that everyone looks for; the others have a line only where they happened.
_ALWAYS = {
    "triggers",
    "delivered",
    "missed_trigger",
    "overrun",
    "underrun",
    "corrupted_silent",
    "units_failing",
}


def table(run: Run) -> str:
    """Return a run as text for a terminal.

    Parameters
    ----------
    run : Run
        A finished run.

    Returns
    -------
    str
        Title, verdict and limit; the bars of the trigger period; the figures; what was assumed;
        notes; the cautions. It ends with a line break.
    """
    parts = [_head(run), bars(run.cycles), figures(dict(run.figures))]
    assumed = [(f"{one.key} = {_value(one.value)}", one.why) for one in run.scenario.assumed]
    if assumed:
        parts.append("assumed, because the scenario does not say:\n" + columns(assumed))
    notes = run.scenario.notes
    if notes:
        parts.append("notes:\n" + "\n".join(wrapped(note, "  - ", "    ") for note in notes))
    parts.append(wrapped(f"Cautions: {CAUTIONS}"))
    return "\n\n".join(parts) + "\n"


def _head(run: Run) -> str:
    scenario = run.scenario
    engine = run.engine + (f" ({run.why})" if run.why else "")
    size = f"{_many(scenario.trials, 'unit')} of {_many(scenario.conversions, 'conversion')}"
    lines = [printable(scenario.title or scenario.name)]
    lines += [wrapped(run.verdict.sentence), wrapped(run.verdict.because)]
    lines.append(wrapped(f"Engine {engine}, seed {scenario.seed}, {size}."))
    if run.interrupted:
        said = f"Interrupted: the figures are those of the {size} that were finished."
        lines.append(wrapped(said))
    return "\n".join(lines)


def _many(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def bars(found: list[Cycle]) -> str:
    """Return the trigger period as text, one bar a side and its key below.

    Parameters
    ----------
    found : list of Cycle
        What each side does for a frame.

    Returns
    -------
    str
        All bars have one scale. What is left of a side's time is dotted; what does not fit is
        drawn with exclamation marks past a bar.
    """
    longest = max(max(cycle.mean, cycle.period or Fraction(0)) for cycle in found)
    lines = ["one frame on each side, on average:"]
    side = max(len(cycle.side) for cycle in found)
    for cycle in found:
        drawn, key = _bar(cycle, longest)
        lines.append(f"  {cycle.side:<{side}}  {drawn}")
        lines += [f"  {'':<{side}}  {line}" for line in _packed(key, WIDTH - side - 4)]
    return "\n".join(lines)


def _packed(parts: list[str], width: int) -> list[str]:
    """Return lines with as many parts in each as fit, none of them broken."""
    lines: list[str] = []
    for part in parts:
        if lines and len(lines[-1]) + 2 + len(part) <= width:
            lines[-1] += "  " + part
        else:
            lines.append(part)
    return lines


def _bar(cycle: Cycle, longest: Fraction) -> tuple[str, list[str]]:
    """Return a bar, and what each of its fills means."""

    def column(time: Fraction) -> int:
        return round(_BAR * time / longest)

    drawn, key, at = "", [], Fraction(0)
    for fill, piece in zip(_FILLS, cycle.pieces, strict=False):
        at += piece.mean
        # A piece too short for the scale still gets a mark.
        drawn = drawn.ljust(max(column(at), len(drawn) + (piece.mean > 0)), fill)
        key.append(f"{fill} {piece.name} {short_time(piece.mean)}")
    if cycle.period is None:
        return drawn, key
    slack = cycle.slack
    assert slack is not None
    end = column(cycle.period)
    if slack < 0:
        end = min(end, len(drawn) - 1)
        drawn = drawn[:end] + "|" + _OVER * (len(drawn) - end)
        key.append(f"{_OVER} too long by {short_time(-slack)}")
    else:
        drawn = drawn[: max(end, 1)].ljust(end, _SPARE) + "|"
        key.append(
            f"{_SPARE} to spare {short_time(slack)} ({percent(float(slack / cycle.period))})"
        )
    return drawn, key


def figures(found: dict[str, Figure]) -> str:
    """Return figures as a table: name in words, value, interval, count of how many.

    Parameters
    ----------
    found : dict of str to Figure
        The figures of a run.
    """
    rows = [("figure", "value", _confidence(found), "count of")]
    unseen = []
    for name, figure in found.items():
        said = _NAMES.get(name, name.replace("_", " "))
        if figure.unit == "1" and figure.count == 0 and name not in _ALWAYS:
            if not name.startswith("units_"):
                unseen.append(said)
            continue
        rows.append((said, figure.text(), figure.interval(), _count(figure)))
    lines = [columns(rows)]
    if unseen:
        lines.append(wrapped("none seen: " + "; ".join(unseen), "  ", "    "))
    return "\n".join(lines)


def _confidence(found: dict[str, Figure]) -> str:
    given = [figure.confidence for figure in found.values() if figure.confidence is not None]
    return f"{percent(given[0])} interval" if given else "interval"


def _count(figure: Figure) -> str:
    if figure.count is None or figure.unit == "triggers":
        return ""
    return str(figure.count) if figure.of is None else f"{figure.count} of {figure.of}"


def _value(value: object) -> str:
    from simlink.scenario.faults import written

    return value if isinstance(value, str) else written(value)
