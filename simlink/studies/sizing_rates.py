"""The ladder of trigger rates, which starts from what converter, line and host can keep.

The closed forms are those of `figures.cycle`. A frame takes the converter its conversion, then
the longer of acquisition and of all that holds it until its last clock edge. So much has to lie
between two triggers; the host and a line of packets have to keep up on average. Poisson triggers
come arbitrarily close together: of a mean rate r a dead time T takes the share r T / (1 + r T)
(non-paralysable counter; Knoll, Radiation Detection and Measurement, chapter 4, from memory).
"""

from __future__ import annotations

import math
from collections.abc import Callable
from fractions import Fraction

from simlink.base.errors import InputError
from simlink.base.instants import FS_PER_SECOND
from simlink.budget.dual_dirac import USUAL_BER
from simlink.budget.schemes import margins
from simlink.figures.cycle import (
    REST,
    Cycle,
    cycles,
    late_jitter,
    shortest_spacing,
    trigger_jitter,
)
from simlink.proofs import bounds
from simlink.proofs.ends import UnboundedError
from simlink.proofs.release import release_bound
from simlink.scenario.distributions import reach
from simlink.scenario.quantities import PARTS
from simlink.scenario.schema import Scenario

#: Neighbouring rates of the ladder differ by this.
RATE_STEP = 0.02
#: How far the ladder goes below the closed form, and at the most above it.
_SLOWEST, _FASTEST = 1000, 50
_DIGITS, _ROUNDING = 4, 1e-6
#: The highest frequency that a scenario may have.
_MOST = Fraction(10**12)


class Rates:
    """Trigger rates from fast to slow; number 0 is the highest by the closed form.

    No rate above the one at `low`, where the ladder begins, can meet the target; `high` is its end.
    `proven` is the first value that is proven to lose nothing; `no_bound` says why there is none.
    """

    def __init__(self, scenario: Scenario, target: float) -> None:
        self._scenario = scenario
        self._converter, *behind = cycles(scenario)
        self._top = _closed_form(scenario, self._converter, behind, target)
        fastest = _fastest(scenario, self._converter, behind, target)
        # The last step may lie above it by rounding alone.
        faster = math.floor(_steps(fastest / self._top) + _ROUNDING)
        self.low = -min(max(faster, 0), math.floor(_steps(Fraction(_FASTEST))))
        self.high = self._last_possible(math.ceil(_steps(Fraction(_SLOWEST))))
        self.no_bound = ""
        self.proven = self._proven()

    def rate(self, at: int) -> Fraction:
        """Return a rate of the ladder in Hz, rounded down to four digits."""
        exact = float(self._top) * (1 + RATE_STEP) ** -at
        unit = Fraction(10) ** (math.floor(math.log10(exact)) + 1 - _DIGITS)
        number = self._top if at == 0 else Fraction(exact)
        return min(math.floor(number / unit) * unit, _MOST)

    def build(self, at: int) -> tuple[float, Scenario]:
        """Return a rate of the ladder in Hz, and the scenario with it."""
        rate = self.rate(at)
        text = f"{float(rate):.12g} Hz"
        return float(rate), self._scenario.with_value("trigger.rate", text)

    def _last_possible(self, last: int) -> int:
        """Return the last value at which a trial of so many conversions is not too long."""

        def fails(at: int) -> bool:
            try:
                self.build(at)
            except InputError:
                return True
            return False

        return _first(fails, 0, last + 1) - 1 if fails(last) and not fails(0) else last

    def _proven(self) -> int | None:
        if not _captures_hold(self._scenario):
            self.no_bound = "bits may be captured wrong"
            return None

        def keeps(at: int) -> bool:
            try:
                return keeps_all(self.build(at)[1])
            except UnboundedError as why:
                self.no_bound = str(why)
            return False

        if not keeps(self.high):
            self.no_bound = self.no_bound or "at no rate is everything proven to hold"
            return None
        found = _first(keeps, self.low, self.high)
        self.no_bound = ""
        return found


def _first(holds: Callable[[int], bool], low: int, high: int) -> int:
    """Return the first value at which something holds that holds from there on to `high`."""
    while low < high:
        middle = (low + high) // 2
        low, high = (low, middle) if holds(middle) else (middle + 1, high)
    return low


def _steps(ratio: Fraction) -> float:
    """Return how many steps of the ladder lie between two rates."""
    return math.log(float(ratio)) / math.log1p(RATE_STEP)


