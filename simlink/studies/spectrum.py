"""What the isolation costs: the host's record against that of an ideal trigger, same draws."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from simlink.analog import histogram, jitter
from simlink.analog.codes import Codes, centres
from simlink.analog.converter import Converter, Converters, noise_of
from simlink.analog.record import Held, held, placed
from simlink.analog.sampling import Sampling, sampling
from simlink.analog.sine_fit import four, three
from simlink.analog.spectrum import Analysis, analyse
from simlink.analog.waveform import error_at, rows_needed
from simlink.base import wording
from simlink.base.cautions import CAUTIONS
from simlink.base.errors import InputError
from simlink.base.instants import FS_PER_SECOND, Times
from simlink.base.json_text import json_text
from simlink.base.late import picture
from simlink.engines.batch import BatchEngine
from simlink.engines.choice import choose
from simlink.engines.event import EventEngine
from simlink.engines.event.wiring import with_words
from simlink.figures import intervals
from simlink.figures.intervals import CONFIDENCE
from simlink.figures.summary import Figure, plain

if TYPE_CHECKING:
    from collections.abc import Callable

    from matplotlib.axes import Axes

    from simlink.scenario.schema import Scenario

#: The fewest words of a record.
FEWEST = 256
#: The terms of the noise, in the order in which they come in, and what a table calls them.
TERMS = {
    "quantisation": "quantisation",
    "converter": "converter: noise and nonlinearity",
    "aperture": "aperture jitter",
    "timer": "trigger timer's jitter",
    "barrier": "barrier's jitter",
    "losses": "missing, misplaced and wrong words",
}
#: Those that an ideal trigger has as well.
_BARE = ("quantisation", "converter", "aperture")


@dataclass(frozen=True)
class Unit:
    """What one unit's record says.

    Attributes
    ----------
    bare, isolated : Analysis
        With an ideal trigger, and as the host holds it.
    powers : dict of str to float
        What each of `TERMS` adds to the power of noise and distortion, in LSB^2; they add up to
        `isolated.residual`.
    record : Held
        What the host holds.
    clipped : int
        Samples of the isolated converter beyond its range.
    rate : Fraction
        Samples a second.
    jitter : float
        The rms of the sampling instant against an ideal trigger's and aperture's, less its mean,
        in s.
    ages : (float, float)
        From a sample to the end of its read, in s: median and largest.
    codes, instants : ndarray of int64, shape (n,)
        Of every conversion, as it was made; fs.
    read : ndarray of int64, shape (n,)
        The word of every conversion as its host read it, if it did.
    placed : ndarray of int64, shape (m,)
        The conversion whose word stands at each of the first m places of the host's record, -1
        for none; what is beyond waits for its read.
    misplaced : int
        Words that stand at the place of another conversion.
    wrong : int
        Words that the host holds and that are not what was converted.
    told : int
        Words that came and that it does not hold, for it is told that something is wrong with them.
    nonlinearity : (float, float) or None
        Largest integral and differential nonlinearity of the words held, in LSB, from their
        histogram; None where that takes more words or a tone that fills the range.
    """

    bare: Analysis
    isolated: Analysis
    powers: dict[str, float]
    record: Held
    clipped: int
    rate: Fraction
    jitter: float
    ages: tuple[float, float]
    codes: Codes = field(repr=False)
    read: Codes = field(repr=False)
    instants: Times = field(repr=False)
    placed: npt.NDArray[np.int64] = field(repr=False)
    misplaced: int = 0
    wrong: int = 0
    told: int = 0
    nonlinearity: tuple[float, float] | None = None


@dataclass(frozen=True)
class SpectrumStudy:
    """The analog side of a scenario's channel.

    Attributes
    ----------
    scenario : Scenario
        What was asked about.
    engine : str
        The engine that ran it; both, where the batch engine found words that may have wrong bits,
        and the event engine said which.
    lane, position : int
        Which converter.
    frequency : Fraction
        Of the tone, in Hz.
    units : tuple of Unit
        One a trial.
    figures : dict of str to Figure
        Means over boards, in dB and bits, each with its interval.
    """

    scenario: Scenario
    engine: str
    lane: int
    position: int
    frequency: Fraction
    units: tuple[Unit, ...]
    figures: dict[str, Figure]

    @property
    def sentence(self) -> str:
        """The answer in words."""
        found = self.figures
        cost, low, high = found["cost"].value, found["cost"].low, found["cost"].high
        with_, without = found["sinad"], found["sinad_bare"]
        if cost is None or with_.value is None or without.value is None:
            return "The record holds no tone that could be analysed."
        ends = (
            f"SINAD {_db(with_)} ({_bits(found['enob'])}) against {_db(without)} "
            f"({_bits(found['enob_bare'])}) of the same converter with an ideal trigger"
        )
        if low is not None and high is not None and low <= 0:
            most = max(high, 0.0)
            least = f"below {wording.number(_up(most), 2)} dB" if most else "nothing"
            return f"Trigger and isolation cost {least}, if anything: {ends}."
        if cost <= 0:
            return f"Trigger and isolation cost nothing that this record shows: {ends}."
        bits = found["cost_bits"]
        return f"Trigger and isolation cost {_db(found['cost'])} ({_bits(bits)}): {ends}."

    @property
    def skews(self) -> tuple[tuple[int, int, float, float], ...]:
        """Lane and word of each converter, how much later it samples, in s and degrees of tone."""
        given = self.scenario.analog.sampling_skew or ()
        words = self.scenario.frame.words_per_lane
        found = []
        for number, one in enumerate(given):
            lane, word = divmod(number, words)
            seconds = one.constant_value / FS_PER_SECOND
            found.append((lane, word, seconds, 360 * float(self.frequency) * seconds))
        return tuple(found)

    @property
    def waveform(self) -> dict[str, Any] | None:
        """What is known of a recorded input: rows, rate, band in Hz, the spline's error in dBc."""
        given = self.scenario.analog
        if given.waveform is None or given.waveform_rate is None:
            return None
        rate = given.waveform_rate.value
        return {
            "rows": len(given.waveform.values),
            "rate": float(rate),
            "band": float(rate / 2),
            "spline_error": -error_at(self.frequency, rate),
        }

    def plot(self, ax: Axes | None = None) -> Axes:
        """Draw the spectrum of unit 0, its lines named."""
        drawn: Axes = picture("spectrum", "spectrum")(self, ax)
        return drawn

    def plot_jitter(self, ax: Axes | None = None) -> Axes:
        """Draw the SNR that jitter leaves against the tone, with this design's own point."""
        drawn: Axes = picture("spectrum", "jitter_allowance")(self, ax)
        return drawn

    def to_dict(self) -> dict[str, Any]:
        """Return what was found as JSON holds it: ratios in dB, times in seconds."""
        first = self.units[0]
        return {
            "title": self.scenario.title,
            "engine": self.engine,
            "seed": self.scenario.seed,
            "lane": self.lane,
            "word": self.position,
            "tone": float(self.frequency),
            "record": {
                "words": first.record.of,
                "missing": [one.record.missing for one in self.units],
                "misplaced": [one.misplaced for one in self.units],
                "wrong": [one.wrong for one in self.units],
                "told": [one.told for one in self.units],
                "gaps": self.scenario.analog.gaps or "refuse",
                "window": first.isolated.window.name,
                "window_loss": first.isolated.window.processing_loss,
                "scalloping_loss": first.isolated.window.scalloping_loss,
                "clipped": [one.clipped for one in self.units],
            },
            "waveform": self.waveform,
            "figures": plain(self.figures),
            "lines": [
                {
                    "name": line.name,
                    "frequency": line.frequency * float(first.rate),
                    "level": _finite(line.level),
                }
                for line in first.isolated.lines
            ],
            "skews": [
                {"lane": lane, "word": word, "seconds": seconds, "degrees": degrees}
                for lane, word, seconds, degrees in self.skews
            ],
            "sentence": self.sentence,
            "cautions": CAUTIONS,
        }

    def to_json(self) -> str:
        """Return what was found as JSON text."""
        return json_text(self.to_dict())


