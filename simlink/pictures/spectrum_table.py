"""What `simlink spectrum` prints, and the samples as CSV."""

from __future__ import annotations

import math
from collections.abc import Iterator
from decimal import ROUND_DOWN
from typing import TYPE_CHECKING

from simlink.analog.jitter import jitter_allowed, snr_of_quantising
from simlink.base import wording
from simlink.base.cautions import CAUTIONS
from simlink.base.errors import printable
from simlink.pictures.jitter_line import allowed
from simlink.pictures.text import columns, wrapped
from simlink.studies.spectrum_result import TERMS, decimals

if TYPE_CHECKING:
    from simlink.analog.windows import Window
    from simlink.figures.figure import Figure
    from simlink.studies.spectrum_result import SpectrumStudy

#: Lines of the spectrum that are listed.
_LINES = 8


def table(found: SpectrumStudy) -> str:
    """Return the answer for a terminal: the cost first, then figures, noise, lines."""
    scenario = found.scenario
    rows = [("", "isolated", "ideal trigger", "")]
    for name in ("SINAD", "SNR", "THD", "SFDR", "ENOB", "noise floor"):
        key = name.lower().replace(" ", "_")
        with_, without = found.figures[key], found.figures[f"{key}_bare"]
        rows.append((name, _value(with_), _value(without), with_.unit))
    tone = wording.quantity(found.frequency, "Hz", 9)
    kinds = " or ".join(dict.fromkeys(_window(one.isolated.window) for one in found.units))
    least, most = (end(len(one.record.values) for one in found.units) for end in (min, max))
    words = f"{least} to {most} words" if least < most else wording.many(most, "word")
    about = f"Tone {tone}, {words} a board, {kinds}, {wording.many(len(found.units), 'board')}."
    median, largest = found.figures["age_median"], found.figures["age_largest_seen"]
    ages = f"{median.text()} median, {largest.text()} largest seen."
    said = [about, *_amiss(found), f"From a sample to the end of its read: {ages}"]
    parts = [
        f"{printable(scenario.title or scenario.name)}\n{wrapped(found.sentence)}",
        columns(rows),
        "noise and distortion below the converter's tone, each added to those above it:\n"
        + _budget(found),
        _lines(found),
        _nonlinearity(found),
        _jitter(found),
        _skews(found),
        wrapped(" ".join(said)),
        wrapped(f"Engine {found.engine}, seed {scenario.seed}."),
        wrapped(f"Cautions: {CAUTIONS}"),
    ]
    return "\n\n".join(part for part in parts if part) + "\n"


def _amiss(found: SpectrumStudy) -> Iterator[str]:
    """Say what is not as it should be in the records of the hosts, or in the input."""
    units, many = found.units, wording.many
    if missing := sum(one.record.missing for one in units):
        of = sum(one.record.of for one in units)
        gaps = f"(gaps: {found.scenario.analog.gaps})"
        yield f"{missing} of {of} words {_are(missing)} missing from the records {gaps}."
    if told := sum(one.told for one in units):
        yield (
            f"{many(told, 'word')} came in frames whose check failed or that ended short, and "
            f"{_are(told)} left out."
        )
    if wrong := sum(one.wrong for one in units):
        yield (
            f"{many(wrong, 'word')} of the records {_are(wrong)} not what the converter gave, and "
            f"analysed as the host read {_them(wrong)}."
        )
    if misplaced := sum(one.misplaced for one in units):
        yield (
            f"{many(misplaced, 'word')} {'stands' if misplaced == 1 else 'stand'} where the host "
            f"takes {_them(misplaced)} to belong, at the place of another conversion."
        )
    if strays := sum(one.strays for one in units):
        yield (
            f"{many(strays, 'word')} in the records {_are(strays)} of frames that no trigger asked "
            "for, which the host takes for answers."
        )
    if (recorded := found.waveform) is not None:
        band = wording.quantity(recorded["band"], "Hz", 6)
        yield (
            f"The input is a recording of {recorded['rows']} rows, whose band ends at {band}; the "
            f"cubic spline through them is wrong by {recorded['spline_error']:.0f} dBc at the most "
            "at the tone, and by more above it."
        )
    if clipped := sum(one.clipped for one in units):
        yield f"{many(clipped, 'sample')} beyond the range clipped."


def _are(number: int) -> str:
    return "is" if number == 1 else "are"


def _them(number: int) -> str:
    return "it" if number == 1 else "them"


