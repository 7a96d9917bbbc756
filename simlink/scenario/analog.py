"""What stands at the inputs of the converters, and how they turn it into codes: ``[analog]``."""

from __future__ import annotations

from collections.abc import Iterator
from fractions import Fraction
from pathlib import Path
from typing import Annotated, Any, Literal

from simlink.scenario.distributions import Constant
from simlink.scenario.faults import Fault, FaultError, written
from simlink.scenario.fields import Section, optional
from simlink.scenario.kinds import (
    FIXED,
    MOST_LANES,
    Frequency,
    Kind,
    count,
    is_number,
    number,
    several,
    share,
)
from simlink.scenario.quantities import (
    FREQUENCY,
    VOLTAGE,
    Rate,
    exact,
    positive,
)
from simlink.scenario.reading import read_shape
from simlink.scenario.recorded import Recorded

MOST_POINTS = 4096
_LARGEST = 1e6


def numbers(low: float, high: float, fewest: int, most: int) -> Kind:
    """Return the kind of a list of plain numbers."""
    allowed = f"a list of {fewest} to {most} numbers from {low:g} to {high:g}"
    return several(allowed, most, number(low, high), fewest)


def _noise(value: Any, base: Path) -> float | Fraction:
    """Read an rms noise: a number of LSB, or a voltage, which is given in microvolts."""
    allowed = f'an rms noise: a number of LSB from 0 to {_LARGEST:g}, or a voltage, such as "40 uV"'
    if isinstance(value, str):
        if (amount := exact(value, VOLTAGE)) >= 0:
            return amount
    elif is_number(value) and 0 <= value <= _LARGEST:
        return float(value)
    raise FaultError(allowed, written(value))


def _range(value: Any, base: Path) -> Fraction:
    amount = exact(value, VOLTAGE)
    if amount <= 0:
        raise FaultError('a voltage above zero, such as "5 V"', written(value))
    return amount


#: Converters in a frame.
_MOST = MOST_LANES * 256
_TONES = Kind("", FREQUENCY.schema(), lambda one, base: positive(one, FREQUENCY))
Tones = Annotated[
    tuple[Rate, ...],
    several('a list of frequencies, such as ["10 kHz", "12 kHz"]', _MOST, _TONES),
]
_WAVEFORM = (
    'a recording of the input, such as { shape = "recorded", file = "input.csv", column = "ch1", '
    'unit = "V" }'
)


def _waveform(value: Any, base: Path) -> Recorded:
    if not isinstance(value, dict) or value.get("shape") != "recorded":
        raise FaultError(_WAVEFORM, written(value))
    law = read_shape(value, VOLTAGE, base)
    assert isinstance(law, Recorded)
    if law.start is not None:
        raise FaultError(
            "none: phase says where in the recording a board starts", str(law.start), ("start",)
        )
    if len(law.values) < FEWEST_POINTS:
        said = f"a recording of at least {FEWEST_POINTS} rows"
        raise FaultError(said, str(len(law.values)), ("file",))
    return law


#: The fewest rows of a recorded waveform.
FEWEST_POINTS = 16
Waveform = Annotated[
    Recorded,
    Kind(
        _WAVEFORM,
        {
            "type": "object",
            "required": ["shape", "file", "column", "unit"],
        },
        _waveform,
    ),
]
Noise = Annotated[
    float | Fraction,
    Kind(
        f'a number of LSB from 0 to {_LARGEST:g}, or a voltage, such as "40 uV"',
        {
            "anyOf": [
                {"type": "number", "minimum": 0, "maximum": _LARGEST},
                VOLTAGE.schema(),
            ]
        },
        _noise,
    ),
]
Range = Annotated[Fraction, Kind("a voltage above zero", VOLTAGE.schema(), _range)]
Skews = Annotated[
    tuple[Constant, ...],
    several('a list of fixed durations, such as ["0 ps", "80 ps"]', _MOST, FIXED),
]
#: What is taken where a tone is given and these are not, and what it means.
ASSUMED: dict[str, tuple[Any, str]] = {
    "coherent": ("nearest", "a whole number of cycles in a record needs no window"),
    "amplitude": (1, "the tone fills the range"),
    "phase": ("drawn", "each board starts anywhere in the tone"),
    "offset": (0, "the tone lies in the middle of the range"),
    "noise": (0, "as if the converter added none"),
    "inl": ("none", "as if the converter bent nothing"),
    "average": (1, "one sample a word"),
    "sampling_skew": ("none", "all converters sample at once"),
    "gaps": ("refuse", "a record with missing words is not analysed unless that is said"),
}


