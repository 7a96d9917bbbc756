"""The sections and keys of the scenario file: what each means, is read as, and is left out as.

Attributes have the names of the keys (``return`` becomes ``return_``). Defaults are written as
they would be in the file.
"""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Annotated, Any, Literal

from pydantic import Field

from simlink.scenario.analog import Analog
from simlink.scenario.distributions import Constant, Distribution
from simlink.scenario.fields import Section, left_out, needed, optional
from simlink.scenario.kinds import (
    MOST_LANES,
    DelayCovers,
    Duration,
    FixedDuration,
    Flag,
    Frequency,
    HostCapture,
    LaneSkews,
    LineName,
    LineNames,
    LineRate,
    SignedDuration,
    Skew,
    Slew,
    Text,
    Tolerance,
    count,
    share,
)
from simlink.scenario.names import Names
from simlink.scenario.quantities import Rate
from simlink.scenario.require import Require
from simlink.scenario.transient import Transient

MOST_SEED = 2**63 - 1
MOST_BITS = 256 * 64  # of data in a frame on each lane
MOST_CHECK_BITS, MOST_SEQUENCE_BITS = 64, 16
#: Of a frame on each lane, with what it carries beside its data.
MOST_SENT = MOST_BITS + MOST_CHECK_BITS + MOST_SEQUENCE_BITS


class Link(Section):
    """How the data is clocked across the barrier."""

    scheme: Literal["remote_master", "returned_clock", "forwarded_clock"] = needed(
        "The clocking scheme. remote_master: a clock on the converter's side reads it out into a "
        "FIFO; forwarded_clock: the host's clock crosses and the data comes back; returned_clock: "
        "that clock is sent back beside the data and captures it."
    )


class Trigger(Section):
    """What starts the conversions."""

    pattern: Literal["periodic", "poisson", "burst", "after_read"] = left_out(
        "periodic",
        "periodic; poisson; burst: burst_length triggers at the rate, then a gap; after_read: one "
        "gap after the host has read the frame before.",
    )
    rate: Frequency | None = optional(
        "Triggers per second, as a frequency. Required unless the pattern is after_read."
    )
    gap: Duration | None = optional(
        "A duration. after_read: from the end of a read to the next trigger; burst: from the last "
        "trigger of a burst to the first of the next. Required for these two patterns."
    )
    burst_length: Annotated[int, count(1, 10**10)] | None = optional(
        "Triggers in a burst. Required for the burst pattern."
    )
    jitter: SignedDuration = left_out(
        "0 s", "A duration added to the instant at which each trigger leaves; may be negative."
    )
    source: Literal["host", "remote"] = left_out(
        "host", "The side of the barrier that times the triggers."
    )
    tolerance: Tolerance = left_out(
        "0 ppm", "How far the rate is off, as a ratio; drawn once for each board."
    )


class Frame(Section):
    """What one conversion gives."""

    lanes: Annotated[int, count(1, MOST_LANES)] = left_out(
        1, "Data lines that are read at the same time."
    )
    words_per_lane: Annotated[int, count(1, 256)] = left_out(
        1, "Words on each lane: converters chained on one line."
    )
    word_bits: Annotated[int, count(1, 64)] = left_out(16, "Bits in a word.")
    content: Literal["counter", "random"] = left_out(
        "counter", "The values of the words: counted up, or random ones drawn from the seed."
    )


class Converter(Section):
    """The converter's own timing."""

    conversion_time: Duration = needed("From the arriving trigger to the fall of busy: a duration.")
    busy_delay: Duration = left_out("0 s", "From the arriving trigger to the rise of busy.")
    msb_valid: Duration = left_out("0 s", "From the fall of busy to a valid first bit.")
    data_valid: Duration = left_out("0 s", "From the launching clock edge to a valid bit.")
    data_hold: Duration = left_out(
        "0 s", "How long the bit before stays valid after the launching clock edge."
    )
    acquisition_time: Duration = left_out(
        "0 s", "From the fall of busy until the input has settled for the next sample."
    )
    aperture_jitter: SignedDuration = left_out(
        "0 s", "From the arriving trigger to the sampling instant; may be negative."
    )
    min_clock_period: Duration = left_out(
        "0 s",
        "The shortest time from one rising edge of the serial clock to the next, or from one "
        "falling edge to the next, that the converter takes; drawn once a board.",
    )
    min_clock_high: Duration = left_out(
        "0 s", "The shortest high time of the serial clock that the converter takes; likewise."
    )
    min_clock_low: Duration = left_out(
        "0 s", "The shortest low time of the serial clock that the converter takes; likewise."
    )


