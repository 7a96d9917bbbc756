"""The row of common-mode transients: how fast an edge may slew before it upsets a channel."""

from __future__ import annotations

from simlink.base.wording import many
from simlink.link.transient import WAYS, immunity_key, least_immunity, most_slew, upsets
from simlink.verdict.limit import Limit, listed
from simlink.verdict.seen import Seen, row

#: What transients may bring about, by the name of its figure: all that damages a word
#: (`figures.association`), and a conversion that was given too little time to acquire. A word may
#: be among several. A frame that nobody asked for harms none unless it is one of these.
_HARM = {
    "not_received": "never received",
    "corrupted_silent": "with wrong bits (nobody told)",
    "corrupted_flagged": "with wrong bits (told)",
    "dropped": "dropped after a failed check",
    "overrun": "overrun",
    "underrun": "read too early",
    "missed_trigger": "missed by the converter",
    "misaligned_silent": "misaligned (nobody told)",
    "misaligned_told": "misaligned (told)",
    "short_acquisition": "with a short acquisition",
}


def rows(seen: Seen) -> list[Limit]:
    """Return the row of the slew, if there are transients and the channels have a limit."""
    scenario = seen.scenario
    immunity = min(least_immunity(scenario, way) for way in WAYS)
    if not scenario.transient or immunity == float("inf"):
        return []
    slew = most_slew(scenario)
    harm, proven = "", "no edge slews faster than the channels withstand"
    if upsets(scenario):
        harm, proven = _harm(seen), ""
    return [
        row(
            "upset",
            keys=keys_of(seen),
            limit=immunity,
            worst=None if slew == float("inf") else slew,
            broken=harm,
            proven=proven,
            otherwise=f"{_no_harm(seen)}; {seen.not_seen()}",
        )
    ]


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
    """Return that no word suffered, and what else the transients did."""
    said = "no more words harmed than without transients"
    extra = seen.figures["unrequested"].count or 0
    if not extra:
        return said
    return f"{said}, though {many(extra, 'frame')} came that no trigger asked for"


def _harm(seen: Seen) -> str:
    """Return how many words more suffered than the same draws without transients give."""
    said = []
    for name, how in _HARM.items():
        more = seen.count(name) - seen.calm.count(name)
        if more > 0:
            said.append(f"{more} {how}")
    if not said:
        return ""
    return f"{listed(said)} of {many(seen.words, 'word')}, more than without transients"