class Analog(Section):
    """The tone at the inputs, and the converters' noise and nonlinearity.

    It changes no instant and no fate; ``simlink spectrum`` needs it.
    """

    tone: Frequency | None = optional("The tone at the inputs, as a frequency.")
    coherent: Literal["nearest", "as_given"] | None = optional(
        "nearest: the tone is moved to the nearest frequency that has a whole number of cycles in "
        "a record of the nominal rate; as_given: it stays. Left out: nearest."
    )
    amplitude: Annotated[float, share(low_open=True)] | None = optional(
        "The peak of the tone as a share of half the full-scale range. Left out: 1, full scale."
    )
    waveform: Waveform | None = optional(
        "A recorded input in place of the tone's own: a column of a CSV file, a cubic spline "
        "through its rows. The tone says what to look for in it. Needs waveform_rate and "
        "full_scale."
    )
    waveform_rate: Frequency | None = optional("Rows a second of the recorded input.")
    second_tone: Frequency | None = optional("A second tone, or what couples into the input.")
    second_amplitude: Annotated[float, share(low_open=True)] | None = optional(
        "Its peak, likewise. Required with second_tone."
    )
    phase: Annotated[float, share(high_open=True)] | None = optional(
        "Of the tone at the start of a trial, as a share of a turn. Left out: uniform, drawn once "
        "a board. Of a recording, as a share of what it lasts longer than the run."
    )
    offset: Annotated[float, number(-1, 1)] | None = optional(
        "Added to the tone, as a share of half the full-scale range. Left out: 0."
    )
    full_scale: Range | None = optional("The full-scale range, from end to end, as a voltage.")
    noise: Noise | None = optional(
        "Of each converter, rms: in LSB, or as a voltage, which needs full_scale. Left out: 0."
    )
    inl: Annotated[tuple[float, ...], numbers(-_LARGEST, _LARGEST, 1, 32)] | None = optional(
        "Integral nonlinearity in LSB as a polynomial [c0, c1, c2, ...] of the input as a share "
        "of half the range, from -1 to 1. Left out: none."
    )
    inl_table: Annotated[tuple[float, ...], numbers(-_LARGEST, _LARGEST, 2, MOST_POINTS)] | None = (
        optional(
            "Integral nonlinearity in LSB at points evenly spaced over the range, added to inl. "
            "Left out: none."
        )
    )
    average: Annotated[int, count(1, 4096)] | None = optional(
        "Samples that the converter averages for a word, evenly spaced over the conversion's "
        "period. Left out: 1."
    )
    converter_tones: Tones | None = optional(
        "The tone at each converter, in the order of lanes and of words on each, in place of the "
        "one tone. Left out: all have that."
    )
    converter_gains: Annotated[tuple[float, ...], numbers(1e-6, 4, 1, _MOST)] | None = optional(
        "By how much the input of each converter, its tone and the offset, is multiplied, in "
        "that order. Left out: 1."
    )
    converter_offsets: Annotated[tuple[float, ...], numbers(-1, 1, 1, _MOST)] | None = optional(
        "What each converter adds itself, as a share of half the full-scale range, in that "
        "order. Left out: 0."
    )
    sampling_skew: Skews | None = optional(
        "How much later each converter samples than the trigger says: fixed durations, in the "
        "order of lanes and of words on each. Left out: 0."
    )
    gaps: Literal["refuse", "cut", "join", "repeat", "zero"] | None = optional(
        "What becomes of a record in which words are missing; those whose check failed are left "
        "out of it, other wrong ones are in it. refuse: it is not analysed; cut: its longest "
        "stretch without a gap is; join: what is there is taken as one after another; "
        "repeat: the last word ahead of a gap fills it; zero: mid-scale fills it. Left out: refuse."
    )


def faults(analog: Analog, words: int) -> Iterator[Fault]:
    """Give what does not go together in ``[analog]``, where a frame has so many words."""
    given = [name for name in Analog.model_fields if getattr(analog, name) is not None]

    def fault(key: str, allowed: str) -> Fault:
        return Fault(("analog", key), None, allowed)

    if given and analog.tone is None:
        yield fault("tone", 'missing; [analog] needs a frequency, such as "10 kHz"')
    if analog.waveform is not None:
        for key, needs in (("waveform_rate", '"10 MHz"'), ("full_scale", '"5 V"')):
            if getattr(analog, key) is None:
                yield fault(key, f"missing; a recorded waveform needs it, such as {needs}")
        for key in ("coherent", "amplitude", "second_tone", "converter_tones"):
            if getattr(analog, key) is not None:
                yield fault(key, "not with a recorded waveform, which is what it is")
    elif analog.waveform_rate is not None:
        yield fault("waveform_rate", "only with a recorded waveform")
    if (analog.second_tone is None) != (analog.second_amplitude is None):
        wanting = "second_tone" if analog.second_tone is None else "second_amplitude"
        yield fault(wanting, "missing; second_tone and second_amplitude go together")
    if isinstance(analog.noise, Fraction) and analog.full_scale is None:
        yield fault("full_scale", "missing; a noise given as a voltage needs it")
    for key in ("converter_tones", "converter_gains", "converter_offsets", "sampling_skew"):
        each = getattr(analog, key)
        if each is not None and len(each) != words:
            yield fault(key, f"one value for each of the {words} converters")
