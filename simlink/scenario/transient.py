"""The sources of common-mode transients, one ``[[transient]]`` table each."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Annotated, Any, Literal

from simlink.scenario.faults import Fault, written
from simlink.scenario.fields import Section, left_out, needed, optional
from simlink.scenario.kinds import (
    Duration,
    Frequency,
    SignedDuration,
    Slew,
    Times,
    Tolerance,
    Voltage,
    count,
    kind_of,
    share,
)


class Transient(Section):
    """One source of common-mode transients; `link.common_mode` says what events it gives."""

    kind: Literal["at", "locked", "poisson", "switching", "eft"] = needed(
        "at: at given times; locked: at an offset to triggers; poisson: at random; switching: both "
        "edges of a power switch; eft: bursts of fast pulses as of IEC 61000-4-4."
    )
    slew: Slew | None = optional("Of each edge. Required but for eft.")
    swing: Voltage | None = optional("From end to end of each edge. Required but for eft.")
    times: Times | None = optional("From the start of each trial. Required for at.")
    offset: SignedDuration | None = optional(
        "After the due time of a trigger, or ahead of it where negative. Required for locked."
    )
    first: Annotated[int, count(0, 10**10)] = left_out(0, "The first trigger that has an event.")
    every: Annotated[int, count(1, 10**10)] = left_out(
        1, "How many triggers lie from one event's to the next one's."
    )
    rate: Frequency | None = optional("Events per second, on average. Required for poisson.")
    frequency: Frequency | None = optional("Of the switch, nominal. Required for switching.")
    tolerance: Tolerance = left_out("0 ppm", "Of the frequency, relative, of each board.")
    jitter: SignedDuration = left_out("0 s", "Of each edge; none passes the edge ahead of it.")
    duty: Annotated[float, share(low_open=True, high_open=True)] = left_out(
        0.5, "From the rising to the falling edge, as a share of the period."
    )
    dead_time: Duration = left_out("0 s", "How much later than switched each edge comes.")
    phase: Duration | None = optional(
        "From the start of a trial to the first rising edge as switched. Left out: uniform within "
        "a period, drawn once a board."
    )
    peak: Voltage | None = optional("Of the generator's pulses. Required for eft.")
    coupling: Annotated[float, share(low_open=True)] = left_out(
        1, "The share of the peak that falls across the barrier."
    )
    repetition: Literal["5 kHz", "100 kHz"] = left_out("5 kHz", "Of the pulses within a burst.")
    start: Duration | None = optional(
        "From the start of a trial to the first burst. Left out: uniform within 300 ms, drawn "
        "once a board."
    )

    @property
    def is_random(self) -> bool:
        """Whether two trials may differ in when its events come, apart from its distributions."""
        if self.kind == "switching":
            return self.phase is None
        return self.kind == "poisson" or (self.kind == "eft" and self.start is None)


_EDGE = ("slew", "swing")
#: The keys of each kind: those that it needs, and those that it may have.
KEYS: dict[str, tuple[tuple[str, ...], tuple[str, ...]]] = {
    "at": (("times", *_EDGE), ()),
    "locked": (("offset", *_EDGE), ("first", "every")),
    "poisson": (("rate", *_EDGE), ()),
    "switching": (
        ("frequency", *_EDGE),
        ("tolerance", "jitter", "duty", "dead_time", "phase"),
    ),
    "eft": (("peak",), ("coupling", "repetition", "start")),
}


def kinds_with(key: str) -> tuple[str, ...]:
    """Return the kinds that may have a key."""
    return tuple(kind for kind, (needs, may) in KEYS.items() if key in (*needs, *may))


def resolved(raw: Mapping[str, Any]) -> dict[str, Any]:
    """Return the keys of one source with their values as written, given or assumed."""
    needs, may = KEYS[raw["kind"]]
    found = {"kind": raw["kind"]}
    for key in (*needs, *may):
        value = raw.get(key, Transient.model_fields[key].default)
        if value is not None:
            found[key] = value
    return found


def faults(raws: Any, pattern: str) -> Iterator[Fault]:
    """Give what does not go together in the sources that a file holds, for a pattern of triggers.

    Each key of them fits its own kind.
    """
    for i, raw in enumerate(raws or ()):
        kind = raw["kind"]
        needs, may = KEYS[kind]
        for key in raw:
            if key != "kind" and key not in (*needs, *may):
                kinds = " or ".join(map(written, kinds_with(key)))
                yield Fault(("transient", i, key), written(raw[key]), f"only with kind = {kinds}")
        for key in needs:
            if key not in raw:
                wants = kind_of(Transient.model_fields[key]).allowed
                said = f"missing; kind = {written(kind)} needs {wants}"
                yield Fault(("transient", i, key), None, said)
        if kind == "locked" and pattern == "after_read":
            said = 'not "locked" with trigger.pattern = "after_read": nothing is due ahead'
            yield Fault(("transient", i, "kind"), written(kind), said)