def _finite(value: float) -> float | None:
    return value if math.isfinite(value) else None


def _up(value: float) -> float:
    """Return a value rounded up to two digits."""
    step = 10.0 ** (math.floor(math.log10(value)) - 1)
    return math.ceil(value / step * (1 - 1e-12)) * step


def _db(figure: Figure) -> str:
    return f"{_number(figure)} dB"


def _bits(figure: Figure) -> str:
    return f"{_number(figure)} bits"


def _number(figure: Figure) -> str:
    """Return a figure with the digits that its interval leaves, two decimals without one."""
    assert figure.value is not None
    if figure.low is None or figure.high is None:
        return f"{figure.value:.2f}"
    width = figure.high - figure.low
    return f"{figure.value:.{decimals(width)}f}"


def decimals(width: float) -> int:
    """Return the decimals that an interval of a width leaves meaning to, at most 4."""
    return min(max(1 - math.floor(math.log10(width)), 0), 4) if width > 0 else 4


def spectrum(
    scenario: Scenario,
    *,
    engine: str = "auto",
    lane: int = 0,
    position: int = 0,
    progress: Callable[[int], object] | None = None,
) -> SpectrumStudy:
    """Compare a scenario's channel with the same converter and an ideal trigger.

    Parameters
    ----------
    scenario : Scenario
        With an ``[analog]`` tone and periodic triggers.
    engine : {"auto", "event", "batch"}
        Which engine; the codes do not depend on it.
    lane, position : int
        Of which converter.
    progress : callable, optional
        Called with the number of boards finished.

    Raises
    ------
    InputError
        If there is no tone, the triggers are not periodic, the record is short, or words are
        missing and nothing is said about gaps.
    """
    _check(scenario, lane, position)
    chosen, _ = choose(engine, scenario)
    units, again = [], False
    for trial in range(scenario.trials):
        converters = Converters(scenario, trial)
        at: Sampling | None = None
        words: dict[int, list[int]] = {}
        if chosen.name == BatchEngine.name:
            blocks = chosen.passing(scenario, range(trial, trial + 1), words=False)
            at = sampling(scenario, trial, blocks)
        if at is None or at.harmed:
            again = again or at is not None
            at, words = _with_words(scenario, converters, lane)
        read = {number: each[position] for number, each in words.items()}
        units.append(_unit(scenario, trial, converters[lane, position], at, read))
        if progress is not None:
            progress(trial + 1)
    converter = Converter(scenario, 0, lane, position, scenario.conversions)
    return SpectrumStudy(
        scenario,
        f"{chosen.name} and {EventEngine.name}" if again else chosen.name,
        lane,
        position,
        converter.frequency,
        tuple(units),
        _figures(scenario, converter, units),
    )


