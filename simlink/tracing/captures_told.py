"""Stories of bits that were captured wrong: which edge came late, and against which."""

from __future__ import annotations

from collections.abc import Iterator

from simlink.base.instants import FAR
from simlink.base.wording import many, short_time
from simlink.link.content import BitOutcome
from simlink.tracing.culprit import Try, at_best, at_mean
from simlink.tracing.facts import Facts
from simlink.tracing.repeat_told import repeated, was_asked
from simlink.tracing.story import Story, at
from simlink.tracing.trace import Change

_BACK = "barrier.return"
_JITTERS = (f"{_BACK}.jitter", "barrier.forward.jitter")


def corrupted(facts: Facts) -> Story:
    """Tell of the first bit that was captured wrong."""
    family = "remote.capture" if facts.remote else "host.capture"
    wrong = [one for one in facts.changes(family) if one.why not in ("right", "missing")]
    if wrong:
        return _captured(facts, wrong[0])
    return _strobed(facts) if facts.remote else _pulses(facts)


def dropped(facts: Facts) -> Story:
    """Tell of a frame that the host did not use: no transient did it, so that a capture did."""
    story = corrupted(facts)
    if asked := repeated(facts):
        story.steps += [*asked, "The host used no word of it."]
    else:
        story.steps.append("The frame's check failed, and the host used no word of it.")
    return story


def _head(facts: Facts) -> str:
    return f"Conversion {facts.conversion} of board {facts.trial} has a wrong bit"


def _captured(facts: Facts, one: Change) -> Story:
    """Tell of a bit that the clock captured too early or too late."""
    assert one.bit is not None
    lane, side = one.lane or 0, "remote" if facts.remote else "host"
    line = [
        (change.time, change.value)
        for change in facts.trace.changes
        if change.signal == f"{side}.data[{lane}]" and change.conversion == facts.conversion
    ]
    valid = next((time for time, bit in line if bit == one.bit), None)
    later = [time for time, bit in line if bit != one.bit and valid is not None and time > valid]
    until = later[0] if later else None
    setup = int(facts.unit.values[f"{side}_setup"][0])
    hold = int(facts.unit.values[f"{side}_hold"][0])
    where = f"bit {one.bit}" + (f" of lane {lane}" if facts.scenario.frame.lanes > 1 else "")
    who = "the remote master" if facts.remote else "the host"
    story = Story([f"{_head(facts)}: {who} captured {where} {at(one.time)}."], facts.conversion)
    outcome = BitOutcome[one.why.upper()]
    early = outcome is BitOutcome.PREVIOUS or (
        outcome is BitOutcome.METASTABLE and (valid is None or one.time - setup < valid)
    )
    if early:
        if valid is None:
            story.steps.append("That bit was not valid by then.")
        else:
            late = valid + setup - one.time
            needs = f" and had to be valid {short_time(setup)} before that" if setup else ""
            story.steps.append(
                f"The bit became valid {at(valid)}{needs}: {short_time(late)} too late."
            )
            story.margin = -late
        story.tries = _too_early(facts, one.bit)
    else:
        if until is not None:
            short = one.time + hold - until
            needs = f" and had to stay for {short_time(hold)} after that" if hold else ""
            story.steps.append(
                f"The bit was gone {at(until)}{needs}: {short_time(short)} too early."
            )
            story.margin = -short
        story.tries = _too_late(facts)
    return story


def _too_early(facts: Facts, bit: int) -> tuple[Try, ...]:
    scenario = facts.scenario
    limit = "first_bit" if bit == 0 else "setup"
    valid = "converter.msb_valid" if bit == 0 else "converter.data_valid"
    if facts.remote:
        keys = (valid, "remote_clock.setup", "remote_clock.tolerance", "remote_clock.frequency")
        best = at_best(scenario, limit, *keys)
        return (*at_mean(scenario, *keys[:2]), *best, *_capture(facts, "whole"))
    jitters = _JITTERS if limit == "setup" else (_JITTERS[0],)
    ways = [
        f"{_BACK}.{key}"
        for key in ("delay", "part_to_part_skew", "channel_skew", "pulse_width_distortion")
    ]
    if limit == "setup":
        ways += [f"barrier.forward.{key}" for key in ("delay", "part_to_part_skew", "channel_skew")]
    keys = (valid, "host.setup", *jitters, *ways, "host.clock")
    best = at_best(scenario, limit, *keys)
    return (*at_mean(scenario, *jitters, valid), *best, *_capture(facts, "whole"))


def _capture(facts: Facts, choice: str) -> Iterator[Try]:
    """Give another moment of the capture: half or a whole period after the launch."""
    key = f"{'remote_clock' if facts.remote else 'host'}.capture"
    best = "half a period after it" if choice == "half" else "a whole period after it"
    yield key, {key: choice}, "the time from the launch of a bit to its capture", best