class RemoteClock(Section):
    """The clock master on the converter's side."""

    frequency: Frequency = needed("The serial clock, as a frequency.")
    tolerance: Tolerance = left_out(
        "0 ppm", "How far the frequency is off, as a ratio; drawn once for each board."
    )
    start_delay: Duration = left_out("0 s", "From the fall of busy to the start of the readout.")
    setup: Duration = left_out("0 s", "How long a bit has to be valid before it is captured.")
    hold: Duration = left_out("0 s", "How long a bit has to stay valid after it is captured.")
    capture: Literal["half", "whole"] = left_out(
        "half",
        "half: a bit is captured half a period after its launch, at the rising edge; whole: a "
        "whole period after, at the next falling edge.",
    )


class Channel(Section):
    """One direction across the barrier; a value given here wins over the barrier's own."""

    delay: Duration = left_out("0 s", "From one side to the other: a duration, drawn once a board.")
    part_to_part_skew: SignedDuration = left_out(
        "0 s", "From part to part: a duration drawn once a board, may be negative."
    )
    jitter: SignedDuration = left_out(
        "0 s", "From edge to edge: a duration drawn for each, may be negative."
    )
    pulse_width_distortion: SignedDuration | None = optional(
        "This direction's own pulse-width distortion."
    )
    delay_covers: DelayCovers | None = optional(
        "What this direction's own limits of the delay contain already."
    )
    min_pulse: Duration | None = optional("This direction's own shortest pulse.")
    line_rate: LineRate | None = optional("This direction's own line rate.")
    slew_immunity: Slew | None = optional("This direction's own slew immunity.")


class ForwardChannel(Channel):
    """From the host to the converter."""

    channel_skew: Skew | None = optional(
        "This direction's own skew from channel to channel, as the barrier's."
    )


class ReturnChannel(Channel):
    """From the converter to the host."""

    channel_skew: LaneSkews | None = optional(
        "This direction's own skew from channel to channel, as the barrier's; or a list of fixed "
        "values, one a lane: the channels beside the lanes then have none."
    )
    style: Literal["bits", "packets"] = left_out(
        "bits", "bits: each as it is captured; packets: several together at the line rate."
    )
    strobe: Flag = left_out(
        True,
        "Bits style: whether a strobe beside the lanes takes their bits at the host; false where "
        "the lanes are self-clocked. Not used but by the remote master.",
    )
    packet_bits: Annotated[int, count(1, 10**6)] | None = optional(
        "Data bits in a packet. Required for packets."
    )
    overhead_bits: Annotated[int, count(0, 10**6)] = left_out(
        0, "Header and check bits that a packet adds. For packets only."
    )
    header_bits: Annotated[int, count(0, 10**6)] = left_out(
        0,
        "Of the overhead bits, those ahead of the data, without which a packet is lost whole. For "
        "packets only.",
    )
    check: Literal["none"] = left_out("none", "The check that a packet carries.")

    @property
    def has_strobe(self) -> bool:
        """Whether a remote master's bits have a strobe beside them; packets frame themselves."""
        return self.style == "bits" and self.strobe


