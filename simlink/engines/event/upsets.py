"""What a transient does to the symbols of one channel: which of them it hits."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simlink.engines.event.frame import REPEATED, EdgeJitter, Met, Trial, repeated_source
from simlink.link.transient import UPSET_PARTS, is_upset, upset_parts
from simlink.scenario.distributions import Uniform

if TYPE_CHECKING:
    from simlink.link.transient import Way


class Hits:
    """The symbols of a channel that a transient hits, of so many for each conversion."""

    def __init__(self, trial: Trial, way: Way, channel: str, symbols: int, chance: float) -> None:
        assert trial.upsets is not None
        self.trial, self.upsets, self.way = trial, trial.upsets, way
        self.channel, self.symbols = channel, symbols
        #: How likely a symbol is hit that meets a window.
        self.parts = upset_parts(chance)
        law = Uniform(low=0, high=UPSET_PARTS)
        self.draws = EdgeJitter(trial, law, [f"upset {channel}"], symbols)

    def meets(self, sent: int, arrives: int) -> bool:
        """Tell whether a window meets what is on its way from one instant to another, in fs."""
        return self.upsets.hit(self.way, sent, arrives)

    def __call__(self, index: int, symbol: int, sent: int, arrives: int) -> bool:
        """Tell whether a symbol that was sent and would arrive at two instants, in fs, is hit.

        None is asked for of a conversion before any asked for earlier; of a repeated frame
        ``index`` is as its draws go.
        """
        if not self.upsets.hit(self.way, sent, arrives):
            return False
        sure = self.parts >= UPSET_PARTS
        hit = sure or is_upset(self.draws(index)[0][symbol], self.parts)
        if self.trial.met is not None:
            whose, channel = index, self.channel
            if index >= REPEATED:
                whose, channel = index - REPEATED, repeated_source(channel)
            self.trial.met.append(Met(channel, self.way, whose, symbol, sent, arrives, hit))
        return hit


def hits_of(trial: Trial, way: Way, channel: str, symbols: int, share: float = 1.0) -> Hits | None:
    """Return what tells which symbols of a channel are hit, or None if none can be.

    Of those that are, a share comes to harm.
    """
    if trial.upsets is None or way not in trial.upset_ways:
        return None
    chance = trial.scenario.barrier.upset * share
    return Hits(trial, way, channel, symbols, chance)
