"""What happened to one conversion, in sentences: one story for each kind of loss.

All instants are from the start of the trial.
"""

from __future__ import annotations

from simlink.base.instants import NEVER
from simlink.base.wording import short_time
from simlink.figures.cycle import periods
from simlink.records import Fate
from simlink.tracing import captures_told, queue_told
from simlink.tracing.culprit import Try, at_best, at_mean, spaced, spared
from simlink.tracing.facts import Facts
from simlink.tracing.finding import LATEST, TIMED_OUT
from simlink.tracing.story import Story, at, compared
from simlink.tracing.upset_told import upset

#: The rows of a picture of a remote master that is held back.
_STALLED_ROWS = ("remote.trigger", "remote.busy", "remote.credit", "remote.clock", "remote.data[0]",
                 "fifo.push[0]", "fifo.level", "host.trigger", "host.busy", "host.service",
                 "host.read", "host.clock")  # fmt: skip
_HOST_TRIGGERS = ("host.trigger", "host.busy")
CONVERSION, LATENCY = "converter.conversion_time", "host.service_latency"


def story_of(facts: Facts, fate: str) -> Story:
    """Return the story that explains a conversion's fate, ``"timed_out"`` or ``"latest"``."""
    if facts.fate is not Fate.DELIVERED and (told := upset(facts)) is not None:
        return told
    if fate == TIMED_OUT:
        return timed_out(facts)
    if fate == LATEST:
        return queue_told.delivered_at(facts, late=True)
    tell = {
        Fate.OVERRUN: queue_told.overrun,
        Fate.MISSED_TRIGGER: missed,
        Fate.UNDERRUN: queue_told.underrun,
        Fate.CORRUPTED: captures_told.corrupted,
        Fate.DROPPED: captures_told.dropped,
        Fate.IN_FLIGHT: queue_told.in_flight,
        Fate.NOT_RECEIVED: not_received,
    }.get(facts.fate)
    return queue_told.delivered_at(facts, late=False) if tell is None else tell(facts)


def missed(facts: Facts) -> Story:
    """Tell of a trigger that came while the converter was busy, or was being read."""
    index, before = facts.conversion, facts.before
    arrived = facts.when("remote.missed")
    assert arrived is not None
    assert before is not None
    ready = int(facts.rows["ready"][before])
    converting = arrived < ready
    doing = "converting" if converting else "being read out for"
    said = (
        f"Conversion {index} of board {facts.trial} was never made: its trigger reached the "
        f"converter {at(arrived)}, while that was still {doing} conversion {before}."
    )
    story = Story([said], before, saved=spared(Fate.MISSED_TRIGGER), what="is taken")
    if converting:
        began = facts.when("remote.trigger", before)
        assert began is not None
        took = compared(ready - began, facts.scenario.converter.conversion_time)
        story.steps.append(
            f"Conversion {before} began {at(began)} and took {took}: busy fell {at(ready)}, "
            f"{short_time(ready - arrived)} too late."
        )
        story.margin = arrived - ready
    else:
        edges = [one.time for one in facts.changes("remote.clock", before)]
        if edges and edges[-1] >= arrived:
            story.steps.append(
                f"Busy had fallen {at(ready)}; the serial clock ran from its first edge "
                f"{at(edges[0])} to its last {at(edges[-1])}, "
                f"{short_time(edges[-1] - arrived)} too late."
            )
            story.margin = arrived - edges[-1]
        story.steps += _served(facts, before)
    sent = facts.rows["trigger"]
    _, average = periods(facts.scenario)
    if before == index - 1:
        left = int(sent[index] - sent[before])
        apart = f"The two triggers left {short_time(left)} apart"
        if left < 0:
            apart = f"Its trigger left {short_time(-left)} ahead of that one's, though due after it"
        usual = "" if average is None else f"; a period is {short_time(average)} on average"
        story.steps.append(f"{apart}{usual}.")
    story.tries = _of_cycle(facts, converting)
    held = None if converting else queue_told.held_back(facts, before)
    if held is not None:
        story.steps.append(queue_told.told_held(held))
        story.also(queue_told.filled(facts, ready, before))
        # The credit has a row, at the cost of the bits that the host reads.
        story.signals = _STALLED_ROWS
        if facts.scenario.trigger.source == "remote":
            story.signals = tuple(one for one in _STALLED_ROWS if one not in _HOST_TRIGGERS)
    return story


def _served(facts: Facts, before: int) -> list[str]:
    """Say how long the service took, where the host's own clock reads the converter."""
    row = facts.rows[before]
    if facts.remote or row["service"] == NEVER or row["read_start"] == NEVER:
        return []
    took = int(row["read_start"] - row["service"])
    law = facts.scenario.host.service_latency
    return [f"Its service began {at(int(row['service']))} and took {compared(took, law)}."]


def _of_cycle(facts: Facts, converting: bool) -> tuple[Try, ...]:
    """Give what may be behind a converter that is busy for too long."""
    scenario = facts.scenario
    drawn = [CONVERSION]
    keys = [CONVERSION, "trigger.jitter"]
    if not converting and facts.remote:
        drawn.append("remote_clock.start_delay")
        keys += ["remote_clock.start_delay", "remote_clock.frequency"]
    elif not converting:
        drawn += [LATENCY, "fifo.sync_delay"]
        keys += [LATENCY, "fifo.sync_delay", "host.clock"]
    return (
        *spaced(scenario),
        *at_mean(scenario, *drawn, "trigger.jitter"),
        *at_best(scenario, "period", *keys),
        *at_best(scenario, "period", "trigger.rate"),
    )


def timed_out(facts: Facts) -> Story:
    """Tell of a conversion that the host gave up."""
    scenario, row = facts.scenario, facts.row
    left, limit = int(row["trigger"]), scenario.host.timeout
    assert limit is not None
    given_up = left + limit.constant_value
    said = (
        f"The host gave conversion {facts.conversion} of board {facts.trial} up "
        f"{at(given_up)}, {short_time(limit.constant_value)} after its trigger left."
    )
    story = Story(
        [said],
        facts.conversion,
        saved=lambda one: not one["timed_out"] and spared(Fate.MISSED_TRIGGER)(one),
        what="is released in time",
    )
    if row["release"] == NEVER:
        if facts.fate is not Fate.DELIVERED:
            story.also(story_of(facts, facts.fate.word))
        return story
    release = int(row["release"])
    story.margin = given_up - release
    story.steps.append(f"It was released {at(release)}, {short_time(release - given_up)} later.")
    if row["ready"] != NEVER:
        story.steps.append(f"Busy had fallen at the converter {at(int(row['ready']))}.")
    keys = (CONVERSION, "fifo.sync_delay", "remote_clock.start_delay")
    longer = f"{16 * limit.constant_value} fs"
    name = f"the timeout ({short_time(limit.constant_value)})"
    story.tries = (
        *at_mean(scenario, *keys),
        *at_best(scenario, "timeout", *keys),
        ("host.timeout", {"host.timeout": longer}, name, "with one 16 times as long"),
    )
    return story


def not_received(facts: Facts) -> Story:
    """Tell of a conversion whose frame never came."""
    row = facts.row
    story = Story(
        [f"The frame of conversion {facts.conversion} of board {facts.trial} never came."],
        facts.conversion,
        saved=spared(Fate.NOT_RECEIVED, Fate.MISSED_TRIGGER),
        what="is received",
    )
    if row["ready"] != NEVER:
        ready = int(row["ready"])
        story.steps.append(f"Busy fell at the converter {at(ready)}, and it was never clocked out.")
        if facts.remote:
            story.also(queue_told.filled(facts, ready, facts.conversion))
    return story