class Barrier(Section):
    """The isolation barrier; what is given here holds for both directions."""

    channel_skew: Skew = left_out(
        "0 s",
        "From channel to channel. A plain duration is the largest difference between any two "
        "channels of a direction: each draws its own share of it, from none to all, once a board. "
        "A table with a shape is what each channel draws; may be negative.",
    )
    pulse_width_distortion: SignedDuration = left_out(
        "0 s", "How much longer a high pulse comes out than it went in; may be negative."
    )
    delay_covers: DelayCovers = left_out(
        [],
        "What the limits of the delay contain already: the sum of the delay and of these stays "
        "within the lowest and the highest delay.",
    )
    min_pulse: Duration = left_out("0 s", "The shortest pulse that a channel passes.")
    line_rate: LineRate | None = optional("The highest line rate of a channel, in bits per second.")
    slew_immunity: Slew | None = optional(
        "The highest common-mode slew that upsets no channel, drawn once a board. Left out: no "
        "transient upsets any."
    )
    recovery: Duration = left_out(
        "0 s", "How long a channel stays upset after a common-mode edge; drawn once a board."
    )
    upset: Annotated[float, share()] = left_out(
        1, "How likely a symbol is hit that meets an upset of its channel."
    )
    false_edge: Annotated[float, share()] = left_out(
        0,
        "How likely an upset that begins while a channel carries nothing makes an edge on it: a "
        "trigger, a clock pulse, a strobe, or an edge of busy.",
    )
    channels: Annotated[int, count(1, 1000)] | None = optional(
        "Isolated channels at hand, both directions together."
    )
    forward: ForwardChannel = Field(default_factory=ForwardChannel, description="To the converter.")
    return_: ReturnChannel = Field(
        default_factory=ReturnChannel, alias="return", description="To the host."
    )

    def direction(self, way: Way) -> Direction:
        """Return one direction with the barrier's own values filled in."""
        return Direction(
            **{one.name: getattr(self._giver(way, one.name), one.name) for one in fields(Direction)}
        )

    def key(self, way: Way, name: str) -> str:
        """Return the dotted key that gives a value of a direction: its own, or the barrier's."""
        return f"barrier.{name}" if self._giver(way, name) is self else f"barrier.{way}.{name}"

    def _giver(self, way: Way, name: str) -> Section:
        own = self.forward if way == "forward" else self.return_
        return self if name in COMMON and getattr(own, name) is None else own


Way = Literal["forward", "return"]
WAYS: tuple[Way, ...] = ("forward", "return")


COMMON = (
    "channel_skew",
    "pulse_width_distortion",
    "delay_covers",
    "min_pulse",
    "line_rate",
    "slew_immunity",
)
"""tuple of str: What a direction may have of its own in place of the barrier's."""


@dataclass(frozen=True)
class Direction:
    """One direction across the barrier, resolved.

    `channel_skew` is a distribution, or a tuple with one fixed value a lane; `delay_covers` names
    what the limits of the delay contain; `line_rate` is in bits per second, None when the channel
    sets no limit; `slew_immunity` is in volts per second, None when no slew upsets a channel.
    """

    delay: Distribution
    part_to_part_skew: Distribution
    jitter: Distribution
    channel_skew: Distribution | tuple[Constant, ...]
    pulse_width_distortion: Distribution
    delay_covers: tuple[str, ...]
    min_pulse: Distribution
    line_rate: Rate | None
    slew_immunity: Distribution | None = None

    def laws(self, name: str, lanes: int) -> tuple[Distribution, ...]:
        """Return the laws of a part of the crossing; of the channel skew that of each lane."""
        return self.lane_skews(lanes) if name == "channel_skew" else (getattr(self, name),)

    def lane_skews(self, lanes: int) -> tuple[Distribution, ...]:
        """Return the skew of each of `lanes` channels."""
        given = self.channel_skew
        return given if isinstance(given, tuple) else (given,) * lanes


#: Marks a key whose default depends on other keys.
NO_FIXED_DEFAULT: dict[str, Any] = {"no_fixed_default": True}


class Fifo(Section):
    """The FIFO on the host's side."""

    depth: Annotated[int, count(1, 10**6)] = left_out(4, "Frames that it holds.")
    release_bits: Annotated[int, count(1, MOST_SENT)] = Field(
        default=1,
        json_schema_extra=NO_FIXED_DEFAULT,
        description="Bits of every lane that have to be in before busy falls at the host. Left "
        "out: all of the frame.",
    )
    when_full: Literal["drop_new", "drop_old", "stall"] = left_out(
        "drop_new",
        "What gives way to a frame that finds no slot: itself, the oldest, or the remote clock.",
    )
    realign: Literal["gap", "never"] = left_out(
        "gap",
        "Whether a gap of the strobe ends the frame, or the receiver counts bits alone. Bits "
        "style with a strobe only.",
    )
    realign_gap: FixedDuration | None = optional(
        "How long the strobe has to rest to end the frame. Left out: two periods of the nominal "
        "remote clock."
    )
    credit_refresh: Flag = left_out(
        False,
        "Whether the FIFO gives lost credits back with the credit that it sends as it runs empty.",
    )
    sync_delay: Duration = left_out(
        "0 s", "From the last of the release bits to the fall of busy at the host."
    )


