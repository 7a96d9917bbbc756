"""What the isolation costs: the host's record against that of an ideal trigger, same draws."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np

from simlink.analog import histogram, jitter
from simlink.analog.codes import Codes, centres
from simlink.analog.converter import Converter, Converters, noise_of
from simlink.analog.record import held, placed
from simlink.analog.sampling import Sampling, sampling
from simlink.analog.sine_fit import four, three
from simlink.analog.spectrum import Analysis, analyse, is_coherent
from simlink.analog.waveform import rows_needed
from simlink.analog.windows import SEVEN_TERMS
from simlink.base.errors import InputError
from simlink.base.instants import FS_PER_SECOND
from simlink.engines.batch import BatchEngine
from simlink.engines.choice import choose
from simlink.engines.event import EventEngine
from simlink.engines.event.wiring import with_words
from simlink.figures import intervals
from simlink.figures.figure import Figure, in_order
from simlink.figures.intervals import CONFIDENCE
from simlink.scenario.schema import Scenario
from simlink.studies.spectrum_result import TERMS, SpectrumStudy, Unit

#: The fewest words of a record.
FEWEST = 256
#: Those that an ideal trigger has as well.
_BARE = ("input", "quantisation", "converter", "aperture")


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
        more: list[list[int] | None] = []
        if chosen.name == BatchEngine.name:
            blocks = chosen.passing(scenario, range(trial, trial + 1), words=False)
            at = sampling(scenario, trial, blocks)
        if at is None or at.harmed:
            again = again or at is not None
            at, words, more = _with_words(scenario, converters, lane)
        read = {number: each[position] for number, each in words.items()}
        extra = [0 if each is None else each[position] for each in more]
        units.append(_unit(scenario, trial, converters[lane, position], at, read, extra))
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
) -> tuple[Sampling, dict[int, list[int]], list[list[int] | None]]:
    """Run a board whose words are its codes.

    The words by conversion are those of a lane that may have wrong bits, as they were read; the
    last are those of the frames that no trigger asked for, None for one that was not read.
    """
    refusal = EventEngine().refuses(scenario)
    if refusal is not None:
        said = f"bits of words come wrong, and which, only the event engine says; {refusal}"
        raise InputError(scenario.name, "conversions", str(scenario.conversions), said)
    block, words, more = with_words(scenario, converters.trial, converters.code, lane)
    return sampling(scenario, converters.trial, [block]), words, more


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
    scenario: Scenario,
    trial: int,
    converter: Converter,
    at: Sampling,
    words: dict[int, int],
    more: list[int],
) -> Unit:
    """Analyse one unit.

    By conversion, `words` are what its host read, where that is not sure to be what was converted;
    `more` are the words of the frames that no trigger asked for.
    """
    bits = scenario.frame.word_bits
    cycles = float(converter.frequency / at.rate)
    which = placed(at.fates, at.believed, at.failed, at.answers)
    there = which >= 0
    gaps = scenario.analog.gaps or "refuse"
    missing = int(np.count_nonzero(~there))
    if len(there) - missing < FEWEST:
        said = f"board {trial}'s host holds {len(there) - missing} words; a spectrum needs {FEWEST}"
        raise InputError(scenario.name, "conversions", str(scenario.conversions), said)
    if missing and gaps == "refuse":
        said = (
            f"{missing} of {len(there)} words {'is' if missing == 1 else 'are'} missing from board "
            f"{trial}'s record, or known to be wrong; "
            'to analyse it all the same, one of "cut", "join", "repeat", "zero"'
        )
        raise InputError(scenario.name, "analog.gaps", '"refuse"', said)
    before = 0.0
    if len(converter.tones) > 1 or scenario.analog.waveform is not None:
        before = three(converter.input_at(at.ideal[: len(which)]), cycles).rms ** 2
    powers = {"input": before}
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
            # As far as the record goes: what waits at its end is no loss.
            values = centres(found[: len(which)], bits)
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
    every = np.r_[read, np.array(more, dtype=np.int64)]
    record = held(centres(every, bits), which, gaps, zero=0.5)
    # The places of words of conversions.
    own = np.flatnonzero(there & (which < len(read)))
    misplaced = int(np.count_nonzero(which[own] != own))
    if len(record.values) < FEWEST:
        said = f"the longest stretch of board {trial}'s record without a gap has "
        said += f"{len(record.values)} words; a spectrum needs {FEWEST}"
        raise InputError(scenario.name, "analog.gaps", f'"{gaps}"', said)
    names = _names(scenario, converter, at)
    window = None
    if "second tone" in names and not is_coherent(names["second tone"], len(record.values)):
        # It leaks, however coherent the first one is.
        window = SEVEN_TERMS
    beat = None if record.spacing is None else 1 / record.spacing
    shown = cycles
    if misplaced:
        # Words that move ahead make the tone faster to the host, which knows of none of them.
        taken = float(which[own[-1]] - which[own[0]]) / float(own[-1] - own[0])
        shown = four(record.values, cycles * taken).frequency
    isolated = analyse(record.values, shown, window=window, names=names, beat=beat)
    powers["losses"] = isolated.residual - before
    ages = at.ages[which[own]] / FS_PER_SECOND
    return Unit(
        analyse(bare, cycles, window=window, names=names),
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
        every[len(read) :],
        misplaced,
        int(np.count_nonzero((read != found)[which[own]])),
        int(np.count_nonzero(at.failed)),
        int(np.count_nonzero(there)) - len(own),
        _nonlinearity(scenario, every[which[there]]),
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
    ages = _mean([one.ages[0] for one in units], "s")
    oldest = Figure(max(one.ages[1] for one in units), unit="s")
    found["age_median"], found["age_largest_seen"] = in_order([ages, oldest])
    return found