def _with_words(
    scenario: Scenario, converters: Converters, lane: int
) -> tuple[Sampling, dict[int, list[int]]]:
    """Run a board whose words are its codes; return those of a lane that may have wrong bits."""
    refusal = EventEngine().refuses(scenario)
    if refusal is not None:
        said = f"bits of words come wrong, and which, only the event engine says; {refusal}"
        raise InputError(scenario.name, "conversions", str(scenario.conversions), said)
    block, words = with_words(scenario, converters.trial, converters.code, lane)
    return sampling(scenario, converters.trial, [block]), words


def _check(scenario: Scenario, lane: int, position: int) -> None:
    """Raise InputError unless there is a record to be analysed."""
    name, frame = scenario.name, scenario.frame
    if scenario.analog.tone is None:
        raise InputError(name, "analog.tone", None, 'missing; a frequency, such as "10 kHz"')
    if scenario.trigger.pattern != "periodic":
        pattern = f'"{scenario.trigger.pattern}"'
        said = 'only "periodic": a spectrum is of evenly spaced samples'
        raise InputError(name, "trigger.pattern", pattern, said)
    given, rate = scenario.analog, scenario.trigger.rate
    if given.waveform is not None and given.waveform_rate is not None and rate is not None:
        rows = len(given.waveform.values)
        needed = rows_needed(scenario.conversions, rate.value, given.waveform_rate.value)
        if rows < needed:
            said = f"at least {needed} for {scenario.conversions} conversions"
            raise InputError(name, "analog.waveform", f"{rows} rows", said)
    if scenario.conversions < FEWEST:
        said = f"at least {FEWEST} for a spectrum"
        raise InputError(name, "conversions", str(scenario.conversions), said)
    for option, value, most in (
        ("--lane", lane, frame.lanes),
        ("--word", position, frame.words_per_lane),
    ):
        if value >= most:
            raise InputError(option, None, str(value), f"a whole number from 0 to {most - 1}")


