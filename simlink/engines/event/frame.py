"""A frame on its way, and the draws and fixed values that every part of one trial shares."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable
from dataclasses import dataclass
from types import SimpleNamespace
from typing import Any, NamedTuple

import numpy as np

from simlink.base.draws import Column
from simlink.base.instants import FAR, Times
from simlink.engines.event.apart import Apart, columns
from simlink.engines.event.clockwork import Clockwork
from simlink.engines.event.signals import Signals
from simlink.engines.event.words import Words
from simlink.link import check, content
from simlink.link.content import BitOutcome
from simlink.link.damage import Harm, Layout
from simlink.link.false_edge import FalseEdges, Numbered, channels
from simlink.link.fifo import WhenFull
from simlink.link.transient import WAYS, Upsets, Way, may_upset
from simlink.link.unit import UNIT, Units
from simlink.records import Cause, FrameBlock
from simlink.scenario.distributions import Distribution
from simlink.scenario.schema import Scenario


@dataclass(slots=True, eq=False)
class Frame:
    """The frame of one conversion, from the accepted trigger to its fate; times in fs.

    ``index`` is the true number of its conversion, for the ledger. ``believed`` is the trigger
    that the host takes it to answer, once it has been read; None if none is unanswered. Of its
    bits the first ``data`` of each lane are its words'. A frame of no conversion has an index below
    -1, for its own draws. ``draws`` is the number by which what is drawn for each of its symbols
    goes: ``index``, or that of a repeated frame.
    """

    index: int
    draws: int
    data: int
    ready: int
    #: When each bit of each lane was pushed, as far as they have been.
    pushed: list[list[int]]
    #: Bits still to be pushed, over all lanes, and when the last one was.
    missing: int
    #: Where what becomes of it is recorded, and in which row.
    record: Any
    row: int
    whole: int = FAR
    clock_start: int = FAR
    #: None until its first bit arrives, then whether it has a slot.
    admitted: bool | None = None
    #: When it was given up for another one.
    discarded: int = FAR
    released: bool = False
    #: Named by a service that has begun.
    protected: bool = False
    #: Lane and place of the bits that the host took before they were pushed.
    late: set[tuple[int, int]] | None = None
    wrong: bool = False
    #: By how many bits false clock pulses moved it up before it was read.
    shifted: int = 0
    lanes_enough: int = 0
    believed: int | None = None
    #: One without a row in the ledger: that no trigger asked for, with a record apart, or
    #: that repeats another one.
    extra: bool = False
    repeats: Frame | None = None
    apart: Apart | None = None
    #: Which frame it was that the remote master clocked out, and whether it took the first
    #: bit too early.
    turn: int = 0
    early: bool = False
    #: What transients did to it.
    harm: Harm | None = None
    #: Lane and place of the bits that the strobe took wrong.
    mistaken: Collection[tuple[int, int]] = ()

    @property
    def place(self) -> int:
        """The conversion, or the one that it comes after in the order of frames."""
        return self.index if self.apart is None else self.apart.after

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
        harm = self.harmed()
        harm.hit |= 1 << why
        self.wrong = self.wrong or bits.start < self.data
        for which in range(len(self.pushed)) if lane is None else (lane,):
            self.missing -= len(bits)
            harm.lost.update((which, bit) for bit in bits)


#: What the draws of a repeated frame go by is this much more than its conversion.
REPEATED = 2**40


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

    Each channel has a source of its own.
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
    """A symbol that an upset window met."""

    #: As in the source of its draws.
    channel: str
    way: Way
    #: Whose it is, and which of the conversion's symbols on that channel.
    conversion: int
    symbol: int
    #: From when to when it is on its way, as if it had come, in fs.
    sent: int
    arrives: int
    #: Whether it was hit, as its draw says.
    hit: bool


class Made(NamedTuple):
    """An edge that a window made on a channel that carried nothing."""

    #: As in the source of its draws.
    channel: str
    way: Way
    #: When it came, in fs.
    time: int
    #: Whether what received it did anything.
    acted: bool


class Trial:
    """One unit run once: the scenario, its clock, its signals, its draws and its records.

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
        # Early enough for a first trigger that jitter pulls ahead.
        early = min(scenario.trigger.jitter.support[0], 0.0)
        self.env = Clockwork(initial_time=int(max(early, -1e18)))
        self.signals = Signals(self.env)
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
        self.record = columns(block.records[row])
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
        for name in ("first_bit", "last_bit"):
            times = getattr(block, name)
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
        """Return which bit the remote master captures for one, the first too early or not."""
        if bit == 0 and first_wrong:
            return BitOutcome.PREVIOUS
        if not self.wrong_later[bit]:
            return BitOutcome.RIGHT
        # Too early is the bit before; past its hold, a bit is already the next one.
        return BitOutcome.NEXT if self.past_hold[bit] else BitOutcome.PREVIOUS

    def each(self, law: Distribution, source: str) -> Callable[[int], int]:
        """Return what gives the draw of a conversion, in base units, by its index in any order.

        Of frames of no conversion, where there may be any, from a stream of its own.
        """
        column = Column(law, self.scenario.seed, self.number, source)
        if (constant := column.constant) is not None:
            return lambda _: constant
        draws: Callable[[int], int] = column.take(self.conversions).item
        if not self.false_edge:
            return draws
        column = Column(law, self.scenario.seed, self.number, apart_source(source))
        apart = Numbered(column)
        return lambda index: draws(index) if index >= 0 else apart(apart_number(index))

    def frame(self, index: int, ready: int) -> Frame:
        """Return the frame of a conversion that ends at an instant, in fs."""
        pushed: list[list[int]] = [[] for _ in range(self.lanes)]
        missing = self.lanes * self.bits
        return Frame(index, index, self.data, ready, pushed, missing, self.record, index)

    def again(self, frame: Frame) -> Frame:
        """Return the frame that repeats another one, with draws of its own."""
        found = self.frame(frame.index, frame.ready)
        found.repeats, found.extra = frame, True
        found.draws, found.early = frame.index + REPEATED, frame.early
        return found

    def unrequested(self, frame: Frame, after: int) -> Apart:
        """Note that no trigger asked for a frame, and after which conversion it comes."""
        frame.extra = True
        frame.apart = apart = Apart(after)
        frame.record, frame.row = apart.record, 0
        self.apart.append(apart)
        return apart

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


class Part:
    """A part of a trial, with what every part needs at hand."""

    def __init__(self, trial: Trial) -> None:
        self.trial = trial
        self.env, self.signals, self.record = trial.env, trial.signals, trial.record
