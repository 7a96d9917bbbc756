"""Pictures of `simlink spectrum`: the spectrum with its lines named, and what jitter allows."""

from __future__ import annotations

import math
from typing import TYPE_CHECKING

import numpy as np

from simlink.analog import jitter
from simlink.base.wording import quantity
from simlink.pictures import style

if TYPE_CHECKING:
    from matplotlib.axes import Axes

    from simlink.studies.spectrum_result import SpectrumStudy

#: Lines that are named, and points of the drawn spectrum at the most.
_NAMED, _POINTS = 6, 4000
#: The jitters of the family of curves, in s.
_FAMILY = tuple(10.0**power for power in range(-14, -8))


@style.in_our_look
def spectrum(found: SpectrumStudy, ax: Axes | None = None) -> Axes:
    """Draw the spectrum of unit 0 as its host holds it, the highest lines named.

    Parameters
    ----------
    found : SpectrumStudy
        What `simlink.studies.spectrum.spectrum` returned.
    ax : matplotlib Axes, optional
        Where to draw; a new figure's when left out.

    Returns
    -------
    matplotlib Axes
        Frequency across, power in each bin up, in dB below a full-scale sine. Where there are
        more bins than points, each point is the highest of its bins.
    """
    ax = style.axes_for(ax, 8.4, 4.8, left=0.09, right=0.95, bottom=0.115, top=0.88)
    unit = found.units[0]
    full = 2.0 ** (2 * found.scenario.frame.word_bits - 3)
    rate = float(unit.rate)
    power = unit.isolated.spectrum
    count = len(unit.record.values)
    each = -(-len(power) // _POINTS)
    rows = np.pad(power, (0, -len(power) % each), mode="edge").reshape(-1, each)
    places = (np.arange(len(rows)) * each + rows.argmax(axis=1)) / count * rate
    levels = 10 * np.log10(np.maximum(rows.max(axis=1) / full, 1e-20))
    ax.plot(places, levels, color=style.TEAL, lw=0.8)
    base = 10 * math.log10(unit.isolated.signal / full) if unit.isolated.signal else 0.0
    beside: list[float] = []
    for line in unit.isolated.lines[:_NAMED]:
        harmonic = line.name.endswith("harmonic")
        colour = style.PLUM if harmonic else style.RUST
        at = line.frequency * rate, base + line.level
        ax.plot(*at, marker="v" if harmonic else "D", color=colour, ms=5, linestyle="none")
        crowd = sum(abs(line.frequency - one) < 0.06 for one in beside)
        beside.append(line.frequency)
        apart = (0, 7 + 11 * crowd)
        style.note(ax, line.name, at, apart, color=colour, ha="center", fontsize=8)
    ax.xaxis.set_major_formatter(style.in_units("Hz"))
    ax.set_xlim(0, rate / 2)
    ax.set_ylim(max(float(np.percentile(levels, 1)) - 10, -200), 8)
    ax.set_xlabel("frequency")
    ax.set_ylabel("power in a bin, dBFS")
    tone = style.proper(quantity(found.frequency, "Hz"))
    style.entitle(ax, f"Spectrum of a {tone} tone as the host holds it, board 0")
    return ax


@style.in_our_look
def jitter_allowance(found: SpectrumStudy, ax: Axes | None = None) -> Axes:
    """Draw the SNR that jitter leaves against the tone, with this design's own point.

    Parameters
    ----------
    found : SpectrumStudy
        What `simlink.studies.spectrum.spectrum` returned.
    ax : matplotlib Axes, optional
        Where to draw; a new figure's when left out.

    Returns
    -------
    matplotlib Axes
        The tone across (logarithmic), -20 log10(2 pi f sigma) up, one line a jitter.
    """
    ax = style.axes_for(ax, 8.4, 4.8, left=0.09, right=0.95, bottom=0.115, top=0.88)
    tone = float(found.frequency)
    ends = 10 ** math.floor(math.log10(tone) - 1.5), 10 ** math.ceil(math.log10(tone) + 1.5)
    across = np.array(ends)
    for sigma in _FAMILY:
        left = [jitter.snr_of_jitter(one, sigma) for one in ends]
        ax.plot(across, left, color=style.QUIET, lw=1)
        middle = ends[0] * 4
        at = middle, jitter.snr_of_jitter(middle, sigma)
        style.note(ax, style.proper(quantity(sigma, "s")), at, (2, 4), fontsize=8)
    own = found.figures["sampling_jitter_rms"].value
    if own:
        at = tone, jitter.snr_of_jitter(tone, own)
        ax.plot(*at, marker="o", color=style.RUST, ms=8, linestyle="none", label="this design")
    bits = found.scenario.frame.word_bits
    ideal = jitter.snr_of_quantising(bits)
    ax.axhline(ideal, color=style.INK, lw=1.2, linestyle=(0, (6, 3)), label=f"{bits} ideal bits")
    ax.set_xscale("log")
    ax.set_xlim(*ends)
    ax.set_ylim(20, 180)
    ax.xaxis.set_major_formatter(style.in_units("Hz"))
    ax.set_xlabel("tone")
    ax.set_ylabel("SNR that jitter leaves, dB")
    style.entitle(ax, "What the rms jitter of the sampling instant allows")
    ax.legend(loc="upper right", frameon=False)
    return ax