def _unit(
    scenario: Scenario, trial: int, converter: Converter, at: Sampling, words: dict[int, int]
) -> Unit:
    """Analyse one unit.

    Parameters
    ----------
    words : dict of int to int
        By conversion, what its host read, where that is not sure to be what was converted.
    """
    bits = scenario.frame.word_bits
    cycles = float(converter.frequency / at.rate)
    which = placed(at.fates, at.believed, at.failed)
    there = which >= 0
    gaps = scenario.analog.gaps or "refuse"
    missing = int(np.count_nonzero(~there))
    if len(there) - missing < FEWEST:
        said = f"board {trial}'s host holds {len(there) - missing} words; a spectrum needs {FEWEST}"
        raise InputError(scenario.name, "conversions", str(scenario.conversions), said)
    if missing and gaps == "refuse":
        said = (
            f"{missing} of {len(there)} words are missing from board {trial}'s record, or known to "
            'be wrong; to analyse it all the same, one of "cut", "join", "repeat", "zero"'
        )
        raise InputError(scenario.name, "analog.gaps", '"refuse"', said)
    powers: dict[str, float] = {}
    before = 0.0
    values = bare = np.zeros(0)
    found, clipped = converter.codes_at(at.ideal, ideal=True)
    last = None
    for term, instants in (
        ("quantisation", at.ideal),
        ("converter", at.ideal),
        ("aperture", at.aperture),
        ("timer", at.timer),
        ("barrier", at.barrier),
    ):
        # What changes nothing need not be worked out again.
        same = last is not None and np.array_equal(instants, last)
        if term == "quantisation" or not same or (term == "converter" and _adds(scenario)):
            if term != "quantisation":
                found, clipped = converter.codes_at(instants)
            values = centres(found, bits)
            total = three(values, cycles).rms ** 2
            powers[term] = total - before
            before = total
        else:
            powers[term] = 0.0
        last = instants
        if term == _BARE[-1]:
            bare = values
    read = found.copy()
    read[list(words)] = list(words.values())
    record = held(centres(read, bits), which, gaps, zero=0.5)
    misplaced = int(np.count_nonzero(there & (which != np.arange(len(which)))))
    if len(record.values) < FEWEST:
        said = f"the longest stretch of board {trial}'s record without a gap has "
        said += f"{len(record.values)} words; a spectrum needs {FEWEST}"
        raise InputError(scenario.name, "analog.gaps", f'"{gaps}"', said)
    names = _names(scenario, converter, at)
    beat = None if record.spacing is None else 1 / record.spacing
    shown = cycles
    if misplaced:
        # Words that move ahead make the tone faster to the host, which knows of none of them.
        places = np.flatnonzero(there)
        taken = float(which[places[-1]] - which[places[0]]) / float(places[-1] - places[0])
        shown = four(record.values, cycles * taken).frequency
    isolated = analyse(record.values, shown, names=names, beat=beat)
    powers["losses"] = isolated.residual - before
    ages = at.ages[which[there]] / FS_PER_SECOND
    return Unit(
        analyse(bare, cycles, names=names),
        isolated,
        powers,
        record,
        clipped,
        at.rate,
        float(np.std(at.barrier - at.ideal)) / FS_PER_SECOND,
        (float(np.median(ages)), float(ages.max())),
        found,
        read,
        at.barrier + converter.skew,
        which,
        misplaced,
        int(np.count_nonzero((read != found)[which[there]])),
        int(np.count_nonzero(at.failed)),
        _nonlinearity(scenario, read[which[there]]),
    )


