"""What a scenario holds for the answers to the questions of a first one."""

from __future__ import annotations

import os
import re
from collections.abc import Callable, Mapping, Sequence
from decimal import Decimal
from fractions import Fraction
from pathlib import Path
from typing import Any

from simlink.base.errors import InputError
from simlink.base.latency_table import COLUMN, UNIT
from simlink.scenario import data_sheet
from simlink.scenario.faults import FaultError, written
from simlink.scenario.quantities import FREQUENCY, TIME, exact, positive
from simlink.scenario.questions import BY_NAME, QUESTIONS, Question

_SAID = ("one fixed value", "low / high, uniform between them", "low / typical / high")
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)(e[+-]?\d+)?", re.IGNORECASE)


_SCHEMES = {"remote": "remote_master", "forwarded": "forwarded_clock", "returned": "returned_clock"}
#: Which keys hold the setup and hold of a host that captures the bits itself.
_AT_HOST = {"remote_clock.setup": "host.setup", "remote_clock.hold": "host.hold"}
_COVERED = {
    "part-to-part-skew": "part_to_part_skew",
    "channel-skew": "channel_skew",
    "distortion": "pulse_width_distortion",
}


class Reader:
    """Turns answers, by the names of `QUESTIONS`, into the values of a scenario's keys.

    What has no answer is assumed; the folder is where the scenario will stand.

    Raises
    ------
    InputError
        If an answer cannot be read.
    """

    def __init__(self, answers: Mapping[str, str], folder: Path) -> None:
        # By dotted key, each value as a scenario file holds it, where it comes from, and the option
        # that gave it, none for an assumed one.
        self.values: dict[str, Any] = {}
        self.comments: dict[str, str] = {}
        self.options: dict[str, str] = {}
        self._answers = answers
        self._folder = folder
        self._printed = {
            question.name: data_sheet.read(
                answers.get(question.name, question.default), question.kind
            )
            for question in QUESTIONS
        }
        for question in QUESTIONS:
            getattr(self, f"_{question.kind}")(question)

    def assume(self, key: str, value: Any, why: str) -> None:
        """Hold a value that no answer gave."""
        self.values[key] = value
        self.comments[key] = f"ASSUMED: {why}"

    def frequency(self, name: str) -> Fraction:
        """Return the nominal frequency of an answer, in Hz: typical, or else the middle."""
        ends = self._frequencies(BY_NAME[name])
        return ends[1] if len(ends) == 3 else (ends[0] + ends[-1]) / 2

    def _put(self, question: Question, value: Any, said: str, keys: Sequence[str] = ()) -> None:
        printed = self._printed[question.name]
        for key in keys or question.keys:
            if question.name in self._answers:
                self.values[key] = value
                source = "from the data sheet" if question.printed else "as given"
                self.comments[key] = f"{source}: {printed.said or said}"
                if printed.low_is_taken:
                    self.comments[key] += "; no least value is printed, so that one is taken"
                self.options[key] = f"--{question.name}"
            else:
                self.assume(key, value, question.why)

    def _choice(self, question: Question) -> None:
        self._put(question, self.scheme, "how the bits are clocked")

    @property
    def scheme(self) -> str:
        """The clocking scheme, as the scenario names it."""
        question = BY_NAME["scheme"]
        typed = self._answers.get(question.name, question.default).lower()
        first = re.split(r"[\s_-]", typed)[0]
        if typed.replace(" ", "_") not in (*_SCHEMES.values(), *_SCHEMES) or not first:
            raise self._bad(question, f"{question.form} is due")
        return _SCHEMES[first]

    def _yes(self, question: Question) -> None:
        typed = self._answers.get(question.name, question.default).lower()
        if typed not in ("yes", "no", "y", "n", "true", "false"):
            raise self._bad(question, "yes or no is due")
        self._put(question, typed[0] in "yt", "what the driver does")

    def unusual(self) -> list[str]:
        """Return a remark on each value given that is out of the ordinary."""
        found = []
        for question in QUESTIONS:
            if question.usual is None or question.name not in self._answers:
                continue
            if self._answers[question.name].lower().endswith(".csv"):
                continue
            dimension = FREQUENCY if question.kind in ("clock", "frequency") else TIME
            low, high = (exact(end, dimension) for end in question.usual)
            for value in self._split(question):
                if not low <= exact(value, dimension) <= high:
                    rms = " rms" if question.kind == "rms" else ""
                    found.append(
                        f"--{question.name}: {value}{rms} is out of the ordinary for the "
                        f"{question.asks}, which is usually {_usually(question)}; check it"
                    )
                    break
        return found

    def _whole(self, question: Question) -> None:
        (text,) = self._split(question)
        if not re.fullmatch(r"[0-9]{1,12}", text) or int(text) == 0:
            raise self._bad(question, "a whole number above zero is due")
        self._put(question, int(text), _SAID[0])

    def _frequency(self, question: Question) -> None:
        self._put(question, self._split(question)[0], _SAID[0])

    def _duration(self, question: Question) -> None:
        values = self._split(question)
        keys = question.keys
        if self.scheme != "remote_master":
            keys = tuple(_AT_HOST.get(key, key) for key in keys)
        if self._printed[question.name].low_is_taken:
            law = {"shape": "limits", "typical": values[0], "high": values[-1]}
            self._put(question, law, "typical and highest", keys)
            return
        self._put(question, _shape(values), _SAID[len(values) - 1], keys)

    _signed = _duration

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
        if self._printed[question.name].low_is_taken:
            # As the law does it: as far below typical as the highest is above, not below zero.
            least = max(2 * ends[0] - ends[1], 0)
            values, ends = [_millions(least, "ns"), *values], [least, *ends]
        if self._covered():
            self._put(question, _shape(values), _SAID[len(values) - 1])
            return
        if "part-to-part-skew" in self._answers:
            spread = BY_NAME["part-to-part-skew"]
            raise self._bad(spread, "the barrier's delay is a range already: give one")
        middle, said = (ends[0] + ends[1]) // 2, "the middle"
        if len(values) == 3:
            middle, said = ends[1], "typical"
        self._put(question, _millions(middle, "ns"), said)
        about = _shape([_millions(end - middle, "ns") for end in ends])
        said = f"{_SAID[len(values) - 1]}, about the delay"
        self._put(question, about, said, BY_NAME["part-to-part-skew"].keys)

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
        if earliest < -max(delay, 0) and "part_to_part_skew" not in covered:
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
        printed = self._printed[question.name]
        values = [value.strip() for value in printed.text.split("/")]
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


def _usually(question: Question) -> str:
    """Return the usual values of a question in words."""
    assert question.usual is not None
    low, high = question.usual
    if low.startswith("-") or low.startswith("0 "):
        return f"at most {high}"
    return f"{low} to {high}"


def _shape(values: Sequence[str]) -> Any:
    """Return one value as it is, two as a uniform law, three as limits."""
    if len(values) == 1:
        return values[0]
    if len(values) == 2:
        return {"shape": "uniform", "low": values[0], "high": values[1]}
    return {"shape": "limits", "low": values[0], "typical": values[1], "high": values[2]}


def _millions(number: Fraction | int, unit: str) -> str:
    """Write an exact number of Hz, fs or 1e-12 in units a million times as large."""
    value = Decimal(number.numerator) / Decimal(number.denominator)
    return f"{value.scaleb(-6).normalize():f} {unit}"
