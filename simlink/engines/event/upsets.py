"""What a transient does to the symbols of one channel: which of them it hits."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simlink.base.draws import ByNumber
from simlink.engines.event.frame import (
    REPEATED,
    Met,
    Trial,
    apart_number,
    apart_source,
    repeated_source,
)
from simlink.link.transient import UPSET_PARTS, chance_source, is_upset, upset_parts

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
        self._draws: dict[str, ByNumber] = {}

    def meets(self, sent: int, arrives: int) -> bool:
        """Tell whether a window meets what is on its way from one instant to another, in fs."""
        return self.upsets.hit(self.way, sent, arrives)

    def __call__(self, index: int, symbol: int, sent: int, arrives: int) -> bool:
        """Tell whether a symbol that was sent and would arrive at two instants, in fs, is hit.

        Of a repeated frame, or of one that nobody asked for, ``index`` is as its draws go.
        """
        if not self.upsets.hit(self.way, sent, arrives):
            return False
        sure = self.parts >= UPSET_PARTS
        hit = sure or is_upset(self._drawn(index, symbol), self.parts)
        if self.trial.met is not None:
            whose, channel = index, self.channel
            if index >= REPEATED:
                whose, channel = index - REPEATED, repeated_source(channel)
            self.trial.met.append(Met(channel, self.way, whose, symbol, sent, arrives, hit))
        return hit

    def _drawn(self, index: int, symbol: int) -> float:
        """Return the draw of a symbol, from 0 to below 1."""
        source = chance_source(self.channel)
        if index < 0:
            source, index = apart_source(source), apart_number(index)
        elif index >= REPEATED:
            source, index = repeated_source(source), index - REPEATED
        if source not in self._draws:
            trial = self.trial
            self._draws[source] = ByNumber(trial.scenario.seed, trial.number, source)
        return self._draws[source](index * self.symbols + symbol)


def hits_of(trial: Trial, way: Way, channel: str, symbols: int, share: float = 1.0) -> Hits | None:
    """Return what tells which symbols of a channel are hit, or None if none can be.

    Of those that are, a share comes to harm.
    """
    if trial.upsets is None or way not in trial.upset_ways:
        return None
    chance = trial.scenario.barrier.upset * share
    return Hits(trial, way, channel, symbols, chance)
