"""A frame on its way, and the draws and fixed values that every part of one trial shares."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from types import SimpleNamespace
from typing import NamedTuple

import numpy as np

from simlink.base.draws import Column
from simlink.base.instants import FAR, Times
from simlink.engines.event.apart import Apart
from simlink.engines.event.words import Words
from simlink.link import check, content
from simlink.link.content import BitOutcome
from simlink.link.damage import Harm, Layout
from simlink.link.false_edge import FalseEdges, channels
from simlink.link.fifo import WhenFull
from simlink.link.transient import WAYS, Upsets, Way, may_upset
from simlink.link.unit import UNIT, Units
from simlink.records import RECORD, Cause, FrameBlock
from simlink.scenario.distributions import Distribution
from simlink.scenario.schema import Scenario


class Frame:
    """The frame of one conversion, from the accepted trigger to its fate.

    ``index`` is the true number of its conversion, for the ledger. ``believed`` is the trigger
    that the host takes it to answer, once it has been read; None if none is unanswered. Of its
    bits the first ``data`` of each lane are its words'. A frame of no conversion has an index below
    -1, for its own draws. ``draws`` is the number by which what is drawn for each of its symbols
    goes: ``index``, or that of a repeated frame.
    """

    __slots__ = (
        "admitted",
        "apart",
        "believed",
        "clock_start",
        "data",
        "discarded",
        "draws",
        "early",
        "extra",
        "harm",
        "index",
        "lanes_enough",
        "late",
        "missing",
        "mistaken",
        "protected",
        "pushed",
        "ready",
        "released",
        "repeats",
        "shifted",
        "turn",
        "whole",
        "wrong",
    )

    def __init__(self, index: int, ready: int, lanes: int, bits: int, data: int) -> None:
        self.index = self.draws = index
        self.data = data
        self.ready = ready
        self.clock_start = FAR
        #: None until its first bit arrives, then whether it has a slot.
        self.admitted: bool | None = None
        #: When it was given up for another one.
        self.discarded = FAR
        self.released = False
        #: Named by a service that has begun.
        self.protected = False
        #: Lane and place of the bits that the host took before they were pushed.
        self.late: set[tuple[int, int]] | None = None
        self.wrong = False
        #: By how many bits false clock pulses moved it up before it was read.
        self.shifted = 0
        #: When each bit of each lane was pushed, as far as they have been.
        self.pushed: list[list[int]] = [[] for _ in range(lanes)]
        self.lanes_enough = 0
        #: Bits still to be pushed, over all lanes, and when the last one was.
        self.missing = lanes * bits
        self.whole = FAR
        self.believed: int | None = None
        #: One without a row in the ledger: that no trigger asked for, with a record apart, or
        #: that repeats another one.
        self.extra = False
        self.repeats: Frame | None = None
        #: Which frame it was that the remote master clocked out, and whether it took the first
        #: bit too early.
        self.turn = 0
        self.early = False
        self.apart: Apart | None = None
        #: What transients did to it.
        self.harm: Harm | None = None
        #: Lane and place of the bits that the strobe took wrong.
        self.mistaken: Collection[tuple[int, int]] = ()

    @property
    def place(self) -> int:
        """The conversion, or the one that it comes after in the order of frames."""
        return self.index if self.apart is None else self.apart.after

    def again(self, bits: int) -> Frame:
        """Return the frame that repeats it, of so many bits a lane, with draws of its own."""
        found = Frame(self.index, self.ready, len(self.pushed), bits, self.data)
        found.repeats, found.extra = self, True
        found.draws, found.early = self.index + REPEATED, self.early
        return found

    def harmed(self) -> Harm:
        """Return what transients did to it, to be added to."""
        if self.harm is None:
            self.harm = Harm()
        return self.harm

    def invert(self, lane: int, bits: Iterable[int]) -> None:
        """Note bits of a lane that come inverted."""
        harm = self.harmed()
        harm.hit |= 1 << Cause.DATA
        for bit in bits:
            self.wrong = self.wrong or bit < self.data
            harm.inverted.add((lane, bit))

    def lose(self, bits: range, why: Cause, lane: int | None = None) -> None:
        """Note bits that will never come, of one lane or of all; that is wrong, not late."""
        self.harmed().hit |= 1 << why
        self.wrong = self.wrong or bits.start < self.data
        for which in range(len(self.pushed)):
            if lane is None or lane == which:
                self.missing -= len(bits)
                self.harmed().lost.update((which, bit) for bit in bits)


#: What the draws of a repeated frame go by is this much more than its conversion.
REPEATED = 2**40


class Indexed:
    """One draw for each conversion, looked up by its index in any order."""

    def __init__(self, law: Distribution, trial: Trial, source: str) -> None:
        column = Column(law, trial.scenario.seed, trial.number, source)
        self._constant = column.constant
        self._values = None if self._constant is not None else column.take(trial.conversions)

    def __call__(self, index: int) -> int:
        """Return the draw of one conversion in base units."""
        if self._values is None:
            assert self._constant is not None
            return self._constant
        return self._values.item(index)


class IndexedApart(Indexed):
    """One draw for each conversion, and one for each frame of none, from a stream of its own."""

    def __init__(self, law: Distribution, trial: Trial, source: str) -> None:
        super().__init__(law, trial, source)
        self._apart = Column(law, trial.scenario.seed, trial.number, apart_source(source))
        self._drawn: list[int] = []

    def __call__(self, index: int) -> int:
        """Return the draw of one conversion, or of a frame of none."""
        if index >= 0 or self._constant is not None:
            return super().__call__(index)
        number = apart_number(index)
        while number >= len(self._drawn):
            self._drawn += self._apart.take(_APART_CHUNK).tolist()
        return self._drawn[number]


#: Draws of frames of no conversion that are made together.
_APART_CHUNK = 64


def apart_source(source: str) -> str:
    """Return the source of a draw for frames of no conversion."""
    return f"{source} unrequested"


def repeated_source(source: str) -> str:
    """Return the source of a draw for repeated frames."""
    return f"{source} repeated"


def apart_number(index: int) -> int:
    """Return which frame of no conversion has an index."""
    return -2 - index


class EdgeJitter:
    """The jitter of each of several edges of some channels, for frames asked for in order.

    Parameters
    ----------
    trial : Trial
        Whose draws.
    law : Distribution
        The law of the jitter.
    sources : list of str
        One source a channel.
    per_frame : int
        Edges of each channel in a frame.
    """

    _CHUNK = 512

    def __init__(self, trial: Trial, law: Distribution, sources: list[str], per_frame: int) -> None:
        self._shape = (len(sources), per_frame)
        self._first = self._end = 0
        self._chunk: Times | None = None
        self._columns: list[Column] = []
        self._constant: list[list[int]] | None = None
        self._made = trial, law, sources
        #: That of frames whose draws are their own, by how their sources are named.
        self._others: dict[Callable[[str], str], EdgeJitter] = {}
        if law.is_constant:
            self._constant = [[law.constant_value] * per_frame for _ in sources]
        else:
            seed = trial.scenario.seed
            self._columns = [
                Column(law, seed, trial.number, source, per_frame, edge)
                for source in sources
                for edge in range(per_frame)
            ]

    def __call__(self, index: int) -> list[list[int]]:
        """Return the jitter of each channel's edges in one frame, in fs.

        Raises
        ------
        ValueError
            If the frame lies further back than draws are kept.
        """
        if self._constant is not None:
            return self._constant
        if index < 0:
            return self._other(apart_source)(apart_number(index))
        if index >= REPEATED:
            return self._other(repeated_source)(index - REPEATED)
        found: list[list[int]] = self.drawn(index).tolist()
        return found

    def drawn(self, index: int) -> Times:
        """Return the draws of a frame of a conversion, as `__call__` does."""
        if self._constant is not None:
            return np.array(self._constant)
        if index < self._first:
            raise ValueError(f"the jitter of frame {index} is asked for after that of later ones")
        while index >= self._end:
            rows = [column.take(self._CHUNK) for column in self._columns]
            self._first, self._end = self._end, self._end + self._CHUNK
            self._chunk = np.array(rows).reshape(*self._shape, self._CHUNK)
        assert self._chunk is not None
        return self._chunk[:, :, index - self._first]

    def _other(self, named: Callable[[str], str]) -> EdgeJitter:
        """Return that of frames whose draws have sources named in another way."""
        if named not in self._others:
            trial, law, sources = self._made
            self._others[named] = EdgeJitter(trial, law, list(map(named, sources)), self._shape[1])
        return self._others[named]


class Met(NamedTuple):
    """A symbol that an upset window met.

    Attributes
    ----------
    channel : str
        As in the source of its draws.
    way : {"forward", "return"}
    conversion, symbol : int
        Whose it is, and which of the conversion's symbols on that channel.
    sent, arrives : int, fs
        From when to when it is on its way, as if it had come.
    hit : bool
        Whether it was hit, as its draw says.
    """

    channel: str
    way: Way
    conversion: int
    symbol: int
    sent: int
    arrives: int
    hit: bool


class Made(NamedTuple):
    """An edge that a window made on a channel that carried nothing.

    Attributes
    ----------
    channel : str
        As in the source of its draws.
    way : {"forward", "return"}
    time : int, fs
        When it came.
    acted : bool
        Whether what received it did anything.
    """

    channel: str
    way: Way
    time: int
    acted: bool


class Trial:
    """One unit run once: the scenario, its fixed values, its draws and its records.

    Attributes
    ----------
    unit : namespace of int
        The unit's single values, named as in `simlink.link.unit.UNIT`.
    record : namespace of ndarray
        The columns of the records of this trial, by name, shape (conversions,); ``first_bit`` and
        ``last_bit`` of shape (conversions, lanes, words), or None.
    """

    def __init__(self, scenario: Scenario, units: Units, number: int, block: FrameBlock) -> None:
        row = number - units.trials.start
        self.scenario = scenario
        self.number = number
        self.conversions = scenario.conversions
        self.lanes = scenario.frame.lanes
        self.bits = scenario.bits_per_lane
        self.layout = Layout.of(scenario)
        self.data = self.layout.data
        #: What the sequence counter of each conversion's frame shows, if frames carry one.
        self.counters: Times | None = None
        #: Those of frames of no conversion, by their index.
        self.counters_apart: dict[int, int] = {}
        if self.layout.sequence:
            self.counters = np.zeros(self.conversions, dtype=np.int64)
        self.depth = scenario.fifo.depth
        self.when_full = WhenFull.of(scenario.fifo.when_full)
        names = UNIT.names or ()
        self.unit = SimpleNamespace(**{name: units.values[name].item(row) for name in names})
        self.lane_delay: list[int] = units.lanes[row].tolist()
        self.lane_distortion: list[int] = units.lane_distortions[row].tolist()
        self.rising: list[int] = units.rising[row].tolist()
        self.falling: list[int] = units.falling[row].tolist()
        self.captured: list[int] = units.captured[row].tolist()
        self.bit_ends: list[int] = units.bit_ends[row].tolist()
        self.strobe_edges: list[int] = units.strobe_edges[row].tolist()
        self.wrong_later: list[bool] = units.wrong_later[row].tolist()
        self.past_hold: list[bool] = units.past_hold[row].tolist()
        self.host_rising: list[int] = units.host_rising.tolist()
        self.host_falling: list[int] = units.host_falling.tolist()
        self.host_captured: list[int] = units.host_captured.tolist()
        columns = RECORD.names or ()
        self.record = SimpleNamespace(**{name: block.records[name][row] for name in columns})
        #: The directions that a transient may upset, and when it does; None where there are none.
        self.upset_ways = [way for way in WAYS if may_upset(scenario, way)]
        self.upsets = Upsets(scenario, number) if self.upset_ways else None
        #: What upset windows met, for who wants to know.
        self.met: list[Met] | None = None
        #: What edges they made where there was none, for who wants to know.
        self.made: list[Made] | None = None
        #: What the words say, and what the host reads of them, for who wants to know.
        self.words: Words | None = None
        #: How likely a window makes an edge where there is none.
        self.false_edge = scenario.barrier.false_edge if self.upset_ways else 0
        #: Frames that no trigger asked for, and how many of them are of no conversion.
        self.apart: list[Apart] = []
        self.strays = 0
        for name, times in (("first_bit", block.first_bit), ("last_bit", block.last_bit)):
            setattr(self.record, name, None if times is None else times[row])

    def counter(self, index: int) -> int:
        """Return how many triggers, and edges taken for one, had come ahead of a conversion's."""
        if index < 0:
            return self.counters_apart.get(index, 0)
        return 0 if self.counters is None else self.counters.item(index)

    def sent(self, index: int, lane: int) -> list[int]:
        """Return all bits that a lane sends of a conversion's frame.

        Where the words are given, a remote master sends what it has captured of them.
        """
        counter = self.counter(index)
        words = self.words
        if words is None:
            return check.sent(self.scenario, self.number, index, lane, counter)
        aperture = words.apertures.get(index) if index < 0 else self.record.aperture.item(index)
        if aperture is None:
            # Begun by a false strobe: no bit of it is its own.
            return [0] * self.bits
        bits = words.bits(index, lane, aperture)
        if self.scenario.link.scheme == "remote_master":
            first_wrong = index in words.early
            outcomes = {bit: self.capture(bit, first_wrong) for bit in range(self.data)}
            bits = content.received(bits, outcomes)
        return check.behind(self.scenario.check, bits, counter)

    def capture(self, bit: int, first_wrong: bool) -> BitOutcome:
        """Return which bit the remote master captures for one.

        Parameters
        ----------
        first_wrong : bool
            Whether the first bit of that frame is captured too early.
        """
        if bit == 0 and first_wrong:
            return BitOutcome.PREVIOUS
        if not self.wrong_later[bit]:
            return BitOutcome.RIGHT
        # Too early is the bit before; past its hold, a bit is already the next one.
        return BitOutcome.NEXT if self.past_hold[bit] else BitOutcome.PREVIOUS

    def each(self, law: Distribution, source: str) -> Indexed:
        """Return the draws of a source that is drawn once for each conversion."""
        return (IndexedApart if self.false_edge else Indexed)(law, self, source)

    def unrequested(self, frame: Frame, after: int) -> Apart:
        """Note that no trigger asked for a frame, and after which conversion it comes."""
        frame.extra = True
        frame.apart = Apart(after)
        self.apart.append(frame.apart)
        return frame.apart

    def stray_index(self) -> int:
        """Return the index of the next frame of no conversion."""
        self.strays += 1
        return -1 - self.strays

    def note_false(self, way: Way, channel: str, time: int, acted: object = True) -> None:
        """Note an edge that a window made, for who wants to know."""
        if self.made is not None:
            self.made.append(Made(channel, way, time, bool(acted)))

    def false_edges(self, way: Way, channel: str) -> FalseEdges | None:
        """Return when windows make edges on a channel that carries nothing, or None if never."""
        if self.upsets is None or (way, channel) not in channels(self.scenario):
            return None
        return FalseEdges(self.scenario, self.number, self.upsets, way, channel)
