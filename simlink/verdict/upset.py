"""The row of common-mode transients: how fast an edge may slew before it upsets a channel."""

from __future__ import annotations

from dataclasses import replace
from fractions import Fraction

from simlink.base.wording import many
from simlink.figures.events import events
from simlink.figures.span import spans
from simlink.link import false_edge
from simlink.link.repeat import repeats
from simlink.link.transient import (
    WAYS,
    Way,
    immunity_key,
    least_immunity,
    may_upset,
    most_slew,
    upset_parts,
    upsets,
)
from simlink.scenario.schema import Scenario
from simlink.verdict.limit import Known, Limit, listed
from simlink.verdict.seen import Seen, row

#: What transients may bring about, and the figures that count it: all that damages a word
#: (`figures.association`), and a conversion that was given too little time to acquire. A word may
#: be among several. A frame that nobody asked for harms none unless it is one of these.
_HARM = {
    "never received": ("not_received",),
    "in frames with wrong bits": ("corrupted_silent", "corrupted_flagged"),
    "dropped after a failed check": ("dropped",),
    "overrun": ("overrun",),
    "read too early": ("underrun",),
    "missed by the converter": ("missed_trigger",),
    "misaligned": ("misaligned_silent", "misaligned_told"),
    "with a short acquisition": ("short_acquisition",),
}
#: What else they may do: have nobody told of as many words.
_SILENT = {"wrong, lost or misaligned with nobody told": ("silent",)}


def rows(seen: Seen) -> list[Limit]:
    """Return the row of the slew, if there are transients and the channels have a limit."""
    scenario = seen.scenario
    immunity = min(least_immunity(scenario, way) for way in WAYS)
    if not scenario.transient or immunity == float("inf"):
        return []
    slew = most_slew(scenario)
    worst = None if slew == float("inf") else Fraction(slew)
    broken, proven, possible = "", "no edge slews faster than the channels withstand", ""
    if upsets(scenario):
        broken, proven = harm(seen), ""
    if may_harm(scenario):
        possible = "an edge that slews faster may come at any instant; in this run "
        possible += _no_harm(seen)
    found = row(
        "upset",
        keys=keys_of(seen),
        limit=immunity,
        worst=worst,
        broken=broken,
        proven=proven,
        possible=possible,
        otherwise=f"{_no_harm(seen)}; {seen.not_seen()}",
    )
    if found.known is Known.NOT_SEEN:
        # Edges that come where they meet nothing may slew as they like: no margin says how near
        # they are to harm.
        found = replace(found, worst=worst)
    return [found]


def may_harm(scenario: Scenario) -> bool:
    """Tell whether some draw surely has an event that harms a word.

    It has if nothing ties the events of a source to the triggers, so that one may come at any
    instant: while a trigger, a clock or a bit crosses, or where it makes a false edge. Where a
    frame is asked for once more it has to be hit twice, which some draw does for sure only if
    events come at random.
    """
    for source in scenario.transient:
        if not source.is_random:
            continue
        alone = scenario.model_copy(update={"transient": (source,)})
        if false_edge.channels(alone):
            return True
        hits = upset_parts(scenario.barrier.upset) > 0
        mended = repeats(scenario) and source.kind != "poisson"
        ways: dict[Way, bool] = {
            "forward": scenario.trigger.source == "host" or scenario.link.scheme != "remote_master",
            "return": not mended,
        }
        if hits and any(ways[way] and may_upset(alone, way) for way in WAYS):
            return True
    return False


def keys_of(seen: Seen) -> tuple[str, ...]:
    """Return the keys that give the immunity, the lowest one first."""
    scenario = seen.scenario
    found = {}
    for way in WAYS:
        least = least_immunity(scenario, way)
        if least < float("inf"):
            found[immunity_key(scenario, way)] = least
    return tuple(sorted(found, key=lambda key: found[key]))


def _no_harm(seen: Seen) -> str:
    """Return that no word suffered for them, and what else transients did."""
    scenario, tally = seen.scenario, seen.run.tally
    if not events(scenario, tally, spans(scenario, tally)):
        return "no common-mode event came"
    said = "no more words were harmed than without transients"
    extra = seen.figures["unrequested"].count or 0
    if not extra:
        return said
    return f"{said}, though {many(extra, 'frame')} came that no trigger asked for"


def harm(seen: Seen) -> str:
    """Return how many words more suffered than the same draws without transients give."""
    for ways in (_HARM, _SILENT):
        more = {how: seen.count(*names) - seen.calm.count(*names) for how, names in ways.items()}
        said = [f"{count} {how}" for how, count in more.items() if count > 0]
        if said:
            of = many(seen.words, "word")
            return f"{listed(said)} of {of}, more than without transients"
    return ""
