"""A converter of a unit: from instants to codes, with its own noise, bend and skew."""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from simlink.analog import codes
from simlink.analog.codes import Codes
from simlink.analog.spectrum import coherent
from simlink.analog.tone import Floats, Tone
from simlink.analog.waveform import Waveform, rows_needed
from simlink.base.draws import generator
from simlink.base.instants import FS_PER_SECOND, Times
from simlink.scenario.schema import Scenario


def tone_of(scenario: Scenario, number: int, count: int) -> Fraction:
    """Return the tone at a converter, in Hz: coherent with so many samples unless as given."""
    analog, rate = scenario.analog, scenario.trigger.rate
    assert analog.tone is not None
    assert rate is not None
    tone = analog.tone if analog.converter_tones is None else analog.converter_tones[number]
    if analog.coherent == "as_given" or analog.waveform is not None:
        return tone.value
    return coherent(tone.value, rate.value, count)


def noise_of(scenario: Scenario) -> float:
    """Return the rms noise of a sample, in LSB."""
    noise, full_scale = scenario.analog.noise, scenario.analog.full_scale
    if isinstance(noise, Fraction):
        assert full_scale is not None
        return float(noise / full_scale * 2**scenario.frame.word_bits)
    return noise or 0.0


class Converter:
    """One converter of one board, by lane and position, for `count` conversions of a tone.

    Its noise is a stream of its own, indexed by conversion.
    """

    def __init__(
        self, scenario: Scenario, trial: int, lane: int, position: int, count: int
    ) -> None:
        analog, rate = scenario.analog, scenario.trigger.rate
        assert rate is not None
        self.bits = scenario.frame.word_bits
        number = lane * scenario.frame.words_per_lane + position
        self.frequency = tone_of(scenario, number, count)
        gain = 1.0 if analog.converter_gains is None else analog.converter_gains[number]
        self.amplitude = gain * (1.0 if analog.amplitude is None else analog.amplitude)
        phase = analog.phase
        if phase is None:
            phase = float(generator(scenario.seed, trial, "analog.phase").random())
        self.tones: list[Tone | Waveform] = [Tone(self.frequency, self.amplitude, phase)]
        if analog.waveform is not None:
            assert analog.waveform_rate is not None
            assert analog.full_scale is not None
            volts = analog.waveform.values / float(analog.full_scale / 2) * gain
            spare = len(volts) - rows_needed(count, rate.value, analog.waveform_rate.value)
            start = 2 + phase * max(spare, 0)
            self.tones = [Waveform(volts, analog.waveform_rate.value, start)]
        if analog.second_tone is not None:
            assert analog.second_amplitude is not None
            second = float(generator(scenario.seed, trial, "analog.second_phase").random())
            other = gain * analog.second_amplitude
            self.tones.append(Tone(analog.second_tone.value, other, second))
        self.offset = gain * (analog.offset or 0.0)
        if analog.converter_offsets is not None:
            self.offset += analog.converter_offsets[number]
        self.polynomial = analog.inl or ()
        self.table = analog.inl_table
        self.skew = analog.sampling_skew[number].constant_value if analog.sampling_skew else 0
        self.average = analog.average or 1
        self.step = FS_PER_SECOND / rate.value / self.average
        self.seed = scenario.seed, trial
        self.source = f"analog.noise lane {lane} word {position}"
        self.sigma = noise_of(scenario)
        self.noise = self._noise(self.source, count) if self.sigma else None

    def _noise(self, source: str, count: int) -> Floats:
        drawn = generator(*self.seed, source).standard_normal((count, self.average))
        found: Floats = self.sigma * drawn.mean(axis=1)
        return found

    def _input(self, instants: Times) -> Floats:
        value = np.full(len(instants), self.offset)
        for tone in self.tones:
            value += tone.at(instants)
        return codes.in_lsb(value, self.bits)

    def input_at(self, instants: Times) -> Floats:
        """Return the input, averaged as the converter does, in LSB from the middle."""
        total = self._input(instants + self.skew)
        for sample in range(1, self.average):
            total += self._input(instants + (self.skew + round(sample * self.step)))
        return total / self.average

    def codes_at(self, instants: Times, *, ideal: bool = False) -> tuple[Codes, int]:
        """Return the codes of samples at instants in fs, and how many were clipped.

        The instants are int64, shape (n,), one of each conversion from the first on; n at most
        `count`. An ideal converter neither bends nor adds noise.
        """
        values = self.input_at(instants)
        if ideal:
            return codes.quantised(values, self.bits)
        return self._converted(values, None if self.noise is None else self.noise[: len(values)])

    def code_at(self, number: int, instant: int) -> int:
        """Return the code of one sample at an instant in fs.

        Its conversion is -2 and below for those that no trigger asked for.
        """
        noise = None
        if self.noise is not None and number >= 0:
            noise = self.noise[number : number + 1]
        elif self.noise is not None:
            noise = self._noise(f"{self.source} unrequested", -1 - number)[-1:]
        found, _ = self._converted(self.input_at(np.array([instant])), noise)
        return found.item()

    def _converted(self, values: Floats, noise: Floats | None) -> tuple[Codes, int]:
        """Return the codes of values, bent and with noise added, and how many were clipped."""
        values = codes.bent(values, self.bits, self.polynomial)
        if self.table is not None:
            values = codes.interpolated(values, self.bits, self.table)
        if noise is not None:
            values = values + noise
        return codes.quantised(values, self.bits)


class Converters:
    """The converters of one board, each made when it is first asked for."""

    def __init__(self, scenario: Scenario, trial: int) -> None:
        self.scenario, self.trial = scenario, trial
        self._made: dict[tuple[int, int], Converter] = {}

    def __getitem__(self, place: tuple[int, int]) -> Converter:
        """Return that of a lane and a position on it."""
        if place not in self._made:
            count = self.scenario.conversions
            self._made[place] = Converter(self.scenario, self.trial, *place, count)
        return self._made[place]

    def code(self, number: int, lane: int, position: int, instant: int) -> int:
        """Return the code of one sample of one converter, as `Converter.code_at` does."""
        return self[lane, position].code_at(number, instant)