def keeps_all(scenario: Scenario) -> bool:
    """Tell whether no draw makes a scenario lose a conversion, or cut an acquisition short.

    Wrong captures, which no trigger rate cures, are left out.

    Raises
    ------
    UnboundedError
        If something that the proof needs has no bound.
    """
    converter = cycles(scenario)[0]
    longest = converter.largest + late_jitter(scenario, scenario.link.scheme)
    if not math.isfinite(longest):
        name = next(iter(converter.unbounded), "jitter")
        raise UnboundedError(f"the {name} has no upper bound")
    spacing = shortest_spacing(scenario)
    assert spacing is not None
    if scenario.trigger.pattern == "poisson":
        raise UnboundedError("Poisson triggers may come arbitrarily close together")
    if longest > spacing:
        return False
    if scenario.link.scheme != "remote_master":
        return True
    return bounds.keeps_rate(scenario) and (release_bound(scenario) <= scenario.fifo.release_bits)


def _captures_hold(scenario: Scenario) -> bool:
    """Tell whether every margin of the serial clock is kept in the worst case."""
    remote = scenario.link.scheme == "remote_master"
    clock = scenario.remote_clock.frequency if remote else scenario.host.clock
    try:
        return all(
            not margin.unbounded and margin.left_at_worst(clock.value, USUAL_BER) >= 0
            for margin in margins(scenario, scenario.link.scheme)
        )
    except InputError:
        return False  # a jitter that is neither bounded nor normal


def _closed_form(
    scenario: Scenario, converter: Cycle, behind: list[Cycle], target: float
) -> Fraction:
    """Return the highest rate in Hz that converter, line and host can keep, each by itself."""
    trigger = scenario.trigger
    if trigger.pattern == "poisson":
        least = converter.mean * Fraction((1 - target) / target)
    else:
        fastest = 1 + _finite(reach(trigger.tolerance)[1]) / PARTS
        late = late_jitter(scenario, scenario.link.scheme)
        least = Fraction(converter.decisive) + (Fraction(late) if math.isfinite(late) else 0)
        least = (least + _finite(trigger_jitter(scenario))) * fastest
    for side in behind:
        least = max(least, _spacing_in_burst(scenario, side.least_period))
    return min(FS_PER_SECOND / least, _MOST) if least > 0 else _MOST


def _finite(value: float) -> Fraction:
    """Return a bound exactly, 0 where there is none."""
    return Fraction(value) if math.isfinite(value) else Fraction(0)


def _spacing_in_burst(scenario: Scenario, average: Fraction) -> Fraction:
    """Return the spacing within a burst at which triggers come so far apart on average."""
    trigger = scenario.trigger
    if trigger.pattern != "burst" or trigger.gap is None:
        return average
    length = trigger.burst_length or 1
    return (length * average - Fraction(trigger.gap.mean)) / (length - 1)


def _fastest(scenario: Scenario, converter: Cycle, behind: list[Cycle], target: float) -> Fraction:
    """Return the rate in Hz above which more than the target is lost in the long run.

    Two good conversions are at least the shortest cycle apart. Periodic triggers closer together
    than that, and without jitter, lose every other conversion at least. The host reads on average
    no more than it has time for. A line of packets loses nothing, but a frame that it carries
    comes later and later, without end, if they come faster than it carries them.
    """
    quick = 1 + _finite(max(reach(scenario.remote_clock.tolerance)[1], 0)) / PARTS
    least = Fraction(0)
    for piece in converter.pieces:
        if piece.law is not None:
            least += _finite(max(piece.law.support[0], 0))
        elif not piece.name.endswith("crossing") and piece.name != REST:
            least += piece.mean / quick
    acquisition = scenario.converter.acquisition_time.support[0]
    conversion = scenario.converter.conversion_time.support[0]
    least = max(least, _finite(acquisition) + _finite(conversion))
    trigger = scenario.trigger
    good = Fraction(1) - Fraction(target)
    if trigger.pattern == "burst":
        length = trigger.burst_length or 1
        least = least * (good * length - 1) / (length - 1)
    elif trigger.pattern == "poisson" or target >= 0.5 or _finite(trigger_jitter(scenario)):
        least *= good
    least *= 1 + _finite(reach(trigger.tolerance)[0]) / PARTS
    for side in behind:
        share = Fraction(1) if side.side == "return line" else good
        least = max(least, _spacing_in_burst(scenario, share * side.least_period))
    return min(FS_PER_SECOND / least, _MOST) if least > 0 else _MOST
