"""What the jitter of a run's sampling instants leaves of a tone, in a line."""

from __future__ import annotations

import math
from fractions import Fraction
from typing import TYPE_CHECKING

from simlink.analog.jitter import snr_of_jitter
from simlink.base.wording import quantity

if TYPE_CHECKING:
    from simlink.running.run import Run
    from simlink.scenario.schema import Scenario

#: Below this ratio in dB an error of the instant is no small part of the tone's period, and the
#: closed form ends.
_LEAST = 20.0


def tones(scenario: Scenario) -> tuple[Fraction, ...]:
    """Return the tones of which it is told: that at the inputs, else two decades below rate / 2.

    Triggers that are not evenly spaced have no rate to go by, and none.
    """
    rate = scenario.trigger.rate
    if rate is None or scenario.trigger.pattern != "periodic":
        return ()
    if scenario.analog.tone is not None:
        return (scenario.analog.tone.value,)
    highest = Fraction(1)
    while highest * 20 <= rate.value:
        highest *= 10
    return (highest / 10, highest)


def allowed(sigma: float, frequencies: tuple[Fraction, ...]) -> str:
    """Return such as ``"86.9 dB at 100 kHz, 66.9 dB at 1 MHz"``: the most that jitter leaves.

    Rounded up to a tenth of a dB, since it is a limit from above.

    ``sigma`` is the rms jitter, in s, above 0; frequencies are in Hz.
    """
    said = []
    for frequency in frequencies:
        ratio = snr_of_jitter(float(frequency), sigma)
        # What a float is off by is no reason to go up by a tenth.
        most = f"{math.ceil(10 * ratio - 1e-9) / 10:.1f} dB"
        if ratio < _LEAST:
            most = f"below {_LEAST:.0f} dB"
        said.append(f"{most} at {quantity(frequency, 'Hz')}")
    return ", ".join(said)


def jitter_line(run: Run) -> str:
    """Return the line of a run, such as ``"72 ps rms: SNR ≤ 86.9 dB at 100 kHz"``.

    Empty where no trigger jitters, or triggers are not evenly spaced.
    """
    figure = run.figures["sampling_jitter_rms"]
    frequencies = tones(run.scenario)
    if not figure.value or not frequencies:
        return ""
    return f"{figure.text()} rms: SNR ≤ {allowed(figure.value, frequencies)}"
