"""The numbers that a first scenario needs, and what a scenario holds for an answer."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

from simlink.base.errors import InputError
from simlink.base.latency_table import COLUMN, UNIT
from simlink.scenario.faults import FaultError, written
from simlink.scenario.quantities import FREQUENCY, TIME, exact, positive

_FORMS = {
    "whole": "a whole number",
    "frequency": "one frequency",
    "clock": "a frequency, or low / typical / high",
    "duration": "a time, low / high, or low / typical / high",
    "delay": "a time, low / high, or low / typical / high",
    "covers": "none, or any of spread / skew / distortion",
    "spread": "the largest difference between two parts, or low / high",
    "rms": "an rms value, or low / high",
    "latency": "a time, low / high, low / typical / high, or a recording (FILE.csv)",
}
_SAID = ("one fixed value", "low / high, uniform between them", "low / typical / high")
_SHAPES: tuple[tuple[str, tuple[str, ...]], ...] = (
    ("uniform", ("low", "high")),
    ("limits", ("low", "typical", "high")),
)
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", re.IGNORECASE)


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
    keys : tuple of str
        The dotted keys that hold it.
    """

    name: str
    asks: str
    kind: str
    default: str
    why: str
    keys: tuple[str, ...]

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
    Question("sample-rate", "sample rate", "clock", "250 kHz", "a middling rate",
             ("trigger.rate",)),
    Question("word-bits", "bits of a word", "whole", "18", "a high-resolution converter",
             ("frame.word_bits",)),
    Question("lanes", "data lines read at the same time", "whole", "1", "a single converter",
             ("frame.lanes",)),
    Question("words-per-lane", "words on each data line", "whole", "1", "nothing chained",
             ("frame.words_per_lane",)),
    Question("conversion-time", "conversion time", "duration", "480 ns / 500 ns / 520 ns",
             _18_BITS, ("converter.conversion_time",)),
    Question("msb-valid", "busy falling to first bit valid", "duration", "5 ns", _OUTPUT,
             ("converter.msb_valid",)),
    Question("data-valid", "clock edge to next bit valid", "duration", "3 ns / 5 ns / 7 ns",
             _OUTPUT, ("converter.data_valid",)),
    Question("acquisition-time", "acquisition time", "duration", "300 ns", _18_BITS,
             ("converter.acquisition_time",)),
    Question("min-clock-period", "shortest serial clock period", "duration", "0 ns",
             "as if it took any clock", ("converter.min_clock_period",)),
    Question("remote-clock", "remote clock frequency", "clock", "50 MHz",
             "within what the usual output stage can follow", ("remote_clock.frequency",)),
    Question("barrier-delay", "barrier delay, each way", "delay", "14 ns", _ISOLATOR,
             _both_ways("delay")),
    Question("delay-covers", "what the low and high of the barrier delay include", "covers", "none",
             "spread, skew and distortion come on top of the delay", ("barrier.delay_covers",)),
    Question("barrier-spread", "barrier part-to-part skew", "spread", "3 ns", _ISOLATOR,
             _both_ways("spread")),
    Question("barrier-jitter", "barrier jitter", "rms", "50 ps", _ISOLATOR, _both_ways("jitter")),
    Question("host-clock", "host clock frequency", "frequency", "25 MHz", "a usual serial port",
             ("host.clock",)),
    Question("service-latency", "host service latency", "latency", "0.5 us / 1 us / 3 us",
             "a microcontroller's interrupt; record the real host", ("host.service_latency",)),
    Question("fifo-depth", "FIFO depth in frames", "whole", "4", "a small FIFO", ("fifo.depth",)),
    Question("trigger-jitter", "trigger jitter", "rms", "100 ps", "a usual timer output",
             ("trigger.jitter",)),
)  # fmt: skip
"""tuple of Question: In the order in which they are asked."""

_COVERED = {"spread": "spread", "skew": "skew", "distortion": "pulse_width_distortion"}

BY_NAME = {question.name: question for question in QUESTIONS}
"""dict: The same questions by their names."""


