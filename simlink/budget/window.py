"""The clocks that a scheme may have: below what its slowest chain allows, above what hold asks."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction

from simlink.budget.channels import Rule
from simlink.budget.terms import Margin


@dataclass(frozen=True)
class Window:
    """The clocks that a scheme may have, in Hz.

    Attributes
    ----------
    highest, lowest : Fraction or None
        None where nothing limits it.
    by, low_by : str
        The margin or channel that sets the one and the other.
    never : tuple of str
        Margins that no clock keeps.
    """

    highest: Fraction | None
    lowest: Fraction | None
    by: str
    low_by: str
    never: tuple[str, ...]

    @property
    def is_open(self) -> bool:
        """Whether any clock will do."""
        if self.never:
            return False
        return self.highest is None or self.lowest is None or self.lowest <= self.highest

    def nearest(self, clock: Fraction) -> Fraction | None:
        """Return the clock at or below a clock in Hz that will do, None if there is none."""
        if not self.is_open:
            return None
        slowed = clock if self.highest is None else min(clock, self.highest)
        return None if self.lowest is not None and slowed < self.lowest else slowed


def window_of(margins: Iterable[Margin], rules: Iterable[Rule], ber: float | None) -> Window:
    """Return the clocks that keep every margin and every channel's line rate.

    In the worst case at a bit-error ratio; without one, at the means.
    """
    highest, lowest, by, low_by = None, None, "", ""
    never = []
    for margin in margins:
        reach = margin.reach(ber)
        if reach.short is not None:
            never.append(margin.name)
        if reach.highest is not None and (highest is None or reach.highest < highest):
            highest, by = reach.highest, margin.name
        if reach.lowest is not None and (lowest is None or reach.lowest > lowest):
            lowest, low_by = reach.lowest, margin.name
    for rule in rules:
        if highest is None or rule.highest < highest:
            highest, by = rule.highest, f"line rate of {rule.name}"
    return Window(highest, lowest, by, low_by, tuple(never))
