"""The numbers that a first scenario needs, and the commented text made from them."""

from __future__ import annotations

import json
import os
import re
import textwrap
from collections.abc import Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Literal

from simlink.base.cautions import CAUTIONS
from simlink.base.errors import InputError

Kind = Literal["whole", "frequency", "clock", "duration", "delay", "spread", "rms", "latency"]

_FORMS = {
    "whole": "a whole number",
    "frequency": "one frequency",
    "clock": "a frequency, or low / typical / high",
    "duration": "a time, low / high, or low / typical / high",
    "delay": "a time, low / high, or low / typical / high",
    "spread": "the largest difference between two parts, or low / high",
    "rms": "an rms value, or low / high",
    "latency": "a time, low / high, low / typical / high, or a recording (FILE.csv)",
}


@dataclass(frozen=True)
class Question:
    """One number that a scenario needs.

    Parameters
    ----------
    name : str
        What it is called as an option, without the dashes.
    asks : str
        What it is, in words.
    kind : str
        How an answer is read.
    default : str
        The answer that is assumed when none is given.
    why : str
        Why that value is assumed.
    """

    name: str
    asks: str
    kind: Kind
    default: str
    why: str

    @property
    def form(self) -> str:
        """What an answer may look like, in words."""
        return _FORMS[self.kind]


QUESTIONS: tuple[Question, ...] = (
    Question("sample-rate", "sample rate", "clock", "250 kHz", "a middling rate"),
    Question("word-bits", "bits of a word", "whole", "18", "a high-resolution converter"),
    Question("lanes", "data lines read at the same time", "whole", "1", "a single converter"),
    Question("words-per-lane", "words on each data line", "whole", "1", "nothing chained"),
    Question(
        "conversion-time",
        "conversion time",
        "duration",
        "480 ns / 500 ns / 520 ns",
        "usual for 18 bits",
    ),
    Question(
        "msb-valid",
        "busy falling to first bit valid",
        "duration",
        "5 ns",
        "a usual output stage",
    ),
    Question(
        "data-valid",
        "clock edge to next bit valid",
        "duration",
        "3 ns / 5 ns / 7 ns",
        "a usual output stage",
    ),
    Question("acquisition-time", "acquisition time", "duration", "300 ns", "usual for 18 bits"),
    Question(
        "remote-clock",
        "remote clock frequency",
        "clock",
        "50 MHz",
        "within what the usual output stage can follow",
    ),
    Question(
        "barrier-delay",
        "barrier delay, each way",
        "delay",
        "14 ns",
        "usual for a digital isolator",
    ),
    Question(
        "barrier-spread",
        "barrier part-to-part skew",
        "spread",
        "3 ns",
        "usual for a digital isolator",
    ),
    Question("barrier-jitter", "barrier jitter", "rms", "50 ps", "usual for a digital isolator"),
    Question("host-clock", "host clock frequency", "frequency", "25 MHz", "a usual serial port"),
    Question(
        "service-latency",
        "host service latency",
        "latency",
        "0.5 us / 1 us / 3 us",
        "a microcontroller's interrupt; record the real host",
    ),
    Question("fifo-depth", "FIFO depth in frames", "whole", "4", "a small FIFO"),
    Question("trigger-jitter", "trigger jitter", "rms", "100 ps", "a usual timer output"),
)
"""tuple of Question: In the order in which they are asked."""

BY_NAME = {question.name: question for question in QUESTIONS}
"""dict: The same questions by their names."""

_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", re.IGNORECASE)


@dataclass(frozen=True)
class _Range:
    """An answer split at its slashes: one, two or three quantities, low to high."""

    values: tuple[str, ...]

    @property
    def said(self) -> str:
        return (
            "one fixed value",
            "low / high, uniform between them",
            "low / typical / high",
        )[len(self.values) - 1]

    def toml(self) -> str:
        if len(self.values) == 1:
            return _quote(self.values[0])
        if len(self.values) == 2:
            low, high = self.values
            return f'{{ shape = "uniform", low = {_quote(low)}, high = {_quote(high)} }}'
        low, typical, high = self.values
        return (
            f'{{ shape = "limits", low = {_quote(low)}, typical = {_quote(typical)}, '
            f"high = {_quote(high)} }}"
        )