class Reader:
    """Turns answers into the values of a scenario's keys.

    Parameters
    ----------
    answers : mapping of str to str
        Answers by the names of `QUESTIONS`; the others are assumed.
    folder : Path
        Where the scenario will stand.

    Attributes
    ----------
    values : dict
        By dotted key, each value as a scenario file holds it.
    comments : dict
        By dotted key, where the value comes from.
    options : dict
        By dotted key, the option that gave the value; none for an assumed one.

    Raises
    ------
    InputError
        If an answer cannot be read.
    """

    def __init__(self, answers: Mapping[str, str], folder: Path) -> None:
        self.values: dict[str, Any] = {}
        self.comments: dict[str, str] = {}
        self.options: dict[str, str] = {}
        self._answers = answers
        self._folder = folder
        read = {
            "whole": self._whole,
            "frequency": self._frequency,
            "clock": self._clock,
            "duration": self._duration,
            "delay": self._delay,
            "covers": self._covers,
            "spread": self._spread,
            "rms": self._rms,
            "latency": self._latency,
        }
        for question in QUESTIONS:
            read[question.kind](question)

    def assume(self, key: str, value: Any, why: str) -> None:
        """Hold a value that no answer gave."""
        self.values[key] = value
        self.comments[key] = f"ASSUMED: {why}"

    def frequency(self, name: str) -> Fraction:
        """Return the nominal frequency of an answer, in Hz: typical, or else the middle."""
        ends = self._frequencies(BY_NAME[name])
        return ends[1] if len(ends) == 3 else (ends[0] + ends[-1]) / 2

    def _put(self, question: Question, value: Any, said: str, keys: Sequence[str] = ()) -> None:
        for key in keys or question.keys:
            if question.name in self._answers:
                self.values[key] = value
                self.comments[key] = f"from the data sheet: {said}"
                self.options[key] = f"--{question.name}"
            else:
                self.assume(key, value, question.why)

    def _whole(self, question: Question) -> None:
        (text,) = self._split(question)
        if not re.fullmatch(r"[0-9]{1,12}", text) or int(text) == 0:
            raise self._bad(question, "a whole number above zero is due")
        self._put(question, int(text), _SAID[0])

    def _frequency(self, question: Question) -> None:
        self._put(question, self._split(question)[0], _SAID[0])

    def _duration(self, question: Question) -> None:
        values = self._split(question)
        self._put(question, _shape(values), _SAID[len(values) - 1])

    def _clock(self, question: Question) -> None:
        """Read a frequency, and the tolerance that its low and high leave it."""
        values = self._split(question)
        nominal, ends = self.frequency(question.name), self._frequencies(question)
        if len(values) == 1:
            self._put(question, values[0], _SAID[0])
            return
        if len(values) == 2:
            self._put(question, _millions(nominal, "MHz"), "the middle")
        else:
            self._put(question, values[1], "typical")
        parts = [_millions(round((end / nominal - 1) * 10**12), "ppm") for end in ends]
        table = question.keys[0].partition(".")[0]
        said = f"{_SAID[len(values) - 1]}, as a tolerance"
        self._put(question, _shape(parts), said, [f"{table}.tolerance"])

    def _rms(self, question: Question) -> None:
        values = self._split(question)
        if len(values) > 1:
            self._duration(question)
            return
        law = {"shape": "normal", "mean": "0 ps", "sigma": values[0]}
        self._put(question, law if self._times(question)[0] else values[0], "rms")

    def _delay(self, question: Question) -> None:
        """Read a delay each way; a range of delays is a spread of parts."""
        values, ends = self._split(question), self._times(question)
        if len(values) == 1:
            self._put(question, values[0], _SAID[0])
            return
        if self._covered():
            self._put(question, _shape(values), _SAID[len(values) - 1])
            return
        if "barrier-spread" in self._answers:
            spread = BY_NAME["barrier-spread"]
            raise self._bad(spread, "the barrier's delay is a range already: give one")
        middle, said = (ends[0] + ends[1]) // 2, "the middle"
        if len(values) == 3:
            middle, said = ends[1], "typical"
        self._put(question, _millions(middle, "ns"), said)
        about = _shape([_millions(end - middle, "ns") for end in ends])
        said = f"{_SAID[len(values) - 1]}, about the delay"
        self._put(question, about, said, BY_NAME["barrier-spread"].keys)

    def _covered(self) -> list[str]:
        """Return what the low and high of the delay include, as the scenario names it."""
        question = BY_NAME["delay-covers"]
        names = self._split(question)
        if names == ["none"]:
            return []
        if len(set(names)) < len(names) or not set(names) <= set(_COVERED):
            raise self._bad(question, f"{question.form} is due")
        if len(self._split(BY_NAME["barrier-delay"])) == 1:
            raise self._bad(question, "the barrier's delay is one value, which includes nothing")
        return [_COVERED[name] for name in names]

    def _covers(self, question: Question) -> None:
        self._put(question, self._covered(), "what the delay's limits include")

    def _spread(self, question: Question) -> None:
        if question.keys[0] in self.values:  # a range of delays
            return
        covered = self._covered()
        if covered and question.name not in self._answers:
            for key in question.keys:
                self.assume(key, "0 ns", "none beside the range of delays")
            return
        delay, ends = self._times(BY_NAME["barrier-delay"])[0], self._times(question)
        width = ends[0]
        if question.name not in self._answers and width > 2 * delay:
            width = 0
        earliest = ends[0] if len(ends) > 1 else -(width // 2)
        if earliest < -max(delay, 0) and "spread" not in covered:
            limit = _millions(delay, "ns")
            raise self._bad(question, f"a part faster than {limit} has no delay left")
        if len(ends) > 1:
            self._duration(question)
            return
        if width < 0:
            raise self._bad(question, "a width of zero or more is due, or low / high")
        half = _shape([_millions(-(width // 2), "ns"), _millions(width // 2, "ns")])
        said = "largest difference between two parts, half of it each way"
        self._put(question, half if width else "0 ns", said)

    def _latency(self, question: Question) -> None:
        given = self._answers.get(question.name, "")
        if not given.lower().endswith(".csv"):
            self._duration(question)
            return
        # Typed as seen from where the user stands, read as seen from the scenario.
        seen = given if Path(given).is_absolute() else os.path.relpath(given, self._folder)
        file = Path(seen).as_posix()
        law = {"shape": "recorded", "file": file, "column": COLUMN, "unit": UNIT}
        self._put(question, law, "a recording, replayed")

    def _bad(self, question: Question, allowed: str) -> InputError:
        found = written(self._answers.get(question.name, ""))
        return InputError("--" + question.name, None, found, allowed)

    def _split(self, question: Question) -> list[str]:
        """Return an answer split at its slashes: one, two or three quantities."""
        typed = self._answers.get(question.name, question.default)
        values = [value.strip() for value in typed.split("/")]
        most = 1 if question.kind in ("whole", "frequency") else 3
        if len(values) > most or not all(values):
            raise self._bad(question, f"{question.form} is due")
        # "480 / 500 / 520 ns": a unit said once, at the end, holds for all.
        if question.kind != "whole" and not _NUMBER.fullmatch(values[-1]):
            unit = re.sub(rf"^{_NUMBER.pattern}\s*", "", values[-1], flags=re.IGNORECASE)
            values = [f"{v} {unit}" if _NUMBER.fullmatch(v) else v for v in values]
        return values[:1] if len(set(values)) == 1 else values

    def _times(self, question: Question) -> list[int]:
        """Return an answer's times in femtoseconds."""
        return [round(end) for end in self._in_order(question, lambda text: exact(text, TIME))]

    def _frequencies(self, question: Question) -> list[Fraction]:
        """Return an answer's frequencies in Hz."""
        return self._in_order(question, lambda text: positive(text, FREQUENCY).value)

    def _in_order(self, question: Question, read: Callable[[str], Fraction]) -> list[Fraction]:
        try:
            ends = [read(value) for value in self._split(question)]
        except FaultError as complaint:
            fault = complaint.fault
            raise InputError("--" + question.name, None, fault.found, fault.allowed) from None
        if ends != sorted(ends):
            raise self._bad(question, "low to high is due")
        return ends


def _shape(values: Sequence[str]) -> Any:
    """Return one value as it is, two as a uniform law, three as limits."""
    if len(values) == 1:
        return values[0]
    shape, keys = _SHAPES[len(values) - 2]
    return {"shape": shape, **dict(zip(keys, values, strict=True))}


def _millions(number: Fraction | int, unit: str) -> str:
    """Write an exact number of Hz, fs or 1e-12 in units a million times as large."""
    value = Decimal(number.numerator) / Decimal(number.denominator)
    return f"{value.scaleb(-6).normalize():f} {unit}"
