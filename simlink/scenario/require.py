"""What is required of a run: figures between bounds, and margins of limits.

Every figure takes ``at_most`` or ``at_least``, in its own unit, and every figure that is an
estimate a ``confidence``. A limit takes ``at_least`` of its margin.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any

from simlink.base.instants import FS_PER_SECOND
from simlink.scenario.faults import FaultError, written
from simlink.scenario.fields import Section, optional
from simlink.scenario.kinds import Kind, kind_of
from simlink.scenario.quantities import LINE_RATE, PARTS, RATIO, SLEW, TIME, Dimension, exact
from simlink.scenario.reading import unknown

#: The confidence of a requirement that states none, and what may be stated.
USUAL = 0.95
CONFIDENCE = "a number from 0.5 to below 1, such as 0.95"

WORD_RATE = Dimension(
    "a rate of words",
    "400 kwords/s",
    {"words/s": 1, "kwords/s": 10**3, "Mwords/s": 10**6},
    10**15,
    "1e15 words/s",
)

_ALLOWED = {
    "1": 'a share from 0 to 1, such as 1e-6 or "10 ppm"',
    "s": 'a duration, such as "3 us"',
    "words/s": WORD_RATE.allowed,
    "bit/s": LINE_RATE.allowed,
    "V/s": SLEW.allowed,
    "words/h": "a number of words an hour, such as 0.01",
    "conversions": "a number of conversions, such as 1.5",
}
#: Units in which a plain number is given.
_NUMBERS = ("words/h", "conversions")
_COUNT = "a whole number from 0 to 1000000000"
_TYPES: dict[str, Any] = {"1": ["number", "string"], "s": "string", "words/s": "string"}
_TYPES |= {"bit/s": "string", "V/s": "string", "words/h": "number", "conversions": "number"}
_SHOWN = {"1": "0.001", "s": '"3 us"', "words/s": '"400 kwords/s"', "bit/s": '"10 Mbit/s"'}
_SHOWN |= {"V/s": '"10 kV/us"', "words/h": "0.01", "conversions": "1.5"}


@dataclass(frozen=True)
class Requirement:
    """What is required of one figure, or of the margin of one limit."""

    #: The bound, one of the two, in the unit itself; times in seconds.
    at_most: Fraction | None
    at_least: Fraction | None
    confidence: float = USUAL  # with which the figure's interval has to lie within the bound


def is_confidence(value: float) -> bool:
    """Tell whether a number may say how sure an answer is to be."""
    return 0.5 <= value < 1


def _bound(value: Any, unit: str) -> Fraction:
    """Read a bound in its unit."""
    number = isinstance(value, int | float) and not isinstance(value, bool)
    if unit == "s":
        return exact(value, TIME) / FS_PER_SECOND
    if unit in ("words/s", "bit/s"):
        return exact(value, WORD_RATE if unit == "words/s" else LINE_RATE)
    if unit == "V/s":
        return exact(value, SLEW)
    if unit in _NUMBERS:
        if not number or not 0 <= value <= 10**18:
            raise FaultError(_ALLOWED[unit], written(value))
        return Fraction(str(value))
    if unit == "1":
        if not number and not isinstance(value, str):
            raise FaultError(_ALLOWED["1"], written(value))
        try:
            found = Fraction(str(value)) if number else exact(value, RATIO) / PARTS
        except ValueError:
            raise FaultError(_ALLOWED["1"], written(value)) from None
        if not 0 <= found <= 1:
            raise FaultError(_ALLOWED["1"], written(value))
        return found
    if not isinstance(value, int) or isinstance(value, bool) or not 0 <= value <= 10**9:
        raise FaultError(_COUNT, written(value))
    return Fraction(value)


class Required(Kind):
    """The kind of a requirement.

    Its bound is in a unit: ``"1"`` for a share, ``"s"``, ``"words/s"``, ``"bit/s"``, or what is
    counted. A figure that is but what was `seen` has no confidence, nor has a `margin` of a limit.
    """

    def __init__(self, unit: str, *, seen: bool = False, margin: bool = False) -> None:
        self.unit, self.seen, self.margin = unit, seen, margin
        self.sides = ("at_least",) if margin else ("at_most", "at_least")
        self.known = self.sides if seen or margin else (*self.sides, "confidence")
        example = f"{{ {self.sides[0]} = {_SHOWN.get(unit, '3')} }}"
        allowed = f"a table with {' or '.join(self.sides)}, such as {example}"
        super().__init__(allowed, self._schema(), self._read)

    def _schema(self) -> dict[str, Any]:
        said = f"Allowed: {_ALLOWED.get(self.unit, _COUNT)}."
        bound = {"type": _TYPES.get(self.unit, "integer"), "description": said}
        sure = {"type": "number", "minimum": 0.5, "exclusiveMaximum": 1}
        more = {"confidence": sure} if "confidence" in self.known else {}
        tables = [
            {
                "type": "object",
                "properties": {side: bound, **more},
                "required": [side],
                "additionalProperties": False,
            }
            for side in self.sides
        ]
        return {"anyOf": tables}

    def _read(self, value: Any, base: Path) -> Requirement:
        if not isinstance(value, dict):
            raise FaultError(self.allowed, written(value))
        for key in value:
            if key not in self.known:
                raise FaultError(unknown(str(key), self.known), written(value[key]), (key,))
        given = [side for side in self.sides if side in value]
        if len(given) != 1:
            raise FaultError(self.allowed, written(value))
        (side,) = given
        try:
            bound = _bound(value[side], self.unit)
        except FaultError as error:
            raise error.under(side) from None
        confidence = value.get("confidence", USUAL)
        if not isinstance(confidence, float) or not is_confidence(confidence):
            raise FaultError(CONFIDENCE, written(confidence), ("confidence",))
        if side == "at_most":
            return Requirement(bound, None, confidence)
        return Requirement(None, bound, confidence)


Share = Annotated[Requirement, Required("1")]
Time = Annotated[Requirement, Required("s")]
TimeSeen = Annotated[Requirement, Required("s", seen=True)]
WordRate = Annotated[Requirement, Required("words/s")]
WordsAnHour = Annotated[Requirement, Required("words/h")]
Conversions = Annotated[Requirement, Required("conversions")]
ConversionsSeen = Annotated[Requirement, Required("conversions", seen=True)]
FramesSeen = Annotated[Requirement, Required("frames", seen=True)]
ShareLeft = Annotated[Requirement, Required("1", margin=True)]
TimeLeft = Annotated[Requirement, Required("s", margin=True)]
RateLeft = Annotated[Requirement, Required("bit/s", margin=True)]
FramesLeft = Annotated[Requirement, Required("frames", margin=True)]
BitsLeft = Annotated[Requirement, Required("bits", margin=True)]
SlewLeft = Annotated[Requirement, Required("V/s", margin=True)]
ChannelsLeft = Annotated[Requirement, Required("channels", margin=True)]


class Require(Section):
    """What a run has to meet; changes no simulation."""

    delivered: Share | None = optional("The share of words delivered.")
    missed_trigger: Share | None = optional("The share of words whose trigger was missed.")
    overrun: Share | None = optional("The share of words lost by overrun.")
    underrun: Share | None = optional("The share of words read too early.")
    corrupted_flagged: Share | None = optional(
        "The share of words in frames with flagged wrong bits."
    )
    corrupted_silent: Share | None = optional(
        "The share of words in frames with silent wrong bits."
    )
    not_received: Share | None = optional("The share of words that never came.")
    dropped: Share | None = optional(
        "The share of words of frames that the host drops, since their check failed."
    )
    repeated: Share | None = optional(
        "The share of words asked for once more, since their check failed."
    )
    in_flight: Share | None = optional("The share of words that wait at the end.")
    timed_out: Share | None = optional("The share of words that the host gave up.")
    short_acquisition: Share | None = optional("The share of words whose sample had not settled.")
    lost_told: Share | None = optional("The share of words lost, the host told.")
    lost_silent: Share | None = optional("The share of words lost, the host not told.")
    misaligned_told: Share | None = optional(
        "The share of words taken for another conversion's, the host told."
    )
    misaligned_silent: Share | None = optional(
        "The share of words taken for another conversion's, the host not told."
    )
    silent: Share | None = optional("The share of words wrong, lost or misaligned, nobody told.")
    silent_per_hour: WordsAnHour | None = optional("Of those, words an hour.")
    recovery_frames: Conversions | None = optional(
        "Conversions until the link is right again, on average."
    )
    recovery_frames_largest_seen: ConversionsSeen | None = optional("The most of them seen.")
    unrequested: Share | None = optional("Frames that no trigger asked for, to each trigger.")
    boards_missed_trigger: Share | None = optional("The share of boards with a missed trigger.")
    boards_overrun: Share | None = optional("The share of boards with an overrun.")
    boards_underrun: Share | None = optional("The share of boards with an underrun.")
    boards_corrupted: Share | None = optional("The share of boards with wrong bits.")
    boards_failing: Share | None = optional("The share of boards with a word undelivered.")
    latency_release_median: Time | None = optional("Trigger to release, median.")
    latency_release_p99: Time | None = optional("Trigger to release, 99 %.")
    latency_release_p999: Time | None = optional("Trigger to release, 99.9 %.")
    latency_release_largest_seen: TimeSeen | None = optional("Trigger to release, largest seen.")
    latency_read_median: Time | None = optional("Trigger to last bit read, median.")
    latency_read_p99: Time | None = optional("Trigger to last bit read, 99 %.")
    latency_read_p999: Time | None = optional("Trigger to last bit read, 99.9 %.")
    latency_read_largest_seen: TimeSeen | None = optional("Trigger to last bit read, largest seen.")
    throughput_offered: WordRate | None = optional("Words triggered a second.")
    throughput_delivered: WordRate | None = optional("Words delivered a second.")
    fifo_occupancy_max: FramesSeen | None = optional("FIFO slots taken, the most seen.")
    host_busy_share: Share | None = optional("The share of its time that the host is busy.")
    sampling_jitter_rms: Time | None = optional("The sampling instant's rms jitter.")
    acquisition: TimeLeft | None = optional("The margin of the limit of that name.")
    period: TimeLeft | None = optional("The margin of the limit of that name.")
    clock_period: TimeLeft | None = optional("The margin of the limit of that name.")
    clock_high: TimeLeft | None = optional("The margin of the limit of that name.")
    clock_low: TimeLeft | None = optional("The margin of the limit of that name.")
    setup: TimeLeft | None = optional("The margin of the limit of that name.")
    hold: TimeLeft | None = optional("The margin of the limit of that name.")
    first_bit: TimeLeft | None = optional("The margin of the limit of that name.")
    strobe_setup: TimeLeft | None = optional("The margin of the limit of that name.")
    strobe_hold: TimeLeft | None = optional("The margin of the limit of that name.")
    pulse: TimeLeft | None = optional("The margin of the limit of that name.")
    line_rate: RateLeft | None = optional("The margin of the limit of that name.")
    upset: SlewLeft | None = optional("The margin of the limit of that name.")
    channels: ChannelsLeft | None = optional("The margin of the limit of that name.")
    packet_rate: ShareLeft | None = optional("The margin of the limit of that name.")
    early_read: BitsLeft | None = optional("The margin of the limit of that name.")
    fifo_depth: FramesLeft | None = optional("The margin of the limit of that name.")
    host_rate: ShareLeft | None = optional("The margin of the limit of that name.")
    interrupt: TimeLeft | None = optional("The margin of the limit of that name.")
    timeout: TimeLeft | None = optional("The margin of the limit of that name.")

    @property
    def given(self) -> dict[str, Requirement]:
        """What is required, by name, figures first."""
        named = {name: getattr(self, name) for name in type(self).model_fields}
        return {name: one for name, one in named.items() if one is not None}


def kind_of_key(name: str) -> Required:
    """Return the kind of a key of the section: its unit, and what it is about."""
    found = kind_of(Require.model_fields[name])
    assert isinstance(found, Required)
    return found
