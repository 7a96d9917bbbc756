"""What transients did to one conversion, in sentences."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Sequence

import numpy as np
import numpy.typing as npt

from simlink.base.instants import FAR, NEVER
from simlink.base.wording import many, slew_text, time_text
from simlink.engines.event.frame import Made
from simlink.engines.event.wiring import watched
from simlink.figures.flags import read_ends_of, watched_until
from simlink.link.fault_line import has_line, highs, is_flagged
from simlink.link.transient import WAYS, Upsets, Way, least_immunity, upsets
from simlink.records import Fate
from simlink.scenario.quantities import SLEW
from simlink.scenario.schema import Scenario
from simlink.tracing.culprit import Try, rows_with
from simlink.tracing.facts import Facts
from simlink.tracing.repeat_told import repeated
from simlink.tracing.story import Story

#: Windows that are told one by one at the most.
_MOST = 3


def upset(facts: Facts) -> Story | None:
    """Return the story of a conversion that transients harmed; None if they did not.

    They did if, with the same draws and no transient, it meets another fate.
    """
    scenario, index = facts.scenario, facts.conversion
    if not upsets(scenario):
        return None
    without = rows_with(facts, {"transient": None})
    if without is None or without["fate"] == facts.row["fate"]:
        return None
    steps = [f"Conversion {index} of board {facts.trial} was harmed by common-mode edges."]
    hits, made = _hits(facts)
    for way in WAYS:
        steps += _windows(facts, way)
    undriven = list(_undriven(facts, made))
    if hits:
        each = Counter(hits).items()
        counted = (f"{many(number, 'symbol')} on {channel}" for channel, number in each)
        steps.append(f"Hit on its way: {', '.join(counted)}.")
    elif undriven:
        steps.append("None of its own symbols was hit.")
    else:
        steps.append("None of its own symbols was hit: what an earlier one lost came to it.")
    steps += undriven
    if facts.row["wrong_bits"]:
        steps.append(f"The host read {many(int(facts.row['wrong_bits']), 'wrong bit')}.")
    steps += repeated(facts)
    steps += _line(facts)

    def saved(row: object) -> bool:
        return bool(row["fate"] == without["fate"])  # type: ignore[index]

    tries = tuple(immunities(scenario))
    return Story(steps, index, tries=tries, saved=saved, what="is not harmed")


def _line(facts: Facts) -> Iterator[str]:
    """Say what the fault line did, if there is one."""
    if has_line(facts.scenario):
        left = int(facts.row["trigger"])
        ends, until = _watched(facts)
        reads = read_ends_of(facts.scenario, facts.block)
        high = highs(facts.scenario, facts.trial, reads, until).stretches
        found = [(start, end) for start, end in high if is_flagged(left, until, start, end)]
        read = ends[facts.conversion] != NEVER
        by = "the end of its read" if read else "the next read of a frame"
        if found:
            yield f"The fault line was high at the host {spans(found)}."
        else:
            yield f"The fault line was not high at the host from its trigger to {by}."


def _watched(facts: Facts) -> tuple[npt.NDArray[np.int64], int]:
    """Return when each conversion was read, and until when this one is watched, in fs."""
    row = facts.rows
    ends = np.maximum(row["read_end"], row["void_read"])
    last = int(max(row["trigger"].max(), row["release"].max(), ends.max()))
    return ends, int(watched_until(ends, last)[facts.conversion])


def spans(found: Sequence[tuple[int, int]]) -> str:
    """Return some stretches in words, the first of them one by one."""
    said = ", ".join(
        f"from {time_text(start)} " + ("on" if end >= FAR else f"to {time_text(end)}")
        for start, end in found[:_MOST]
    )
    more = f", and {many(len(found) - _MOST, 'more time')}" if len(found) > _MOST else ""
    return f"{said}{more}"


def immunities(scenario: Scenario) -> Iterator[Try]:
    """Give what would spare it: no false edges, and an immunity above every slew."""
    if chance := scenario.barrier.false_edge:
        name = f"the chance that an upset makes an edge where there is none ({chance:g})"
        yield "barrier.false_edge", {"barrier.false_edge": 0}, name, "with none made"
    immunity = min(least_immunity(scenario, way) for way in WAYS)
    values = {
        "barrier.slew_immunity": SLEW.most_text,
        "barrier.forward.slew_immunity": None,
        "barrier.return.slew_immunity": None,
    }
    name = f"the slew immunity ({slew_text(immunity)})"
    yield "barrier.slew_immunity", values, name, "with one above every slew"


def _undriven(facts: Facts, made: Sequence[Made]) -> Iterator[str]:
    """Say which edges came that no part drove, if without them it meets another fate."""
    # One that has not been read may be overwritten, or kept out, up to the next read.
    until = max(_until(facts), _watched(facts)[1])
    found = [one for one in made if one.acted and one.time < until]
    if not found:
        return
    without = rows_with(facts, {"barrier.false_edge": 0})
    if without is None or without["fate"] == facts.row["fate"]:
        return
    last = ", ".join(f"on {one.channel} at {time_text(one.time)}" for one in found[-_MOST:])
    many_more = f", of {len(found)} up to then the last" if len(found) > _MOST else ""
    fate = Fate(int(without["fate"])).said
    yield (
        f"Edges that no part drove came {last}{many_more}; without such edges its fate is {fate}."
    )


def _hits(facts: Facts) -> tuple[list[str], list[Made]]:
    """Return the channel of each of its symbols that was hit, and all edges that windows made."""
    most = min(facts.conversion + 2, facts.scenario.conversions)
    scenario = facts.scenario.with_(conversions=most)
    made: list[Made] = []
    _, seen = watched(scenario, facts.trial, made)
    made.sort(key=lambda one: (one.time, one.channel))
    hits = [one.channel for one in seen if one.hit and one.conversion == facts.conversion]
    return hits, made


def _windows(facts: Facts, way: Way) -> list[str]:
    """Say when the channels of a direction were upset while the conversion was on its way."""
    left, until = int(facts.row["trigger"]), _until(facts)
    windows = zip(*Upsets(facts.scenario, facts.trial).windows(way, until), strict=True)
    found = [(start, end) for start, end in windows if start < until and end > left]
    return [f"The {way} channels were upset {spans(found)}."] if found else []


def _until(facts: Facts) -> int:
    """Return when the conversion is over, as far as is known, in fs."""
    row, way = facts.row, facts.scenario.barrier.direction("forward")
    known = [int(row[name]) for name in ("ready", "release", "read_end") if row[name] != NEVER]
    # How long a trigger is on its way at the most.
    longest = int(min(way.delay.support[1] + way.part_to_part_skew.support[1], 10**12))
    return max([int(row["trigger"]) + longest, *known])