def _window(window: Window) -> str:
    """Return what a table calls the window of a spectrum."""
    if window.name == "rectangular":
        return "no window"
    return f"window {window.name} ({window.processing_loss:.1f} dB processing loss)"


def _value(figure: Figure) -> str:
    if figure.value is None:
        return "-"
    places = 2
    if figure.low is not None and figure.high is not None:
        places = decimals(figure.high - figure.low)
    return f"{figure.value:.{places}f}"


def _budget(found: SpectrumStudy) -> str:
    """Return what adds to the noise; the sum is that of the isolated channel."""
    powers = {term: found.figures[f"noise_{term}"].value or 0.0 for term in TERMS}
    total = sum(powers.values())
    rows = [
        (said, _below(powers[term]), f"{100 * powers[term] / total:.1f} %" if total else "-")
        for term, said in TERMS.items()
        if powers[term] or term == "quantisation"
    ]
    rows.append(("together", _below(total), ""))
    return columns(rows)


def _below(power: float) -> str:
    if power > 0:
        return f"{10 * math.log10(power):.2f} dBc"
    return "takes some away" if power else "-"


def _lines(found: SpectrumStudy) -> str:
    first = found.units[0]
    rate = float(first.rate)
    rows = [
        (one.name, wording.quantity(one.frequency * rate, "Hz", 6), f"{one.level:.1f} dBc")
        for one in first.isolated.lines[:_LINES]
    ]
    if not rows:
        return "No harmonic or spur of board 0 stands above the noise."
    return f"highest lines of board 0:\n{columns(rows)}"


def _nonlinearity(found: SpectrumStudy) -> str:
    """Return what the histogram of the words says, where they suffice."""
    figures = found.figures
    if "inl_largest" not in figures:
        return ""
    inl, dnl = (_value(figures[name]) for name in ("inl_largest", "dnl_largest"))
    return wrapped(
        f"Histogram of the words held: integral nonlinearity up to {inl} LSB, differential up to "
        f"{dnl} LSB (the largest of a board, mean over boards; it rests on as many words a code as "
        "there are, and jitter and noise smooth it)."
    )


def _jitter(found: SpectrumStudy) -> str:
    """Return what the jitter leaves, and what the converter's bits would allow."""
    figure, bits = found.figures["sampling_jitter_rms"], found.scenario.frame.word_bits
    if not figure.value:
        return ""
    ideal = snr_of_quantising(bits)
    most = wording.quantity(jitter_allowed(float(found.frequency), ideal), "s", 3, ROUND_DOWN)
    return wrapped(
        f"Sampling jitter {figure.text()} rms: {allowed(figure.value, (found.frequency,))}. For "
        f"the {ideal:.1f} dB of {wording.many(bits, 'bit')} alone it would have to be below "
        f"{most} there."
    )


def _skews(found: SpectrumStudy) -> str:
    """Return the skew of every converter, as time and as phase of the tone."""
    rows = [
        (f"lane {lane} word {word}", _signed(seconds), f"{degrees:.4g} degrees of the tone")
        for lane, word, seconds, degrees in found.skews
    ]
    return f"sampling later than the trigger says:\n{columns(rows)}" if rows else ""


def _signed(seconds: float) -> str:
    sign = "-" if seconds < 0 else ""
    return sign + wording.quantity(abs(seconds), "s")


def csv(found: SpectrumStudy) -> str:
    """Return the first board's samples, one a conversion, and behind them those of no conversion.

    conversion; t_sample_fs, its instant; code, as the converter gave it; held, whether the host
    has it in its record; place, the conversion that it takes it for; read, the code that it has;
    wrong, whether that is another one. The last three are empty where it has none.
    """
    unit = found.units[0]
    places = {which: place for place, which in enumerate(unit.placed.tolist()) if which >= 0}
    rows = ["conversion,t_sample_fs,code,held,place,read,wrong"]
    each = zip(unit.instants.tolist(), unit.codes.tolist(), unit.read.tolist(), strict=True)
    for number, (instant, code, read) in enumerate(each):
        place = places.get(number)
        what = "0,,," if place is None else f"1,{place},{read},{int(read != code)}"
        rows.append(f"{number},{instant},{code},{what}")
    for number, read in enumerate(unit.unrequested.tolist(), len(unit.codes)):
        if number in places:
            rows.append(f",,,1,{places[number]},{read},")
    return "\n".join(rows) + "\n"
