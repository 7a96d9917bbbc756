"""The numbers that a first scenario needs, in the order in which they are asked."""

from __future__ import annotations

from dataclasses import dataclass

_FORMS = {
    "choice": "remote master, forwarded clock or returned clock",
    "yes": "yes or no",
    "whole": "a whole number",
    "frequency": "one frequency",
    "clock": "a frequency, or low / typical / high",
    "duration": "a time, low / high, or low / typical / high",
    "signed": "a time, low / high, or low / typical / high; may be negative",
    "delay": "a time, low / high, or low / typical / high",
    "covers": "none, or any of part-to-part-skew / channel-skew / distortion",
    "spread": "the largest difference between two parts, or low / high",
    "rms": "an rms value, or low / high",
    "latency": "a time, low / high, low / typical / high, or a recording (FILE.csv)",
}


@dataclass(frozen=True)
class Question:
    """One number that a scenario needs."""

    name: str  # as an option, without the dashes
    asks: str  # what it is, in words
    kind: str  # how an answer is read
    default: str  # the answer that is assumed when none is given
    why: str  # why that one
    keys: tuple[str, ...]  # the dotted keys that hold it
    #: Whether a data sheet prints it; the rest is decided or measured by whoever builds the link.
    printed: bool = True
    usual: tuple[str, str] | None = None  # ends beyond which a value deserves a remark

    @property
    def form(self) -> str:
        """What an answer may look like, in words."""
        return _FORMS[self.kind]


def _both_ways(key: str) -> tuple[str, str]:
    return f"barrier.forward.{key}", f"barrier.return.{key}"


_ISOLATOR = "usual for a digital isolator"
_OUTPUT = "a usual output stage"
_18_BITS = "usual for 18 bits"

QUESTIONS: tuple[Question, ...] = (
    Question("scheme", "clocking scheme", "choice", "remote master",
             "the clock is made beside the converter", ("link.scheme",), printed=False),
    Question("sample-rate", "sample rate", "clock", "250 kHz", "a middling rate",
             ("trigger.rate",), printed=False, usual=("1 Hz", "20 MHz")),
    Question("word-bits", "bits of a word", "whole", "18", "a high-resolution converter",
             ("frame.word_bits",)),
    Question("lanes", "data lines read at the same time", "whole", "1", "a single converter",
             ("frame.lanes",), printed=False),
    Question("words-per-lane", "words on each data line", "whole", "1", "nothing chained",
             ("frame.words_per_lane",), printed=False),
    Question("conversion-time", "conversion time", "duration", "480 ns / 500 ns / 520 ns",
             _18_BITS, ("converter.conversion_time",), usual=("10 ns", "1 ms")),
    Question("msb-valid", "busy falling to first bit valid", "duration", "5 ns", _OUTPUT,
             ("converter.msb_valid",), usual=("0 ns", "100 ns")),
    Question("data-valid", "clock edge to next bit valid", "duration", "3 ns / 5 ns / 7 ns",
             _OUTPUT, ("converter.data_valid",), usual=("0 ns", "50 ns")),
    Question("acquisition-time", "acquisition time", "duration", "300 ns", _18_BITS,
             ("converter.acquisition_time",), usual=("0 ns", "1 ms")),
    Question("min-clock-period", "shortest serial clock period", "duration", "0 ns",
             "as if it took any clock", ("converter.min_clock_period",), usual=("0 ns", "1 us")),
    Question("remote-clock", "remote clock frequency", "clock", "50 MHz",
             "within what the usual output stage can follow", ("remote_clock.frequency",),
             printed=False, usual=("100 kHz", "200 MHz")),
    Question("capture-setup", "setup time at the side that captures", "duration", "1 ns",
             "a usual input flip-flop", ("remote_clock.setup",), usual=("0 ns", "20 ns")),
    Question("capture-hold", "hold time at the side that captures", "duration", "0 ns",
             "a usual input flip-flop", ("remote_clock.hold",), usual=("0 ns", "20 ns")),
    Question("barrier-delay", "barrier delay, each way", "delay", "14 ns", _ISOLATOR,
             _both_ways("delay"), usual=("0 ns", "200 ns")),
    Question("delay-covers", "what the low and high of the barrier delay include", "covers", "none",
             "skews and distortion come on top of the delay", ("barrier.delay_covers",)),
    Question("part-to-part-skew", "barrier part-to-part skew", "spread", "3 ns", _ISOLATOR,
             _both_ways("part_to_part_skew"), usual=("-50 ns", "50 ns")),
    Question("channel-skew", "barrier channel-to-channel skew", "duration", "1 ns", _ISOLATOR,
             ("barrier.channel_skew",), usual=("0 ns", "20 ns")),
    Question("distortion", "barrier pulse-width distortion", "signed", "1 ns", _ISOLATOR,
             ("barrier.pulse_width_distortion",), usual=("-20 ns", "20 ns")),
    Question("min-pulse", "shortest pulse that the barrier passes", "duration", "5 ns", _ISOLATOR,
             ("barrier.min_pulse",), usual=("0 ns", "1 us")),
    Question("barrier-jitter", "barrier jitter", "rms", "50 ps", _ISOLATOR, _both_ways("jitter"),
             usual=("-3 ns", "1 ns")),
    Question("host-clock", "host clock frequency", "frequency", "25 MHz", "a usual serial port",
             ("host.clock",), printed=False, usual=("100 kHz", "200 MHz")),
    Question("service-latency", "host service latency", "latency", "0.5 us / 1 us / 3 us",
             "a microcontroller's interrupt; record the real host", ("host.service_latency",),
             printed=False, usual=("0 ns", "10 ms")),
    Question("reads-until-empty", "whether a service reads until the FIFO is empty", "yes", "no",
             "one service reads one frame", ("host.drain",), printed=False),
    Question("fifo-depth", "FIFO depth in frames", "whole", "4", "a small FIFO", ("fifo.depth",),
             printed=False),
    Question("trigger-jitter", "trigger jitter", "rms", "100 ps", "a usual timer output",
             ("trigger.jitter",), printed=False, usual=("-10 ns", "1 ns")),
)  # fmt: skip
"""tuple of Question: In the order in which they are asked."""

#: What is no question where there is no remote master.
MASTER_ONLY = ("remote-clock", "fifo-depth")

BY_NAME = {question.name: question for question in QUESTIONS}
"""dict: The same questions by their names."""
