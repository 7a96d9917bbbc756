"""The spectrum of a record and what it says, after IEEE Std 1241 (from memory).

Signal, harmonics and offset are fitted together by least squares, which is the transform itself
where the tone is coherent and leaks nothing where it is not. The transform finds spurs.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from simlink.analog.sine_fit import SineFit, angles, three
from simlink.analog.windows import RECTANGULAR, SEVEN_TERMS, Window

Floats = npt.NDArray[np.float64]

HARMONICS = 10
_PIECE = 1 << 16
#: The chance that noise alone shows a spur in a spectrum.
_FALSE_SPUR = 1e-3
_MOST_SPURS = 12
#: Bins that multiples of a beat have to be apart to name a line.
_FEWEST_BINS = 6


def folded(cycles: float) -> float:
    """Return where a tone of so many cycles a sample appears, from 0 to 1/2."""
    part = cycles % 1.0
    return min(part, 1.0 - part)


def is_coherent(frequency: float, count: int) -> bool:
    """Tell whether a tone has a whole number of cycles in a record.

    A cycle's share d beyond a whole number leaks -20 log10(1.8 d) dB below the tone; to the
    ten-millionth that is below the noise of 20 bits.
    """
    cycles = frequency * count
    return abs(cycles - round(cycles)) < 1e-7


def coherent(wanted: Fraction, rate: Fraction, count: int) -> Fraction:
    """Return the nearest frequency in Hz to one wanted that is coherent with a record.

    J rate / M, of M samples at `rate` a second, with J and M without a common factor, so that no
    sample repeats another.
    """
    middle = round(wanted * count / rate)
    for away in range(count):
        for cycles in (middle - away, middle + away):
            if cycles > 0 and math.gcd(cycles, count) == 1:
                return cycles * rate / count
    return rate / count


@dataclass(frozen=True)
class Line:
    """One line of a spectrum.

    Attributes
    ----------
    name : str
        What it is: ``"2nd harmonic"``, ``"tone + beat"``, ``"spur"``.
    frequency : float
        Where it stands, in cycles a sample, from 0 to 1/2.
    level : float
        In dB against the tone.
    """

    name: str
    frequency: float
    level: float


@dataclass(frozen=True)
class Analysis:
    """What a record says. Powers are in squares of the record's own unit.

    Attributes
    ----------
    fit : SineFit
        The tone.
    window : Window
        Of the spectrum.
    signal, distortion, noise : float
        The power of the tone, of its harmonics 2 to 10, and of the rest.
    residual : float
        The power of all but tone and offset.
    harmonics : tuple of Line
        The harmonics, folded.
    spurs : tuple of Line
        What stands above the noise besides, the highest first.
    spur_free : float
        The tone over the highest harmonic or other line, in dB.
    limit : float
        The power that noise alone hardly shows in any bin.
    spectrum : ndarray, shape (n // 2 + 1,)
        Power in each bin, of a tone on it as in `signal`.
    """

    fit: SineFit
    window: Window
    signal: float
    distortion: float
    noise: float
    residual: float
    harmonics: tuple[Line, ...]
    spurs: tuple[Line, ...]
    spur_free: float
    limit: float
    spectrum: Floats = field(repr=False)

    @property
    def lines(self) -> tuple[Line, ...]:
        """Harmonics and spurs that stand above the noise, the highest first."""
        least = -ratio(self.signal, self.limit)
        found = [*(one for one in self.harmonics if one.level > least), *self.spurs]
        return tuple(sorted(found, key=lambda one: -one.level))

    @property
    def sinad(self) -> float:
        """Signal to noise and distortion, in dB."""
        return ratio(self.signal, self.residual)

    @property
    def snr(self) -> float:
        """Signal to noise without harmonics, in dB."""
        return ratio(self.signal, self.noise)

    @property
    def thd(self) -> float:
        """Total harmonic distortion against the tone, in dB (negative)."""
        return -ratio(self.signal, self.distortion)

    def enob(self, bits: int) -> float:
        """Return effective bits of a record in LSB: N - log2(rms error / (1 LSB / sqrt 12))."""
        return bits - math.log2(math.sqrt(12 * self.residual)) if self.residual else math.inf

    def floor(self, full_scale: float, rate: float) -> float:
        """Return the noise floor in dB below a full-scale sine, a hertz.

        The sine's peak is in the record's unit, the rate in samples a second.
        """
        return -ratio(full_scale**2 / 2, self.noise) - 10 * math.log10(rate / 2)


def ratio(one: float, other: float) -> float:
    """Return a ratio of powers in dB; infinite over nothing."""
    if other <= 0:
        return math.inf
    return 10 * math.log10(one / other) if one > 0 else -math.inf


def analyse(
    values: npt.ArrayLike,
    frequency: float,
    *,
    window: Window | None = None,
    names: Mapping[str, float] | None = None,
    beat: float | None = None,
) -> Analysis:
    """Analyse an evenly sampled record.

    Parameters
    ----------
    values : array_like, shape (n,)
        The record, n at least 64.
    frequency : float
        Of the tone, in cycles a sample; whatever is beyond 1/2 is folded.
    window : Window, optional
        Of the spectrum; by default none for a coherent tone, else one whose side lobes are below
        any converter's noise.
    names : mapping of str to float, optional
        Names of lines that may be there, and their frequencies in cycles a sample.
    beat : float, optional
        In cycles a sample: how often something happens over and over, which makes lines at its
        multiples to either side of the tone.

    Returns
    -------
    Analysis
    """
    record = np.asarray(values, dtype=np.float64)
    count = len(record)
    fit = three(record, frequency)
    signal = fit.amplitude**2 / 2
    whole = is_coherent(frequency, count)
    # On bins of their own lines are told apart, however near.
    orders = _orders(frequency, count, 0.5 if whole else 1.5)
    if window is None:
        window = RECTANGULAR if whole else SEVEN_TERMS
    spectrum = _spectrum(record, window)
    if whole and window is RECTANGULAR:
        powers, noise = _on_bins(spectrum, frequency, orders, count)
        rest = spectrum.copy()
        for place in [0.0, *(folded(order * frequency) for order in (1, *orders))]:
            rest[round(place * count)] = 0.0
    else:
        powers, left = _harmonics(record, frequency, orders)
        noise = float(left @ left) / count
        # Without what was fitted, so that no window lets it leak into what is looked for.
        rest = _spectrum(left, window)
    harmonics = tuple(
        Line(f"{ordinal(order)} harmonic", folded(order * frequency), -ratio(signal, power))
        for order, power in zip(orders, powers, strict=True)
    )
    lines, highest, limit = _spurs(rest, window, signal, count)
    spurs = tuple(
        replace(line, name=_named(line.frequency, frequency, names or {}, beat, count))
        for line in lines
    )
    distortion = float(sum(powers))
    return Analysis(
        fit,
        window,
        signal,
        distortion,
        noise,
        fit.rms**2,
        harmonics,
        spurs,
        ratio(signal, max([highest, *powers])),
        limit,
        spectrum,
    )


def _orders(frequency: float, count: int, apart: float) -> list[int]:
    """Return the harmonics that fall neither on the tone, on the offset, nor on each other."""
    found: list[int] = []
    taken = [0.0, folded(frequency)]
    for order in range(2, HARMONICS + 1):
        place = folded(order * frequency)
        if all(abs(place - one) * count > apart for one in taken) and place < 0.5 - 1 / count:
            found.append(order)
            taken.append(place)
    return found


def _on_bins(
    spectrum: Floats, frequency: float, orders: list[int], count: int
) -> tuple[list[float], float]:
    """Return the power of each harmonic and of all else, of a coherent tone's transform."""
    places = [round(folded(order * frequency) * count) for order in (1, *orders)]
    powers = [float(spectrum[place]) for place in places[1:]]
    rest = spectrum[1:].copy()
    rest[np.array(places) - 1] = 0.0
    return powers, float(rest.sum())


def _harmonics(record: Floats, frequency: float, orders: list[int]) -> tuple[list[float], Floats]:
    """Return the power of each harmonic, and what neither they, tone nor offset explain."""
    count, sizes = len(record), 3 + 2 * len(orders)
    products, seen = np.zeros((sizes, sizes)), np.zeros(sizes)
    turns = angles(frequency, count)
    for first in range(0, count, _PIECE):
        design = _design(turns[first : first + _PIECE], orders)
        products += design @ design.T
        seen += design @ record[first : first + _PIECE]
    found = np.linalg.solve(products, seen)
    left = record.copy()
    for first in range(0, count, _PIECE):
        left[first : first + _PIECE] -= found @ _design(turns[first : first + _PIECE], orders)
    powers = [float(one) for one in (found[3::2] ** 2 + found[4::2] ** 2) / 2]
    return powers, left


def _design(turns: Floats, orders: list[int]) -> Floats:
    """Return offset, cosine and sine of the tone and of each harmonic, one a row."""
    once = np.exp(1j * turns)
    power = np.ones_like(once)
    design = np.empty((3 + 2 * len(orders), len(turns)))
    design[0] = 1.0
    row = 1
    for order in range(1, max(orders, default=1) + 1):
        power *= once
        if order == 1 or order in orders:
            design[row], design[row + 1] = power.real, power.imag
            row += 2
    return design


def _spectrum(record: Floats, window: Window) -> Floats:
    """Return the power in each bin; a sine of amplitude A on a bin gives A^2 / 2 there."""
    count = len(record)
    weighed = record if window is RECTANGULAR else record * window.weights(count)
    power = np.abs(np.fft.rfft(weighed)) ** 2
    power *= 2 / (count * window.gain) ** 2
    power[0] /= 2
    if count % 2 == 0:
        power[-1] /= 2
    return power


def _spurs(
    rest: Floats, window: Window, signal: float, count: int
) -> tuple[list[Line], float, float]:
    """Return lines that noise alone would hardly show, the highest bin's power, and that limit."""
    reach = window.reach + 1
    highest = float(rest.max())
    # Noise in a bin is exponential; its mean from the median, which lines hardly move.
    bins = rest[rest > 0]
    if not len(bins):
        return [], highest, 0.0
    usual = float(np.median(bins)) / math.log(2)
    limit = usual * math.log(len(bins) / _FALSE_SPUR)
    found: list[Line] = []
    while len(found) < _MOST_SPURS:
        top = int(rest.argmax())
        if rest[top] <= limit:
            break
        place = top / count
        found.append(Line("spur", place, -ratio(signal, float(rest[top]))))
        rest[max(top - reach, 0) : top + reach + 1] = 0.0
    return found, highest, limit


def _named(
    place: float, tone: float, names: Mapping[str, float], beat: float | None, count: int
) -> str:
    """Return what a line is, from where it stands."""
    near = [name for name, one in names.items() if abs(folded(one) - place) * count <= 1.5]
    if near:
        return near[0]
    # Multiples so near each other that any line would lie on one are no explanation.
    if beat is not None and beat * count > _FEWEST_BINS:
        tone = (tone + 0.5) % 1.0 - 0.5
        for away in (place - tone, -place - tone):
            order = round(away / beat)
            if order and abs(away - order * beat) * count <= 1.5:
                return f"tone {'-' if order < 0 else '+'} {abs(order)} x beat"
    return "spur"


def ordinal(order: int) -> str:
    """Return "2nd", "3rd", "4th" and so on, for orders from 2 to 10."""
    ending = {2: "nd", 3: "rd"}.get(order, "th")
    return f"{order}{ending}"
