"""What transients did to one conversion, in sentences."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

import numpy as np

from simlink.base.instants import FAR, NEVER
from simlink.base.wording import many, slew_text, time_text
from simlink.engines.event.wiring import watched
from simlink.figures.flags import read_ends_of, watched_until
from simlink.link.fault_line import has_line, highs, is_flagged
from simlink.link.transient import WAYS, Upsets, least_immunity, upsets
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
    hits = _hits(facts)
    for way in WAYS:
        steps += _windows(facts, way)
    if hits:
        channels = dict.fromkeys(channel for channel, _ in hits)
        counted = (
            f"{many(sum(one == channel for one, _ in hits), 'symbol')} on {channel}"
            for channel in channels
        )
        steps.append(f"Hit on its way: {', '.join(counted)}.")
    else:
        steps.append("None of its own symbols was hit: what an earlier one lost came to it.")
    if facts.row["wrong_bits"]:
        steps.append(f"The host read {many(int(facts.row['wrong_bits']), 'wrong bit')}.")
    steps += repeated(facts)
    steps += _told(facts)

    def saved(row: object) -> bool:
        return bool(row["fate"] == without["fate"])  # type: ignore[index]

    tries = tuple(immunities(scenario))
    return Story(steps, index, tries=tries, saved=saved, what="is not harmed")


def _told(facts: Facts) -> Iterator[str]:
    """Say what the fault line did, if there is one, and whether anybody told the host."""
    if has_line(facts.scenario):
        row = facts.rows
        ends = np.maximum(row["read_end"], row["void_read"])
        last = int(max(row["trigger"].max(), row["release"].max(), ends.max()))
        scenario = facts.scenario
        reads = read_ends_of(scenario, facts.block)
        left, until = int(facts.row["trigger"]), int(watched_until(ends, last)[facts.conversion])
        high = highs(scenario, facts.trial, reads, until).stretches
        found = [(start, end) for start, end in high if is_flagged(left, until, start, end)]
        read = ends[facts.conversion] != NEVER
        by = "the end of its read" if read else "the next read of a frame"
        if found:
            yield f"The fault line was high at the host {spans(found)}."
        else:
            yield f"The fault line was not high at the host from its trigger to {by}."
    told = facts.view["told"][facts.conversion]
    yield "The host was told that something was wrong." if told else "Nobody told the host."


def spans(found: Sequence[tuple[int, int]]) -> str:
    """Return some stretches in words, the first of them one by one."""
    said = ", ".join(
        f"from {time_text(start)} " + ("on" if end >= FAR else f"to {time_text(end)}")
        for start, end in found[:_MOST]
    )
    more = f", and {many(len(found) - _MOST, 'more time')}" if len(found) > _MOST else ""
    return f"{said}{more}"


def immunities(scenario: Scenario) -> Iterator[Try]:
    """Give the slew immunity, above every slew."""
    immunity = min(least_immunity(scenario, way) for way in WAYS)
    values = {
        "barrier.slew_immunity": SLEW.most_text,
        "barrier.forward.slew_immunity": None,
        "barrier.return.slew_immunity": None,
    }
    name = f"the slew immunity ({slew_text(immunity)})"
    yield "barrier.slew_immunity", values, name, "with one above every slew"


def _hits(facts: Facts) -> list[tuple[str, int]]:
    """Return the channel and the number of each symbol of the conversion that was hit."""
    most = min(facts.conversion + 2, facts.scenario.conversions)
    scenario = facts.scenario.with_(conversions=most)
    _, seen = watched(scenario, facts.trial)
    return [
        (one.channel, one.symbol) for one in seen if one.hit and one.conversion == facts.conversion
    ]


def _windows(facts: Facts, way: str) -> list[str]:
    """Say when the channels of a direction were upset while the conversion was on its way."""
    row = facts.row
    left = int(row["trigger"])
    known = [int(row[name]) for name in ("ready", "release", "read_end") if row[name] != NEVER]
    until = max([left + _longest(facts), *known])
    starts, ends = Upsets(facts.scenario, facts.trial).windows(
        "forward" if way == "forward" else "return", until
    )
    found = [
        (start, end)
        for start, end in zip(starts, ends, strict=True)
        if start < until and end > left
    ]
    if not found:
        return []
    return [f"The {way} channels were upset {spans(found)}."]


def _longest(facts: Facts) -> int:
    """Return how long a trigger may be on its way at the most, as far as is known, in fs."""
    way = facts.scenario.barrier.direction("forward")
    high = way.delay.support[1] + way.part_to_part_skew.support[1]
    return int(min(high, 10**12))