class Writer:
    """Turns answers into the lines of a scenario.

    Parameters
    ----------
    answers : mapping of str to str
        Answers by the names of `QUESTIONS`; the others are assumed.
    folder : Path
        Where the scenario will stand.
    """

    def __init__(self, answers: Mapping[str, str], folder: Path) -> None:
        self.answers = answers
        self.folder = folder
        self.lines: list[str] = []
        self.section = ""
        self.origins: dict[str, str] = {}

    def origin(self, key: str) -> str:
        """Return the option that a key's value comes from, or "start" if it is assumed."""
        for known, name in self.origins.items():
            if key == known or key.startswith((known + ".", known + "[")):
                return "--" + name
        return "start"

    def text(self) -> str:
        """Return the scenario in TOML.

        Raises
        ------
        InputError
            If an answer cannot be read.
        """
        self._head()
        self._trigger_and_frame()
        self._converter_and_clock()
        self._barrier()
        self._host_side()
        return "\n".join(self.lines) + "\n"

    # The sections, in the order of the signal's way.

    def _head(self) -> None:
        for paragraph in (
            "A first scenario. Each value says where it comes from: the data sheet, or an "
            "assumption, to be replaced by the data sheet's or a measured value.",
            CAUTIONS,
        ):
            self.lines += textwrap.wrap(paragraph, 96, initial_indent="# ", subsequent_indent="# ")
            self.lines.append("#")
        self.lines[-1] = ""
        rate = self._frequencies("sample-rate")[1]
        # A slow converter's trial is kept to an hour, so that it can be simulated at all.
        conversions = max(1, min(5000, int(rate * 3600)))
        self.lines.append('title = "First scenario"')
        self._assume("seed", "1", "any other gives other draws")
        self._assume("trials", "20", "units built; more of them narrow the intervals")
        self._assume("conversions", str(conversions), "triggers a unit")
        self._section("link")
        self._assume("scheme", '"remote_master"', "the clock is made beside the converter")

    def _trigger_and_frame(self) -> None:
        self._section("trigger")
        self._assume("pattern", '"periodic"', "a steady sample rate")
        self._assume("source", '"host"', "the host starts each conversion")
        self._clock("rate", "sample-rate", '"0 ppm"', "the host's clock taken as exact")
        self._jitter("jitter", "trigger-jitter")
        self._section("frame")
        self._whole("lanes", "lanes")
        self._whole("words_per_lane", "words-per-lane")
        self._whole("word_bits", "word-bits")

    def _converter_and_clock(self) -> None:
        self._section("converter")
        self._time("conversion_time", "conversion-time")
        self._assume("busy_delay", '"0 ns"', "busy rises with the trigger")
        self._time("msb_valid", "msb-valid")
        self._time("data_valid", "data-valid")
        self._assume("data_hold", '"0 ns"', "the least that a converter holds its data")
        self._time("acquisition_time", "acquisition-time")
        self._assume("aperture_jitter", '"0 ps"', "as if the aperture added none")
        self._section("remote_clock")
        crystal = '{ shape = "uniform", low = "-50 ppm", high = "50 ppm" }'
        self._clock("frequency", "remote-clock", crystal, "a usual crystal oscillator")
        self._assume("start_delay", '"0 ns"', "clocks as soon as busy falls")
        self._assume("setup", '"0 ns"', "the capturing flip-flop needs none")
        self._assume("hold", '"0 ns"', "the capturing flip-flop needs none")
        self._assume("capture", '"half"', "each bit taken half a period after its launch")

    def _barrier(self) -> None:
        self._section("barrier")
        self._assume("skew", '"0 ns"', "all channels of a part alike")
        self._assume("pulse_width_distortion", '"0 ns"', "both edges delayed alike")
        self._assume("min_pulse", '"0 ns"', "any pulse passes")
        self.lines.append('# line_rate = "150 Mbit/s"  # ASSUMED: none, a channel passes any rate')
        for direction in ("forward", "return"):
            self._section(f"barrier.{direction}")
            self._delay_and_spread()
            self._jitter("jitter", "barrier-jitter")
        self._assume("style", '"bits"', "each bit crosses as it is captured")

    def _host_side(self) -> None:
        self._section("fifo")
        self._whole("depth", "fifo-depth")
        frame_bits = int(self._one("words-per-lane")) * int(self._one("word-bits"))
        self._assume("release_bits", str(frame_bits), "busy falls when the whole frame is in")
        self._assume("when_full", '"drop_new"', "a frame that finds no room is lost")
        self._assume("sync_delay", '"0 ns"', "no synchroniser")
        self._section("host")
        self._line("clock", _quote(self._one("host-clock")), "host-clock", "one fixed value")
        self._latency()
        self._assume("read_all", "false", "one frame a service")
        self._assume("watermark", "1", "served as soon as a frame waits")
        self._assume("notice", '"count"', "the host sees how many frames wait")
        self.lines.append('# timeout = "50 us"  # ASSUMED: none, the host waits for ever')

    # One line each.

    def _section(self, name: str) -> None:
        self.section = name
        self.lines += ["", f"[{name}]"]

    def _assume(self, key: str, value: str, why: str) -> None:
        self.lines.append(f"{key} = {value}  # ASSUMED: {why}")

    def _line(self, key: str, value: str, name: str, said: str) -> None:
        if name in self.answers:
            self.origins[f"{self.section}.{key}"] = name
            self.lines.append(f"{key} = {value}  # from the data sheet: {said}")
        else:
            self._assume(key, value, BY_NAME[name].why)

    def _whole(self, key: str, name: str) -> None:
        self._line(key, self._one(name), name, "one fixed value")

    def _time(self, key: str, name: str) -> None:
        split = self._split(name)
        self._line(key, split.toml(), name, split.said)

    def _clock(self, key: str, name: str, tolerance: str, why: str) -> None:
        """Write a frequency, and the tolerance that its low and high leave it."""
        low, nominal, high = self._frequencies(name)
        split = self._split(name)
        if len(split.values) == 1:
            self._line(key, split.toml(), name, split.said)
            self._assume("tolerance", tolerance, why)
            return
        middle = "the middle" if len(split.values) == 2 else "typical"
        value = f"{_decimal(nominal / 10**6)} MHz" if len(split.values) == 2 else split.values[1]
        self._line(key, _quote(value), name, middle)
        parts = [f"{_decimal(round((f / nominal - 1) * 10**12, 0), 6)} ppm" for f in (low, high)]
        ends = parts if len(split.values) == 2 else [parts[0], "0 ppm", parts[1]]
        self._line("tolerance", _Range(tuple(ends)).toml(), name, f"{split.said}, as a tolerance")

    def _jitter(self, key: str, name: str) -> None:
        split = self._split(name)
        if len(split.values) > 1:
            self._line(key, split.toml(), name, split.said)
            return
        rms = split.values[0]
        law = f'{{ shape = "normal", mean = "0 ps", sigma = {_quote(rms)} }}'
        self._line(key, law if self._femtoseconds(name)[0] else _quote(rms), name, "rms")

    def _delay_and_spread(self) -> None:
        """Write a direction's delay and spread; a range of delays is a spread of parts."""
        name = "barrier-delay"
        split = self._split(name)
        ends = self._femtoseconds(name)
        if len(split.values) == 1:
            self._line("delay", split.toml(), name, split.said)
            self._spread(ends[0])
            return
        if "barrier-spread" in self.answers:
            raise self._bad("barrier-spread", "the barrier's delay is a range already: give one")
        if len(split.values) == 3:
            typical, said = ends[1], "typical"
        else:
            typical, said = (ends[0] + ends[1]) // 2, "the middle"
        self._line("delay", _quote(_nanoseconds(typical)), name, said)
        about = _Range(tuple(_nanoseconds(end - typical) for end in ends))
        self._line("spread", about.toml(), name, f"{split.said}, about the delay")

    def _spread(self, delay: int) -> None:
        name = "barrier-spread"
        split = self._split(name)
        ends = self._femtoseconds(name)
        width = ends[0]
        if name not in self.answers and width > 2 * delay:
            width = 0
        earliest = ends[0] if len(ends) > 1 else -(width // 2)
        if earliest < -max(delay, 0):
            raise self._bad(name, f"a part faster than {_nanoseconds(delay)} has no delay left")
        if len(split.values) > 1:
            self._line("spread", split.toml(), name, split.said)
            return
        if width < 0:
            raise self._bad(name, "a width of zero or more is due, or low / high")
        half = _Range((_nanoseconds(-(width // 2)), _nanoseconds(width // 2)))
        said = "largest difference between two parts, half of it each way"
        self._line("spread", half.toml() if width else '"0 ns"', name, said)

    def _latency(self) -> None:
        name = "service-latency"
        given = self.answers.get(name, "").strip()
        if not given.lower().endswith(".csv"):
            self._time("service_latency", name)
            return
        # Typed as seen from where the user stands, read as seen from the scenario.
        seen = given if Path(given).is_absolute() else os.path.relpath(given, self.folder)
        file = Path(seen).as_posix()
        value = (
            f'{{ shape = "recorded", file = {_quote(file)}, column = "latency_ns", unit = "ns" }}'
        )
        self._line("service_latency", value, name, "a recording, replayed")

    # Reading answers.

    def _bad(self, name: str, allowed: str) -> InputError:
        return InputError("--" + name, None, _quote(self.answers.get(name, "")), allowed)

    def _split(self, name: str) -> _Range:
        question = BY_NAME[name]
        typed = self.answers.get(name, question.default)
        values = [value.strip() for value in typed.split("/")]
        most = 1 if question.kind in ("whole", "frequency") else 3
        if len(values) > most or not all(values):
            raise self._bad(name, f"{question.form} is due")
        # "480 / 500 / 520 ns": a unit said once, at the end, holds for all.
        if question.kind != "whole" and not _NUMBER.fullmatch(values[-1]):
            unit = re.sub(rf"^{_NUMBER.pattern}\s*", "", values[-1], flags=re.IGNORECASE)
            values = [f"{v} {unit}" if _NUMBER.fullmatch(v) else v for v in values]
        if len(set(values)) == 1:
            values = values[:1]
        return _Range(tuple(values))

    def _one(self, name: str) -> str:
        value = self._split(name).values[0]
        if BY_NAME[name].kind == "whole":
            if not re.fullmatch(r"[0-9]{1,12}", value) or int(value) == 0:
                raise self._bad(name, "a whole number above zero is due")
            return str(int(value))
        return value

    def _femtoseconds(self, name: str) -> list[int]:
        return [round(end) for end in self._ends(name, "TIME")]

    def _frequencies(self, name: str) -> tuple[Fraction, Fraction, Fraction]:
        ends = self._ends(name, "FREQUENCY")
        nominal = ends[1] if len(ends) == 3 else (ends[0] + ends[-1]) / 2
        return ends[0], nominal, ends[-1]

    def _ends(self, name: str, dimension: Literal["TIME", "FREQUENCY"]) -> list[Fraction]:
        """Read an answer's quantities, exactly, and see that they are in order."""
        from simlink.scenario import quantities
        from simlink.scenario.faults import FaultError

        measure = getattr(quantities, dimension)
        ends = []
        for value in self._split(name).values:
            try:
                # Rates are read by the scenario's own rule, which wants them above zero.
                if dimension == "FREQUENCY":
                    quantities.positive(value, measure)
                ends.append(quantities.exact(value, measure))
            except FaultError as complaint:
                fault = complaint.fault
                raise InputError("--" + name, None, fault.found, fault.allowed) from None
        if ends != sorted(ends):
            raise self._bad(name, "low to high is due")
        return ends


def _quote(text: str) -> str:
    # TOML allows no bare DEL, where JSON does.
    return json.dumps(text, ensure_ascii=False).replace("\x7f", "\\u007f")


def _decimal(number: Fraction | int, places: int = 0) -> str:
    """Write number / 10**places exactly, without an exponent."""
    exact = Fraction(number)
    value = Decimal(exact.numerator) / Decimal(exact.denominator)
    text = f"{value.scaleb(-places):f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


def _nanoseconds(femtoseconds: int) -> str:
    return f"{_decimal(femtoseconds, 6)} ns"
