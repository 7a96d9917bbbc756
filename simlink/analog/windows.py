"""Windows: sums of cosines, each with the loss that it costs."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Window:
    """A window w(n) = sum of (-1)^j a_j cos(2 pi j n / M), after Harris, Proc. IEEE 66 (1978).

    Attributes
    ----------
    name : str
        As it is asked for.
    terms : tuple of float
        The a_j.
    """

    name: str
    terms: tuple[float, ...]

    @property
    def reach(self) -> int:
        """Bins to either side of a tone that its main lobe reaches."""
        return len(self.terms) - 1

    @property
    def gain(self) -> float:
        """The mean of the window: what becomes of a tone's amplitude."""
        return self.terms[0]

    @property
    def noise_bandwidth(self) -> float:
        """The equivalent noise bandwidth, in bins."""
        rest = sum(one**2 for one in self.terms[1:]) / 2
        return (self.terms[0] ** 2 + rest) / self.terms[0] ** 2

    @property
    def processing_loss(self) -> float:
        """What it costs in signal to noise of a tone on a bin, in dB."""
        return 10 * math.log10(self.noise_bandwidth)

    @property
    def scalloping_loss(self) -> float:
        """How much lower a tone half way between two bins stands, in dB."""
        # The transform of each term is that of a rectangle, shifted by j bins; all in phase.
        height = self.terms[0] * float(np.sinc(0.5))
        for j, one in enumerate(self.terms[1:], 1):
            height += one / 2 * float(np.sinc(0.5 - j) + np.sinc(0.5 + j))
        return -20 * math.log10(height / self.terms[0])

    def weights(self, count: int) -> Floats:
        """Return its M = `count` values (of the periodic window)."""
        turns = 2 * math.pi / count * np.arange(count)
        found = np.full(count, self.terms[0])
        for j, one in enumerate(self.terms[1:], 1):
            found += (-1) ** j * one * np.cos(j * turns)
        return found


RECTANGULAR = Window("rectangular", (1.0,))
HANN = Window("hann", (0.5, 0.5))
BLACKMAN_HARRIS = Window("blackman_harris", (0.35875, 0.48829, 0.14128, 0.01168))
#: Side lobes 180 dB down, so that no tone of a converter leaks (coefficients from memory).
SEVEN_TERMS = Window(
    "seven_term",
    (
        0.27105140069342,
        0.43329793923448,
        0.21812299954311,
        0.06592544638803,
        0.01081174209837,
        0.00077658482522,
        0.00001388721735,
    ),
)
WINDOWS = {one.name: one for one in (RECTANGULAR, HANN, BLACKMAN_HARRIS, SEVEN_TERMS)}
