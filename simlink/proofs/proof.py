"""What a proof says of one limit."""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction


@dataclass(frozen=True)
class Proof:
    """The worst that any draw can do to a limit.

    Attributes
    ----------
    limit : Fraction or None
        What must not be exceeded or undercut, in fs, frames, or the limit's own unit; None where
        nothing is asked for.
    worst : Fraction or None
        The worst value that bounded inputs allow; None if something has no bound.
    margin : Fraction or None
        What is left between the two, negative if the limit is broken; None without a worst.
    reached : bool
        Whether some draw comes to that worst, so that a negative margin is no gap of the proof.
    tail : float
        The probability, an edge, of Gaussian jitter beyond what was counted; 0 if none was cut.
    lacks : str
        What has no bound, or why nothing is proven; empty where `worst` is given.
    """

    limit: Fraction | None
    worst: Fraction | None
    margin: Fraction | None
    reached: bool = False
    tail: float = 0.0
    lacks: str = ""

    @property
    def holds(self) -> bool:
        """Whether the limit is proven."""
        return self.margin is not None and self.margin >= 0