class Host(Section):
    """The host that reads the frames."""

    clock: Frequency = needed("The clock that the host reads with, as a frequency.")
    service_latency: Duration = needed("From the release of a frame to the start of its read.")
    drain: Flag = left_out(False, "Whether one service reads all the frames that wait.")
    watermark: Annotated[int, count(1, 10**6)] = left_out(
        1, "Frames that have to wait before a service begins; at most the depth of the FIFO."
    )
    interrupt: Literal["level", "edge"] = left_out(
        "level",
        "What tells the host of a frame. level: how many frames wait; edge: each fall of busy, "
        "once.",
    )
    timeout: FixedDuration | None = optional(
        "How long after a trigger the host gives a conversion up: a fixed duration. Left out: "
        "never. Required for the after_read pattern."
    )
    realign: Literal["never", "idle", "sequence"] = left_out(
        "idle",
        "What puts the host right that takes frames for the wrong triggers. idle: once a frame is "
        "read, busy low and the FIFO empty, it waits for no older one; sequence: the counter of "
        "check.sequence_bits; never: nothing.",
    )
    setup: Duration = left_out(
        "0 s",
        "How long a bit has to be valid at the host before it is captured; not used by the "
        "remote master.",
    )
    hold: Duration = left_out(
        "0 s",
        "How long a bit has to stay valid at the host after it is captured; not used by "
        "the remote master.",
    )
    capture: HostCapture = left_out(
        "half",
        "When the host captures a bit, after the edge that launches it: half or whole a period, a "
        "whole number of half periods, or a fixed duration as trained. Not used by the remote "
        "master; the returned clock captures half or whole a period after.",
    )


class Check(Section):
    """What a lane's frame carries beside its data, to tell what went wrong on the way."""

    over: Literal["packet", "frame"] = left_out(
        "frame",
        "What each check covers: what a lane sends of a frame, or the data of each packet.",
    )
    kind: Literal["none", "parity", "crc"] = left_out(
        "none", "The check: none, one bit of even parity, or a cyclic redundancy check."
    )
    width: Annotated[int, count(1, MOST_CHECK_BITS)] | None = optional(
        "Check bits. Required for crc."
    )
    polynomial: Annotated[int, count(1, MOST_SEED)] | None = optional(
        "Of the crc, as a whole number without its highest term, such as 0x07. Required for crc."
    )
    init: Annotated[int, count(0, MOST_SEED)] = left_out(0, "What the crc's register starts from.")
    reflect_in: Flag = left_out(False, "Whether each octet enters the crc with its last bit first.")
    reflect_out: Flag = left_out(False, "Whether the crc is sent with its last bit first.")
    xor_out: Annotated[int, count(0, MOST_SEED)] = left_out(
        0, "What is added to the crc, modulo 2, before it is sent."
    )
    sequence_bits: Annotated[int, count(0, MOST_SEQUENCE_BITS)] = left_out(
        0,
        "Bits of a counter of the triggers that came to the converter, missed ones too, sent with "
        "every frame on every lane.",
    )
    on_failure: Literal["drop", "flag", "repeat"] = left_out(
        "flag",
        "What the host does with a frame whose check fails. drop: it uses no word of it; flag: it "
        "uses them and knows; repeat: it has the frame sent again, once, and uses no word of one "
        "that fails again.",
    )
    kept_frames: Annotated[int, count(1, 10**6)] | None = optional(
        "Frames that the remote side keeps to send again: the newest that the remote master was "
        "given to clock out. Required for repeat."
    )
    repeat_timeout: FixedDuration | None = optional(
        "How long the host waits from its request for the repeated frame to be released, and then "
        "goes on without it: a fixed duration. Required for repeat."
    )

    @property
    def check_bits(self) -> int:
        """Check bits of what each check covers."""
        return (self.width or 0) if self.kind == "crc" else int(self.kind == "parity")

    @property
    def beside(self) -> int:
        """Bits that a lane's frame carries beside its data; those of packets stay with them."""
        return self.sequence_bits + (self.check_bits if self.over == "frame" else 0)

    @property
    def of_packet(self) -> int:
        """Check bits that each packet carries of its own."""
        return self.check_bits if self.over == "packet" else 0

    @property
    def tells(self) -> bool:
        """Whether there is anything beside the data that could tell."""
        return self.check_bits + self.sequence_bits > 0