def _nonlinearity(scenario: Scenario, codes: Codes) -> tuple[float, float] | None:
    """Return the largest integral and differential nonlinearity that a histogram shows, in LSB."""
    bits = scenario.frame.word_bits
    # Two tones are no sine, whose time at each level is known.
    if scenario.analog.second_tone is not None or not histogram.enough(len(codes), bits):
        return None
    try:
        inl, dnl = histogram.nonlinearity(codes, bits)
    except ValueError:
        return None
    return float(np.abs(inl).max()), float(np.abs(dnl).max())


def _adds(scenario: Scenario) -> bool:
    """Tell whether the converter does anything but quantise."""
    analog = scenario.analog
    return bool(noise_of(scenario) or any(analog.inl or ()) or any(analog.inl_table or ()))


def _names(scenario: Scenario, converter: Converter, at: Sampling) -> dict[str, float]:
    """Return what is known of lines that may be there, in cycles a sample."""
    rate = float(at.rate)
    one = float(converter.frequency) / rate
    found: dict[str, float] = {}
    if scenario.analog.second_tone is not None:
        two = float(scenario.analog.second_tone.value / at.rate)
        found |= {
            "second tone": two,
            "sum of the tones": one + two,
            "difference of the tones": one - two,
            "2 x tone - second tone": 2 * one - two,
            "2 x second tone - tone": 2 * two - one,
        }
    return found


def _mean(values: list[float], unit: str) -> Figure:
    """Return the mean over boards, with its interval; nothing where one is infinite."""
    if not all(map(math.isfinite, values)):
        return Figure(None, unit=unit)
    low, high = intervals.mean(values)
    confidence = None if low is None else CONFIDENCE
    return Figure(float(np.mean(values)), low, high, confidence, unit=unit)


def _figures(scenario: Scenario, converter: Converter, units: list[Unit]) -> dict[str, Figure]:
    bits = scenario.frame.word_bits
    peak = 2.0 ** (bits - 1)
    found: dict[str, Figure] = {}
    for name, tail in (("isolated", ""), ("bare", "_bare")):
        each: list[Analysis] = [getattr(one, name) for one in units]
        rates = [float(one.rate) for one in units]
        ratios = {
            "sinad": [one.sinad for one in each],
            "snr": [one.snr for one in each],
            "thd": [one.thd for one in each],
            "sfdr": [one.spur_free for one in each],
        }
        found |= {f"{key}{tail}": _mean(values, "dB") for key, values in ratios.items()}
        found[f"enob{tail}"] = _mean([one.enob(bits) for one in each], "bits")
        floors = [one.floor(peak, rate) for one, rate in zip(each, rates, strict=True)]
        found[f"noise_floor{tail}"] = _mean(floors, "dBFS/Hz")
    cost = [one.bare.sinad - one.isolated.sinad for one in units]
    found["cost"] = _mean(cost, "dB")
    found["cost_bits"] = _mean([one / jitter.DB_PER_BIT for one in cost], "bits")
    # Of a recording the tone's amplitude is what was found in it.
    amplitude = float(np.mean([one.bare.fit.amplitude for one in units]))
    signal = (
        converter.amplitude * peak if scenario.analog.waveform is None else amplitude
    ) ** 2 / 2
    for term in TERMS:
        found[f"noise_{term}"] = _mean([one.powers[term] / signal for one in units], "1")
    bent = [one.nonlinearity for one in units if one.nonlinearity is not None]
    if len(bent) == len(units):
        for place, name in enumerate(("inl_largest", "dnl_largest")):
            found[name] = _mean([one[place] for one in bent], "LSB")
    found["sampling_jitter_rms"] = _mean([one.jitter for one in units], "s")
    found["age_median"] = _mean([one.ages[0] for one in units], "s")
    found["age_largest_seen"] = Figure(max(one.ages[1] for one in units), unit="s")
    return found