def _too_late(facts: Facts) -> tuple[Try, ...]:
    scenario = facts.scenario
    side = "remote_clock" if facts.remote else "host"
    keys = (f"{side}.hold", "converter.data_hold", *_JITTERS, f"{_BACK}.channel_skew")
    best = at_best(scenario, "hold", *keys)
    return (*at_mean(scenario, *_JITTERS), *best, *_capture(facts, "half"))


def _strobed(facts: Facts) -> Story:
    """Tell of a bit that the strobe took too early or too late."""
    lanes, mistaken = range(facts.scenario.frame.lanes), facts.trace.mistaken
    bits = [(bit, lane) for lane in lanes for bit in mistaken.get((facts.conversion, lane), [])]
    # Of a frame that was asked for once more, as it came at first.
    until = int(facts.row["request"]) if was_asked(facts) else FAR
    came = [one for one in facts.changes("fifo.strobe") if one.time < until]
    rises = {one.bit: one.time for one in came if one.value == 1}
    wanted = facts.scenario.bits_per_lane
    keys = tuple(
        f"{_BACK}.{key}"
        for key in ("channel_skew", "jitter", "pulse_width_distortion", "part_to_part_skew")
    )
    tries = (*at_mean(facts.scenario, keys[1]), *at_best(facts.scenario, "strobe_setup", *keys))
    if len(rises) < wanted:
        story = _too_few(facts, len(rises), "the strobe", f"{_BACK}.min_pulse")
        story.signals = _strobed_rows(0)
        return story
    if not bits:
        return _unknown(facts)
    bit, lane = min(bits)
    came = [one for one in facts.changes("fifo.push") if one.time < until]
    pushed = {one.bit: one.time for one in came if one.lane == lane}
    where = f"bit {bit}" + (f" of lane {lane}" if len(lanes) > 1 else "")
    story = Story(
        [f"{_head(facts)}: the strobe took {where} {at(rises[bit])}, not while it was valid."],
        facts.conversion,
        tries=tries,
        signals=_strobed_rows(lane),
    )
    if bit in pushed:
        gap = rises[bit] - pushed[bit]
        side = "after" if gap >= 0 else "before"
        story.steps.append(
            f"The bit came from its lane {at(pushed[bit])}: the strobe rose "
            f"{short_time(abs(gap))} {side} that."
        )
        story.steps += _gone(facts, rises[bit], bit, pushed) if gap >= 0 else []
    return story


def _strobed_rows(lane: int) -> tuple[str, ...]:
    """Return the rows of a picture of the strobe and a lane whose bits it takes."""
    return ("remote.trigger", "remote.clock", f"remote.data[{lane}]", "fifo.strobe", "fifo.level",
            "host.service", "host.read", "host.clock", f"fifo.push[{lane}]",
            f"host.capture[{lane}]")  # fmt: skip


def _gone(facts: Facts, taken: int, bit: int, pushed: dict[int | None, int]) -> list[str]:
    """Say that a bit was gone from its lane as the strobe took it, where that is known.

    ``pushed`` is when each bit came from the lane, in fs.
    """
    if bit + 1 in pushed:
        gone = taken - pushed[bit + 1]
        late = f": the strobe rose {short_time(gone)} too late" if gone > 0 else ""
        return [f"The next bit, {bit + 1}, came {at(pushed[bit + 1])}{late}."]
    # Both edges of a bit take as long, so that it had come whole.
    law = facts.scenario.barrier.direction("return").pulse_width_distortion
    whole = law.is_constant and not law.constant_value
    return ["The last bit's period was over by then."] if whole else []


def _pulses(facts: Facts) -> Story:
    """Tell of a clock that came with a pulse too few."""
    here = [one for one in facts.changes("remote.clock") if one.value == 1]
    wanted = facts.scenario.bits_per_lane
    if len(here) < wanted:
        return _too_few(facts, len(here), "the clock", "barrier.forward.min_pulse")
    back = [one for one in facts.changes("host.returned") if one.value == 1]
    if len(back) >= wanted or facts.scenario.link.scheme != "returned_clock":
        return _unknown(facts)
    return _too_few(facts, len(back), "the returned clock", f"{_BACK}.min_pulse")


def _unknown(facts: Facts) -> Story:
    """Tell that no edge was seen to be at fault."""
    said = f"{_head(facts)}, though no edge of it came too early or too late."
    return Story([said], facts.conversion)


def _too_few(facts: Facts, came: int, what: str, key: str) -> Story:
    scenario, wanted = facts.scenario, facts.scenario.bits_per_lane
    said = (
        f"{_head(facts)}: of {many(wanted, 'pulse')} of {what}, {came} came across the "
        "barrier, so that bits were lost."
    )
    ways = [f"{_BACK}.pulse_width_distortion", "barrier.forward.pulse_width_distortion"]
    clock = "remote_clock.frequency" if facts.remote else "host.clock"
    best = at_best(scenario, "pulse", key, *ways, *_JITTERS, clock)
    return Story([said], facts.conversion, tries=(*at_mean(scenario, *_JITTERS), *best))