class FaultLine(Section):
    """A line across the barrier that tells the host of common-mode events."""

    threshold: Slew | None = optional(
        "The common-mode slew above which an event raises the line; drawn once a board. Left out: "
        "there is no fault line."
    )
    response: Duration = left_out(
        "0 s",
        "From the instant at which an event slews faster to the edge that enters the barrier; "
        "drawn for each event.",
    )
    hold: Duration = left_out(
        "0 s",
        "How long the line stays high at the host at the least, drawn for each event; it falls no "
        "sooner than the host's next read ends.",
    )


class Dump(Section):
    """What the lines are called in a waveform dump that is measured; changes no simulation.

    A name may leave out the scopes ahead of it; ``!`` ahead of it says that the line is active
    low.
    """

    host_trigger: LineName | None = optional("The trigger at the host; it rises to trigger.")
    host_busy: LineName | None = optional("Busy at the host; it falls when a frame is released.")
    host_clock: LineName | None = optional("The clock that the host reads with.")
    host_returned: LineName | None = optional("The returned clock at the host.")
    host_data: LineNames | None = optional("The data lanes at the host.")
    host_fault: LineName | None = optional("The fault line at the host.")
    remote_trigger: LineName | None = optional("The trigger at the converter.")
    remote_busy: LineName | None = optional("Busy at the converter.")
    remote_clock: LineName | None = optional("The serial clock at the converter.")
    remote_data: LineNames | None = optional("The data lanes at the converter.")


UNSIMULATED: dict[str, tuple[Any, ...]] = {
    "barrier.return.check": ("none",),
}
"""Keys that the format knows and this version refuses by name, with the values it takes."""

NOT_SIMULATED = "known to the scenario format, but this version does not simulate it"


class Keys(Section):
    """The whole file: the keys at its top, and its tables."""

    title: Text = left_out("", "What the scenario is about.")
    seed: Annotated[int, count(0, MOST_SEED)] = left_out(1, "What every draw derives from.")
    trials: Annotated[int, count(1, 10**7)] = left_out(1, "Boards built.")
    conversions: Annotated[int, count(1, 10**10)] = left_out(1000, "Triggers sent in each trial.")
    link: Link
    trigger: Trigger
    frame: Frame
    converter: Converter
    remote_clock: RemoteClock
    barrier: Barrier
    fifo: Fifo
    host: Host
    require: Require = Field(
        default_factory=Require,
        description="What a run has to meet, a figure or the margin of a limit a key.",
    )
    transient: tuple[Transient, ...] = Field(
        default=(), description="Sources of common-mode transients."
    )
    check: Check = Field(
        default_factory=Check,
        description="What a lane's frame carries beside its data, to tell what went wrong.",
    )
    fault: FaultLine = Field(
        default_factory=FaultLine,
        description="A line that tells the host of common-mode events.",
    )
    analog: Analog = Field(
        default_factory=Analog,
        description="What stands at the inputs, and how it becomes codes.",
    )
    names: Names = Field(
        default_factory=Names,
        description="What signals are called in diagrams, timing tables and dumps.",
    )
    dump: Dump = Field(
        default_factory=Dump,
        description="What the lines are called in a waveform dump that is measured.",
    )

    @property
    def data_bits_per_lane(self) -> int:
        """Bits of the words of one frame on each lane."""
        return self.frame.words_per_lane * self.frame.word_bits

    @property
    def bits_per_lane(self) -> int:
        """Bits of one frame on each lane: its words, its sequence bits, its check bits.

        All of them are clocked out, cross the barrier, take their place in the FIFO and are read.
        """
        return self.data_bits_per_lane + self.check.beside

    @property
    def packet_overhead(self) -> int:
        """Bits that a packet adds to those of the frame: overhead and its own check bits."""
        return self.barrier.return_.overhead_bits + self.check.of_packet

    @property
    def words(self) -> int:
        """Words of one frame."""
        return self.frame.lanes * self.frame.words_per_lane
