"""Stories of the FIFO and its host: how a backlog grew, and what had to wait for it."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from itertools import pairwise

from simlink.base.instants import FS_PER_SECOND, NEVER
from simlink.base.wording import many, short_time, time_text
from simlink.figures.cycle import periods
from simlink.link.repeat import repeats
from simlink.link.transient import upsets
from simlink.records import Fate
from simlink.scenario.schema import Scenario
from simlink.tracing.culprit import Try, at_best, at_mean, spaced, spared
from simlink.tracing.facts import Facts, Service
from simlink.tracing.repeat_told import repeated, was_asked
from simlink.tracing.story import Story, at, compared, conversions
from simlink.tracing.upset_told import immunities
from simlink.verdict.cause import named

LATENCY = "host.service_latency"


def overrun(facts: Facts) -> Story:
    """Tell of a frame that found no slot, or lost the one it had."""
    if not facts.remote:
        return _overwritten(facts)
    index, depth = facts.conversion, facts.scenario.fifo.depth
    instant = facts.when("fifo.overrun")
    assert instant is not None
    last = index
    if facts.row["arrival"] == NEVER:
        how = f"its first bit reached the FIFO {at(instant)}, and"
    else:
        came = (facts.rows["arrival"] == instant).nonzero()[0]
        last = int(came[0]) if came.size else index
        how = (
            f"the first bit of conversion {last} reached the FIFO {at(instant)} and took the slot "
            "of the oldest whole frame that no service had claimed, for"
        )
    taken = f"all {depth} slots were taken" if depth > 1 else "the only slot was taken"
    if facts.row["arrival"] == NEVER:
        taken += _by_whom(facts, instant)
    said = f"{_named(facts)} was lost by overrun: {how} {taken}."
    story = filled(facts, instant, last)
    story.steps.insert(0, said)
    story.until = last
    story.saved = spared(Fate.OVERRUN, Fate.MISSED_TRIGGER, Fate.NOT_RECEIVED)
    story.what = "finds a slot"
    freed = facts.next_freed(instant)
    if freed is not None:
        late = short_time(freed - instant)
        story.steps.append(f"The next slot was freed {at(freed)}, {late} too late.")
        story.margin = instant - freed
    elif len(facts.rows) == facts.scenario.conversions:
        story.steps.append("No slot was freed after that.")
    return story


def _named(facts: Facts) -> str:
    return f"Conversion {facts.conversion} of board {facts.trial}"


def _by_whom(facts: Facts, instant: int) -> str:
    """Say which frames held the slots, where it is known and they came in a row."""
    held = facts.held(instant)
    if len(held) != facts.scenario.fifo.depth or held[-1] - held[0] != len(held) - 1:
        return ""
    return f", by {conversions(held[0], held[-1])}"


def filled(facts: Facts, instant: int, last: int) -> Story:
    """Tell how the FIFO came to be full at an instant, in fs.

    ``facts`` are of the conversion that suffered from it; ``last`` had come last by then.
    """
    law, index = facts.scenario.host.service_latency, facts.conversion
    chain = facts.busy_until(instant)
    if not chain:
        return _idle(facts, instant)
    first, now = chain[0], chain[-1]
    longest = max(chain, key=lambda one: one.latency)
    story = Story([], min(longest.frames[0], index))
    if len(chain) == 1:
        story.steps.append(
            f"The host was serving: its service began {at(now.begun)} with conversion "
            f"{now.frames[0]} and took {compared(now.latency, law)} before it read."
        )
    else:
        frames = many(sum(len(one.frames) for one in chain), "frame")
        some = any(one.latency < longest.latency for one in chain)
        whose = f"the longest, of conversion {longest.frames[0]}," if some else "each"
        each = f"{whose} with a latency of {compared(longest.latency, law)}"
        story.steps.append(
            f"The host had been serving without a pause since {time_text(first.begun)} "
            f"(conversion {first.frames[0]}): {many(len(chain), 'service')} for {frames}, {each}."
        )
    story.steps += _growth(facts, first, instant, last)
    story.steps += _too_slow(facts)
    story.tries = _behind_backlog(facts, chain, last)
    return story


def _growth(facts: Facts, first: Service, instant: int, last: int) -> list[str]:
    """Say how the backlog grew over which conversions."""
    rows, begin = facts.rows, first.frames[0]
    came = last - begin
    if came <= 0:
        return []
    took = int(rows["trigger"][last] - rows["trigger"][begin])
    ends, fates = rows["read_end"], rows["fate"][begin + 1 : last]
    read = int(((ends > first.begun) & (ends <= instant)).sum())
    missed = int((fates == Fate.MISSED_TRIGGER).sum())
    found = int(rows["occupancy_at_arrival"][begin])
    apart = f", {short_time(took // came)} apart on average" if came > 1 else ""
    less = f" ({missed} of them missed)" if missed else ""
    was = "was" if read == 1 else "were"
    said = (
        f"Conversion {begin} found {many(found, 'slot')} taken. In the {short_time(took)} after "
        f"its trigger {many(came, 'more trigger')} left{apart}{less}; by {time_text(instant)} "
        f"{many(read, 'frame')} {was} read out."
    )
    return [said]


def _too_slow(facts: Facts) -> list[str]:
    """Say that the host is too slow on average, where it is."""
    scenario = facts.scenario
    host, (_, average) = scenario.host, periods(scenario)
    missed = bool((facts.rows["fate"] == Fate.MISSED_TRIGGER).any())
    if average is None or host.interrupt == "edge" or missed:
        return []
    latency = Fraction(0 if host.drain else host.service_latency.mean) / host.watermark
    each = scenario.bits_per_lane * FS_PER_SECOND / host.clock.value + latency
    if each <= average:
        return []
    return [
        f"On average the host takes {short_time(each)} for a frame, and triggers come every "
        f"{short_time(average)}: it cannot catch up."
    ]


def _idle(facts: Facts, instant: int) -> Story:
    """Tell of a FIFO that is full while the host does nothing."""
    host = facts.scenario.host
    waiting = facts.waiting(instant)
    story = Story([], min(waiting, default=facts.conversion))
    key = "fifo_depth"
    # Of frames that are discarded later, the records do not say whether they waited still.
    known = facts.scenario.fifo.when_full != "drop_old"
    frames = many(len(waiting), "released frame") if known else "released frames"
    if len(waiting) >= host.watermark and host.interrupt == "edge":
        story.steps.append(
            f"The host was idle, though {frames} waited: it is told of falling edges of busy only, "
            "and had seen none since its last service began."
        )
        key = "interrupt"
    elif host.watermark > 1 and known:
        story.steps.append(
            f"The host was idle: {frames} waited, and it begins with {host.watermark}."
        )
    elif known and not waiting:
        story.steps.append("The host was idle: no frame that could be read had been released.")
    else:
        story.steps.append("The host was idle.")
    cures = at_best(facts.scenario, key, "fifo.sync_delay")
    story.tries = (*cures, *at_best(facts.scenario, "fifo_depth"))
    return story


def _behind_backlog(facts: Facts, chain: list[Service], last: int) -> Iterator[Try]:
    """Give what may be behind a backlog, what was out of the ordinary first."""
    scenario = facts.scenario
    law, begin = scenario.host.service_latency, chain[0].frames[0]
    longer = sum(one.latency - law.mean for one in chain)
    _, average = periods(scenario)
    sooner = 0.0
    if average is not None:
        sent = facts.rows["trigger"]
        sooner = float((last - begin) * average) - float(sent[last] - sent[begin])
    ways = [at_mean(scenario, LATENCY), spaced(scenario)]
    if sooner > longer:
        ways.reverse()
    for way in ways:
        yield from way
    yield from at_mean(scenario, "fifo.sync_delay", "trigger.jitter")
    yield from at_best(scenario, "fifo_depth")


def _overwritten(facts: Facts) -> Story:
    """Tell of a frame that the next conversion took the place of, before it was read."""
    scenario, row = facts.scenario, facts.row
    instant = facts.when("remote.lost")
    assert instant is not None
    said = (
        f"{_named(facts)} was lost by overrun: the converter holds one frame, and the next "
        f"conversion began {at(instant)}, before the host's clock came for this one."
    )
    story = Story([said], facts.conversion)
    if row["release"] != NEVER:
        story.steps.append(f"Busy had fallen at the host {at(int(row['release']))}.")
    law = scenario.host.service_latency
    chain = facts.busy_until(instant)
    if row["read_start"] != NEVER and row["service"] != NEVER:
        took = int(row["read_start"] - row["service"])
        story.steps.append(
            f"Its service began {at(int(row['service']))} and took {compared(took, law)}: the "
            f"clock started {at(int(row['read_start']))}, "
            f"{short_time(int(row['read_start']) - instant)} too late."
        )
        story.margin = instant - int(row["read_start"])
    elif chain and chain[-1].start <= instant:
        now = chain[-1]
        story.steps.append(
            f"The host was serving conversion {now.frames[0]} since {time_text(now.begun)}, with "
            f"a latency of {compared(now.latency, law)}."
        )
        story.since = min(story.since, now.frames[0])
    elif (waited := _in_latency(facts, chain, instant)) is not None:
        begun, over = waited
        story.steps.append(
            f"A service had begun {at(begun)}, and its latency took {compared(over - begun, law)}: "
            f"it was over {at(over)}, {short_time(over - instant)} too late."
        )
        story.margin = instant - over
    keys = (LATENCY, "host.clock", "converter.conversion_time", "fifo.sync_delay")
    story.saved, story.what = spared(Fate.OVERRUN, Fate.MISSED_TRIGGER), "is read"
    story.tries = (
        *at_mean(scenario, LATENCY, "converter.conversion_time", "trigger.jitter"),
        *at_best(scenario, "period", *keys),
    )
    return story


def _in_latency(facts: Facts, chain: list[Service], instant: int) -> tuple[int, int] | None:
    """Return when the latency of the service at an instant began, and when it is over, in fs.

    None if no service waits then. ``chain`` is the services up to then, as far as records have
    them: of one that finds nothing to read there is none.
    """
    if chain:
        return chain[-1].begun, chain[-1].start
    changes = [one for one in facts.trace.changes if one.signal in ("host.service", "host.read")]
    for before, after in pairwise(changes):
        begins = before.signal == "host.service" and before.value == 1
        if begins and before.time <= instant < after.time:
            return before.time, after.time
    return None


def held_back(facts: Facts, index: int) -> int | None:
    """Return until when the remote master was held back by a full FIFO, in fs; None if not."""
    edges = facts.changes("remote.clock", index)
    if not facts.remote or not edges:
        return None
    start = edges[0].time - int(facts.unit.rising[0, 0])
    came = [one.time for one in facts.trace.changes if one.signal == "remote.credit"]
    stalls = facts.scenario.fifo.when_full == "stall"
    return start if stalls and start in came else None


def told_held(until: int) -> str:
    """Say until when the remote master was held back."""
    return (
        f"The remote master had been held back until {time_text(until)}: the FIFO was full, and "
        "no credit had come to start with."
    )


def underrun(facts: Facts) -> Story:
    """Tell of a bit that was taken before it was there."""
    scenario, row, rows = facts.scenario, facts.row, facts.rows
    # Of a frame that was asked for once more, in its second read.
    since = int(row["request"])
    taken = next(
        one for one in facts.changes("host.capture") if one.why == "missing" and one.time > since
    )
    assert taken.bit is not None
    pushed = next(
        one.time
        for one in facts.changes("fifo.push")
        if (one.lane, one.bit) == (taken.lane, taken.bit) and one.time > since
    )
    lane = f" of lane {taken.lane}" if scenario.frame.lanes > 1 else ""
    late = pushed - taken.time
    said = (
        f"{_named(facts)} was read too early: the host took bit {taken.bit}{lane} "
        f"{at(taken.time)}, and it came into the FIFO {at(pushed)}, {short_time(late)} later."
    )
    story = Story([said], facts.conversion, -late)
    bits = scenario.bits_per_lane
    story.steps.append(
        f"The frame was released {at(int(row['release']))}, {scenario.fifo.release_bits} of {bits} "
        f"bits being in, and its read started {at(int(row['read_start']))}."
    )
    law = scenario.host.service_latency
    if was_asked(facts):
        story.steps += repeated(facts)[:1]
    elif row["service"] != NEVER:
        took = int(row["read_start"] - row["service"])
        story.steps.append(f"Its service took {compared(took, law)} before that read.")
    else:
        ahead = rows["read_end"] == row["read_start"]
        after = [int(i) for i in ahead.nonzero()[0]]
        wake = f" in the wake of conversion {after[0]}" if after else ""
        story.steps.append(f"It was read{wake}, with no latency of its own.")
        story.since = min([facts.conversion, *after])
    story.saved = spared(Fate.UNDERRUN, Fate.OVERRUN, Fate.MISSED_TRIGGER)
    story.what = "is read once all of it is there"
    story.tries = (
        *at_mean(scenario, "barrier.return.jitter"),
        *at_best(scenario, "early_read", LATENCY, "barrier.return.jitter", "host.clock"),
    )
    return story


def in_flight(facts: Facts) -> Story:
    """Tell of a frame that still waits at the end."""
    scenario, row = facts.scenario, facts.row
    story = Story([f"{_named(facts)} was still waiting as the trial ended."], facts.conversion)
    if row["release"] == NEVER:
        story.steps.append("It had not been released.")
    else:
        story.steps.append(f"It was released {at(int(row['release']))}, and no service read it.")
    if scenario.host.watermark > 1:
        story.steps.append(f"A service begins with {scenario.host.watermark} frames.")
    story.saved, story.what = lambda one: bool(one["read_end"] != NEVER), "is read"
    story.tries = (*at_best(scenario, "interrupt"), *at_best(scenario, "host_rate"))
    return story


def _at_once(scenario: Scenario) -> Iterator[Try]:
    """Give a host that does not wait for more frames than one."""
    name = named(scenario, "host.watermark")
    yield "host.watermark", {"host.watermark": 1}, name, "with a watermark of 1"


def _waits(facts: Facts, served: Service, release: int) -> tuple[int, int, list[str]]:
    """Return how long a released frame waited behind others and for more of them, in fs.

    And in words what it waited for, up to the begin of its service; or, of a frame that a service
    came to read only after it had begun, up to its read.
    """
    host, rows = facts.scenario.host, facts.rows
    if release > served.begun:
        start = int(facts.row["read_start"])
        wait = start - release
        return wait, 0, [f"{short_time(wait)} of waiting for the host"] if wait > 0 else []
    ahead = [one.end for one in facts.services if one.begun < served.begun]
    idle = min(max(release, *ahead), served.begun) if ahead else release
    behind = idle - release
    first = list(served.frames[: host.watermark])
    full = min(max(int(rows["release"][first].max()), idle), served.begun)
    complete, rest = full - idle, served.begun - full
    edge = "a falling edge of busy" if host.interrupt == "edge" else "its service to begin"
    named = (
        (behind, "the host"),
        (complete, f"{host.watermark} frames to be released"),
        (rest, edge),
    )
    return (
        behind,
        complete,
        [f"{short_time(one)} of waiting for {what}" for one, what in named if one],
    )


def delivered_at(facts: Facts, late: bool) -> Story:
    """Tell what the time from a trigger to the last bit went on; if late, why it took so long."""
    scenario, row, rows = facts.scenario, facts.row, facts.rows
    begin, end = int(row["trigger"]), int(row["read_end"])
    if end == NEVER:
        said = f"{_named(facts)} was never read; it was released {at(int(row['release']))}."
        return Story([said], facts.conversion, what="")
    ended = "the host was done with it" if was_asked(facts) else "its last bit was read"
    said = (
        f"{_named(facts)} was triggered {at(begin)}, and {ended} {at(end)}, "
        f"{short_time(end - begin)} later."
    )
    story = Story([said], facts.conversion, what="")
    release, start = int(row["release"]), int(row["read_start"])
    parts = [f"{short_time(release - begin)} to its release"]
    law = scenario.host.service_latency
    served = next(one for one in facts.services if facts.conversion in one.frames)
    behind, complete, told = _waits(facts, served, release)
    parts += told
    if release <= served.begun:
        parts.append(f"{compared(served.latency, law)} of service latency")
        if start > served.start:
            parts.append(f"{short_time(start - served.start)} of waiting for the frames ahead")
    read_once = int(row["request"]) if was_asked(facts) else end
    parts.append(f"{short_time(read_once - start)} of read")
    if was_asked(facts):
        parts.append(f"{short_time(end - read_once)} of having it sent again")
    story.steps.append(f"It took {', '.join(parts[:-1])} and {parts[-1]}.")
    held = held_back(facts, facts.conversion)
    if held is not None:
        fell = int(row["ready"])
        story.steps += [f"Busy had fallen at the converter {at(fell)}.", told_held(held)]
    if complete > 0:
        last = max(served.frames[: scenario.host.watermark], key=lambda one: rows["release"][one])
        story.steps.append(
            f"A service begins with {scenario.host.watermark} frames: the last of them, of "
            f"conversion {last}, was released {at(int(rows['release'][last]))}."
        )
        story.until = max(last, facts.conversion)
    story.steps += repeated(facts)
    if not late:
        return story
    if behind > 0:
        story.also(filled(facts, release + behind - 1, facts.conversion))
    read = rows["read_end"] != NEVER
    usual = sorted((rows["read_end"] - rows["trigger"])[read].tolist())[int(read.sum() - 1) // 2]
    if read.sum() > 1:
        took = f"took no more than {short_time(usual)}"
        story.steps.append(f"Half of {int(read.sum())} frames of the board {took}.")
    most = (usual + end - begin) // 2
    if usual < end - begin:
        story.what = f"is read within {short_time(most)}"
    story.saved = lambda one: (
        one["read_end"] != NEVER and int(one["read_end"] - one["trigger"]) <= most
    )
    story.tries = (
        *(immunities(scenario) if repeats(scenario) and upsets(scenario) else ()),
        # What took longest is tried first.
        *(_at_once(scenario) if complete > served.latency else ()),
        *at_mean(scenario, LATENCY, "converter.conversion_time", "fifo.sync_delay"),
        *spaced(scenario),
        *at_best(scenario, "host_rate", LATENCY, "converter.conversion_time"),
        *at_best(scenario, "fifo_depth"),
    )
    return story
