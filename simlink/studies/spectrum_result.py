"""What the isolation costs, as it was found: of each board, and in words."""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from simlink.analog.codes import Codes
from simlink.analog.record import Held
from simlink.analog.spectrum import Analysis
from simlink.analog.waveform import error_at
from simlink.base import wording
from simlink.base.cautions import CAUTIONS
from simlink.base.instants import FS_PER_SECOND, Times
from simlink.base.json_text import AsJson
from simlink.base.late import picture
from simlink.figures.figure import Figure, plain
from simlink.scenario.schema import Scenario

if TYPE_CHECKING:
    from matplotlib.axes import Axes

#: The terms of the noise, in the order in which they come in, and what a table calls them.
TERMS = {
    "input": "what the input holds beside the tone",
    "quantisation": "quantisation",
    "converter": "converter: noise and nonlinearity",
    "aperture": "aperture jitter",
    "timer": "trigger timer's jitter",
    "barrier": "barrier's jitter",
    "losses": "missing, misplaced and wrong words",
}


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
        for none, n and more for those of the frames that no trigger asked for; what is beyond
        waits for its read.
    unrequested : ndarray of int64, shape (k,)
        The words of the frames that no trigger asked for.
    misplaced : int
        Words that stand at the place of another conversion.
    wrong : int
        Words that the host holds and that are not what was converted.
    told : int
        Words that came and that it does not hold, for it is told that something is wrong with them.
    strays : int
        Words of frames that no trigger asked for that it holds.
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
    unrequested: Codes = field(repr=False)
    misplaced: int = 0
    wrong: int = 0
    told: int = 0
    strays: int = 0
    nonlinearity: tuple[float, float] | None = None


@dataclass(frozen=True)
class SpectrumStudy(AsJson):
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
        harm = self.harm
        return f"{self._cost} {harm}" if harm else self._cost

    @property
    def harm(self) -> str:
        """What is not in the records as it was converted, in words; empty where all is."""
        sums = {
            said: sum(getattr(one, name) for one in self.units)
            for name, said in (
                ("wrong", "with wrong bits"),
                ("misplaced", "at the place of another"),
                ("strays", "of frames that no trigger asked for"),
            )
        }
        sums = {"missing": sum(one.record.missing for one in self.units), **sums}
        listed = ", ".join(f"{count} {said}" for said, count in sums.items() if count)
        total = wording.many(sum(one.record.of for one in self.units), "word")
        return f"Of {total} that the records should hold: {listed}." if listed else ""

    @property
    def _cost(self) -> str:
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
            seen = max(one.bare.sinad - one.isolated.sinad for one in self.units)
            if self.harm and seen > 0:
                # Some boards have paid for it.
                return (
                    f"Trigger and isolation cost up to {wording.number(_up(seen), 2)} dB on these "
                    f"{len(self.units)} boards, in the mean of all boards below "
                    f"{wording.number(_up(most), 2)} dB: {ends}."
                )
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
                "unrequested": [one.strays for one in self.units],
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
