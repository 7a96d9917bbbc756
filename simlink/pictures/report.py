"""The whole of a run in words: every limit, every figure, all that was assumed, the cautions."""

from __future__ import annotations

import itertools
from fractions import Fraction
from typing import TYPE_CHECKING

from simlink.base.cautions import CAUTIONS
from simlink.base.errors import printable
from simlink.base.wording import many, percent, short_time
from simlink.figures.cycle import Cycle
from simlink.figures.figure import Figure
from simlink.pictures.jitter_line import jitter_line
from simlink.pictures.table import LOSSES, assumed
from simlink.pictures.text import WIDTH, columns, wrapped
from simlink.verdict.limit import Limit, Row
from simlink.verdict.wording import margin_text, value_text

if TYPE_CHECKING:
    from simlink.running.run import Run

_BAR = 52
#: What the pieces of a bar are drawn with, in their order.
_FILLS = "#=+%*o~@&x"
_SPARE, _OVER = ".", "!"

_NAMES = {
    **LOSSES,
    "triggers": "triggers sent",
    "delivered": "words delivered",
    "corrupted_silent": "wrong bits in frame, silent",
    "repeated": "asked for once more",
    "mended": "of those, delivered",
    "in_flight": "in flight at the end",
    "lost_told": "lost, and told",
    "lost_silent": "lost, silent",
    "flagged": "while the fault line was high",
    "silent": "wrong, lost or misaligned, silent",
    "silent_per_hour": "the same, words an hour",
    "damaged_per_event": "wrong, lost or misaligned, words an event",
    "silent_per_event": "and nobody says so, words an event",
    "recovery_frames": "conversions until right again, mean",
    "recovery_frames_largest_seen": "conversions until right again, most seen",
    "boards_missed_trigger": "boards with a missed trigger",
    "boards_overrun": "boards with an overrun",
    "boards_underrun": "boards with an underrun",
    "boards_corrupted": "boards with wrong bits",
    "boards_failing": "boards with a word undelivered",
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
    "boards_failing",
}
#: Said of what is lost or wrong; where nothing is, there is nothing to say.
_OF_HARM = {
    "silent_per_hour",
    "damaged_per_event",
    "silent_per_event",
    "recovery_frames",
    "recovery_frames_largest_seen",
}


def report(run: Run) -> str:
    """Return all that a run says, as text.

    Parameters
    ----------
    run : Run
        A finished run.

    Returns
    -------
    str
        Title, verdict and what is behind it; every limit with how it is known; the bars of the
        trigger period; the figures; what was assumed; notes; the cautions. It ends with a line
        break.
    """
    parts = [_head(run), every_limit(run.verdict.limits)]
    if run.verdict.required:
        parts.append(requirements(run.verdict.required))
    parts.append(bars(run.cycles))
    parts.append(figures(dict(run.figures)))
    if line := jitter_line(run):
        parts.append(wrapped(f"SNR that the sampling jitter leaves, at the most: {line}"))
    defaults = [(assumed(one), one.why) for one in run.scenario.assumed]
    if defaults:
        parts.append("assumed, because the scenario does not say:\n" + columns(defaults))
    notes = run.scenario.notes
    if notes:
        parts.append("notes:\n" + "\n".join(wrapped(note, "  - ", "    ") for note in notes))
    parts.append(wrapped(f"Cautions: {CAUTIONS}"))
    return "\n\n".join(parts) + "\n"


def _head(run: Run) -> str:
    scenario, verdict = run.scenario, run.verdict
    engine = run.engine + (f" ({run.why})" if run.why else "")
    size = f"{many(scenario.trials, 'board')} of {many(scenario.conversions, 'conversion')}"
    lines = [printable(scenario.title or scenario.name)]
    lines += [wrapped(verdict.sentence), wrapped(verdict.because)]
    lines += [wrapped(one.text, "  - ", "    ") for one in verdict.causes]
    lines += [wrapped(f"Cure: {one.text}", "  - ", "    ") for one in verdict.remedies]
    lines.append(wrapped(f"Engine {engine}, seed {scenario.seed}, {size}."))
    if run.interrupted:
        said = f"Interrupted: the figures are those of the {size} that were finished."
        lines.append(wrapped(said))
    return "\n".join(line for line in lines if line)


def requirements(found: tuple[Row, ...]) -> str:
    """Return every requirement: whether it is met, and below how that is known."""
    lines = ["required:"]
    for one in found:
        lines.append(wrapped(f"{one.key} {one.asked}: {one.met.value}", "  ", "    "))
        lines.append(wrapped(one.evidence, "      ", "      "))
    return "\n".join(lines)


def every_limit(found: tuple[Limit, ...]) -> str:
    """Return every limit: its name and margin, and below how that is known and what it rests on."""
    lines = ["limits:"]
    for one in found:
        limit, worst = value_text(one.limit, one.unit), value_text(one.worst, one.unit)
        numbers = f": {margin_text(one)}, {worst} of {limit}" if one.margin is not None else ""
        if one.is_floor:
            numbers = f": {margin_text(one)}, {worst} where {limit} is needed"
        elif one.margin is None and one.worst is not None and one.limit is not None:
            numbers = f": {worst} of {limit}"
        lines.append(wrapped(f"{one.what}{numbers}", "  ", "    "))
        lines.append(wrapped(f"{one.known.value}: {one.evidence}", "      ", "      "))
        if one.keys:
            lines.append(wrapped(f"rests on {', '.join(one.keys)}", "      ", "      "))
    return "\n".join(lines)


def bars(found: list[Cycle]) -> str:
    """Return the trigger period as text, one bar a side and its key below.

    All bars have one scale. What is left of a side's time is dotted; what does not fit is drawn
    with exclamation marks past a bar.
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
    for fill, piece in zip(itertools.cycle(_FILLS), cycle.pieces, strict=False):
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
        over = f" ({percent(float(-slack / cycle.period))})" if cycle.period else ""
        key.append(f"{_OVER} over by {short_time(-slack)}{over}")
    else:
        drawn = drawn[: max(end, 1)].ljust(end, _SPARE) + "|"
        key.append(f"{_SPARE} margin {short_time(slack)} ({percent(float(slack / cycle.period))})")
    return drawn, key


def figures(found: dict[str, Figure]) -> str:
    """Return the figures of a run as a table: name in words, value, interval, count of how many."""
    given = [figure.confidence for figure in found.values() if figure.confidence is not None]
    confidence = f"{percent(given[0])} interval" if given else "interval"
    rows = [("figure", "value", confidence, "count of")]
    unseen = []
    for name, figure in found.items():
        said = _NAMES.get(name, name.replace("_", " "))
        if name in _OF_HARM and figure.count == 0:
            continue
        if figure.unit == "1" and figure.count == 0 and name not in _ALWAYS:
            unseen.append(said)
        else:
            rows.append((said, figure.text(), figure.interval(), _count(figure)))
    lines = [columns(rows)]
    if unseen:
        lines.append(wrapped("none seen: " + "; ".join(unseen), "  ", "    "))
    return "\n".join(lines)


def _count(figure: Figure) -> str:
    if figure.count is None or figure.unit == "triggers":
        return ""
    return str(figure.count) if figure.of is None else f"{figure.count} of {figure.of}"
