"""The batch engine: trials walked by compiled loops, in stretches that stay in the cache."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np

from simlink.base.instants import FAR, NEVER, Times
from simlink.engines.batch import host_clocked, read_upsets, remote_master
from simlink.engines.batch.between import walk_between
from simlink.engines.batch.departures import Departures
from simlink.engines.batch.draws import Draws, conversion_columns
from simlink.engines.batch.false_edges import FirstEdges
from simlink.engines.batch.harms import Harms
from simlink.engines.batch.hits import Wanted, seeds_of
from simlink.engines.batch.judging import contents_of
from simlink.engines.batch.law import lasts_of, law_of
from simlink.engines.batch.read_windows import ReadWindows
from simlink.engines.batch.reads import read_columns
from simlink.engines.batch.returns import JUDGES, Symbols, symbols
from simlink.engines.batch.rings import mend
from simlink.engines.batch.settled import (
    reaches_back,
    settles,
    walk_noted,
    walk_settled,
)
from simlink.engines.batch.state import HOST_CLOCKED, NOTE, REMOTE, refresh
from simlink.engines.batch.sure import unjudged
from simlink.engines.batch.windows import (
    Given,
    Late,
    Windows,
    refusal,
)
from simlink.engines.event import EventEngine
from simlink.link import unit
from simlink.link.false_edge import channels
from simlink.link.transient import upsets
from simlink.link.transport import packets_of, shape_of
from simlink.link.unit import Units
from simlink.records import BLANK, RECORD, FrameBlock
from simlink.scenario.schema import Scenario

#: Where each trial is walked for itself: trials that are open at a time, the most conversions of a
#: piece, and about how many numbers its draws and records may take, so that they stay near.
BESIDE, PIECE, NEAR = 64, 2048, 40_000
#: As many where each keeps records for itself, and how many times as long their stretches are.
BESIDE_APART, FEWER = 8, 4
#: Trials whose units are drawn together.
TRIALS = 512
#: The most conversions of a trial in one stretch, and the fewest; powers of two, as rings are, and
#: as many pieces.
LONGEST, SHORTEST = 16384, 128
#: About how many numbers the draws and records of a stretch may take, and the FIFOs of its trials.
NUMBERS = 2**19
PLACES = 2**20


class BatchEngine:
    """The rules, compiled; the same records as the event engine, to the femtosecond."""

    name = "batch"

    def refuses(self, scenario: Scenario) -> str | None:
        """Return why the scenario cannot be done exactly, or None."""
        return refusal(scenario) or unjudged(scenario)

    def run(self, scenario: Scenario, trials: range, *, words: bool) -> Iterator[FrameBlock]:
        """Simulate some trials.

        Parameters
        ----------
        scenario : Scenario
            What to simulate.
        trials : range
            Which trials.
        words : bool
            Whether the push times of each word are kept.

        Yields
        ------
        FrameBlock
            Each trial's conversions in order.
        """
        for block in self.passing(scenario, trials, words=words):
            block.records = block.records.copy()
            if block.first_bit is not None and block.last_bit is not None:
                block.first_bit, block.last_bit = block.first_bit.copy(), block.last_bit.copy()
            yield block

    def passing(self, scenario: Scenario, trials: range, *, words: bool) -> Iterator[FrameBlock]:
        """Simulate some trials, as `run` does; each block is good until the next is asked for."""
        for walk in self.walks(scenario, trials, words=words):
            yield from walk.run()

    def walks(self, scenario: Scenario, trials: range, *, words: bool) -> Iterator[Walk]:
        """Give some trials chunk by chunk, for somebody else to have walked."""
        for start in range(trials.start, trials.stop, TRIALS):
            units = unit.build(scenario, range(start, min(start + TRIALS, trials.stop)))
            yield Walk(scenario, units, words)


class Walk:
    """Trials of one chunk of boards, walked in stretches."""

    def __init__(self, scenario: Scenario, units: Units, words: bool) -> None:
        self.scenario = scenario
        self.units = units
        self.words = words
        self.loops = scenario.trigger.pattern == "after_read"
        self.by_remote = scenario.link.scheme == "remote_master"
        columns = conversion_columns(scenario)
        if self.by_remote:
            self.symbols: Symbols = symbols(scenario, units, words)
            columns += self.symbols.columns
            self.law = law_of(scenario, units, words, self.symbols)
            self.spans, self.longest = lasts_of(self.law, scenario, units, self.symbols)
            packets = packets_of(scenario)
            self.shapes = np.zeros((3, len(self.symbols.takes)), dtype=np.int64)
            if packets is not None:
                self.shapes = shape_of(scenario, packets)
            self.wrong: Any = units.wrong_later.any(axis=1) | self.symbols.wrong
            self.offsets = np.ascontiguousarray(units.captured[:, self.symbols.last_bits])
        else:
            columns += read_columns(scenario)
            self.law = law_of(scenario, units, words, None)
        self.draws = Draws(scenario, columns)
        self.read_windows = ReadWindows(scenario, self.draws, columns)
        self.judge = read_upsets.Judge(scenario)
        #: Bits of a read of which it is kept how they were captured.
        self.captures = 0 if self.by_remote else read_upsets.captures(scenario)
        self.captures_kept = np.zeros((0, 0, self.captures), dtype=np.int8)
        asks_later = self.by_remote and scenario.host.interrupt == "edge"
        asks_later = asks_later and not self.loops and scenario.trigger.source == "host"
        self.departures = Departures(scenario, asks_later)
        self.records = np.zeros((0, 0), dtype=RECORD)
        #: Whether frames are settled as they come, some reach back, windows may come between.
        self.settles, self.reaches_back = settles(scenario), reaches_back(scenario)
        self.upset_at_all = upsets(scenario)
        self.windows, self.late, self.harms = Windows(scenario), Late(scenario), Harms(scenario)
        self.first_edges = FirstEdges(scenario)
        self.seeds = np.zeros((len(units.trials), 0, 3), dtype=np.uint64)
        self.contents = np.zeros(len(units.trials), dtype=np.uint64)
        if self.upset_at_all:
            self.seeds = seeds_of(scenario, units.trials)
            self.contents = contents_of(scenario, units.trials)
        self.upset: Given
        #: Trials that were left to the event engine, by row, and of some of these the frames that
        #: no trigger asked for.
        self.whole: dict[int, FrameBlock] = {}
        self.unrequested: list[Any] = []

    @property
    def passes(self) -> bool:
        """Whether compiled loops do all of it, and what they need of a trial stays near.

        All but what transients do to single frames: where these carry a counter, or edges may be
        false, more than those frames has to be looked at.
        """
        scenario = self.scenario
        apart = not self.upset_at_all or (
            not scenario.check.sequence_bits and not channels(scenario)
        )
        return self.settles and apart and not self.words and self.draws.all_compiled

    @property
    def stand_apart(self) -> bool:
        """Whether each trial that is walked in passing has records of its own."""
        return self.reaches_back or self.upset_at_all

    def stretches(self) -> Iterator[tuple[range, int, int, Times, Times]]:
        """Give stretches of trials that `passes`, for somebody else to draw and to walk.

        Yields
        ------
        trials : range
            Those that are open.
        first, upto : int
            The conversions of each that are to be walked, in pieces of at most the length of
            ``records``, which have one row for all trials, as have draws. Where trials stand apart,
            of at most half of it, and each trial has a row of its own.
        due, later : ndarray of int64
            As `walk_noted` takes them.
        """
        total, trials = self.scenario.conversions, self.units.trials
        piece, width = PIECE, self.draws.width + (RECORD.itemsize + NOTE.itemsize) // 8
        while piece > SHORTEST and piece * width > NEAR:
            piece //= 2
        beside = BESIDE_APART if self.stand_apart else BESIDE
        beside = max(1, min(beside, PLACES >> self.scenario.fifo.depth.bit_length()))
        self.draws.prepare(trials)
        for start in range(trials.start, trials.stop, beside):
            some = range(start, min(start + beside, trials.stop))
            if self.stand_apart:
                self._open(some, 2 * piece)
            else:
                self._open(some, piece, rows=1)
            longest = FEWER * LONGEST if self.stand_apart else LONGEST
            for first in range(0, total, longest):
                upto = min(first + longest, total)
                yield some, first, upto, *self.departures.take(first, upto - first)

    def run(self) -> Iterator[FrameBlock]:
        """Walk all trials and hand over their records."""
        total, trials = self.scenario.conversions, self.units.trials
        width = self.draws.width + RECORD.itemsize // 8
        stretch = LONGEST
        while stretch > SHORTEST and stretch * width > NUMBERS:
            stretch //= 2
        beside = 1
        if total <= stretch:
            stretch = 1 << (total - 1).bit_length()
            beside = max(beside, NUMBERS // (stretch * width))
        places = 1 << self.scenario.fifo.depth.bit_length()
        beside = max(1, min(beside, PLACES // places, len(trials)))
        self.draws.prepare(trials)
        for start in range(trials.start, trials.stop, beside):
            some = range(start, min(start + beside, trials.stop))
            yield from self._walk(some, stretch, total)

    def _walk(self, trials: range, stretch: int, total: int) -> Iterator[FrameBlock]:
        size = stretch if total <= stretch else 2 * stretch
        self._open(trials, size)
        given = 0
        for first in range(0, total, stretch):
            count = min(stretch, total - first)
            if first + count - given > self.records.shape[1]:
                self.widen(given, first)
            self.draws.fill(first, count)
            due, later = self.departures.take(first, count)
            if self.by_remote:
                self.upset = self.windows.take(due, self.state)
            self._step(first, count, first + count == total, due, later)
            self._leave_for_edges(first, count, first + count == total)
            upto = int(self.state["low"].min())
            while given < upto:
                at = given % self.records.shape[1]
                here = min(upto - given, self.records.shape[1] - at)
                yield self._block(trials, given, at, here)
                given += here
            if given == total:
                return

    def _open(self, trials: range, size: int, rows: int = 0) -> None:
        """Begin some trials, with room for ``size`` conversions of each, or of some at a time."""
        count, law = len(trials), self.law
        rows = rows or count
        self._mend()
        self.rows = slice(
            trials.start - self.units.trials.start, trials.stop - self.units.trials.start
        )
        if self.whole:
            # The loop leaves what the event engine has put there where no bit can be hit.
            self.records = self.records[:0]
        self.whole = {}
        self.draws.open(trials, size, rows)
        self.departures.open(self.units, trials)
        self.first_edges.open(trials)
        if self.by_remote:
            self.windows.open(trials)
            self.late.open(trials)
            self.harms.open(trials)
        else:
            self.read_windows.open(self.units, trials)
            self.judge.open(trials)
        self.state = np.zeros(count, dtype=REMOTE if self.by_remote else HOST_CLOCKED)
        refresh(self.state)
        lanes = int(law["lanes"][0])
        never = np.full((2, count, lanes), NEVER, dtype=np.int64)
        self.ahead, self.line_free = never[0], never[1]
        if self.records.shape != (rows, size):
            self.records = FrameBlock.blank(range(rows), 0, size, None).records
            self.notes = np.zeros((rows, size), dtype=NOTE)
            self.captures_kept = np.zeros((rows, size, self.captures), dtype=np.int8)
            shape = (rows, size if self.words else 1, lanes, int(law["words"][0]))
            self.bits = [np.zeros(shape, dtype=np.int64) for _ in range(2)]
        for times in self.bits:
            times.fill(NEVER)
        if self.by_remote:
            places = (2, count, 1 << self.scenario.fifo.depth.bit_length())
            self.waiting, self.ends = np.zeros(places, dtype=np.int64)

    def _mend(self) -> None:
        """Take harm out of records that have been handed over, whose places are used again."""
        for row, conversion in self.harms.mended():
            mend(self.records[row, conversion % self.records.shape[1]])

    def widen(self, low: int, high: int) -> None:
        """Make twice the room, keeping conversions ``low`` ... ``high - 1``, still asked for.

        Of trials that stand apart these may be more than there is room for: of each, the newest
        are kept.
        """
        old = self.records.shape[1]
        kept = np.arange(low, high)

        def wider(rows: Any, blank: Any) -> Any:
            found = np.full((rows.shape[0], 2 * old, *rows.shape[2:]), blank, dtype=rows.dtype)
            found[:, kept % (2 * old)] = rows[:, kept % old]
            return found

        self.harms.mended()
        self.records = wider(self.records, BLANK)
        self.notes = wider(self.notes, np.zeros((), dtype=NOTE))
        self.captures_kept = wider(self.captures_kept, 0)
        if self.words:
            self.bits = [wider(times, NEVER) for times in self.bits]
        self.draws.widen(low, high, 2 * old)

    def given(self) -> tuple[Any, ...]:
        """Return what `remote_master.walk` is given of the open trials."""
        units, rows, draws, symbol = self.units, self.rows, self.draws, self.symbols
        lanes = int(self.law["lanes"][0])
        pushed = np.empty((lanes if self.words else 0, len(symbol.takes)), dtype=np.int64)
        bits = units.captured.shape[1]
        return (
            self.records, self.law, units.values[rows], self.wrong[rows], symbol.strobes[rows],
            units.lanes[rows], units.lane_distortions[rows], units.captured[rows],
            units.bit_ends[rows], units.strobe_edges[rows], self.offsets[rows],
            symbol.line_times, symbol.takes, symbol.last_bits, symbol.word_firsts,
            symbol.word_lasts, units.host_rising, self.shapes,
            draws.ring, draws.place, draws.constant, self.state, self.waiting,
            self.ends, self.ahead, self.line_free, pushed,
            np.empty((2, 2 * bits), dtype=np.int64), np.empty((2, bits), dtype=np.int64),
            np.empty((1 + lanes, bits), dtype=np.int64),
            *self.upset, self.spans[rows], np.empty((2, lanes), dtype=np.int64),
            self.late.drawn, self.late.asked, self.seeds[rows], self.harms.noted,
            self.notes, *self.bits,
        )  # fmt: skip

    def given_judging(self) -> tuple[Any, ...]:
        """Return what `judge_noted` is given of the open trials, and what it works in."""
        return self.contents[self.rows], np.empty(int(self.law["bits"][0]), dtype=np.int64)

    def given_settled(self) -> tuple[Any, ...]:
        """Return what `walk_settled` is given of the open trials."""
        units, rows, draws, symbol = self.units, self.rows, self.draws, self.symbols
        lanes = int(self.law["lanes"][0])
        pushed = np.empty((lanes if self.words else 0, len(symbol.takes)), dtype=np.int64)
        return (
            self.records, self.law, units.values[rows], self.wrong[rows],
            symbol.strobes[rows] == JUDGES,
            units.lanes[rows], units.lane_distortions[rows], units.captured[rows],
            units.bit_ends[rows], units.strobe_edges[rows], self.offsets[rows],
            symbol.line_times, symbol.takes, draws.ring, draws.place, draws.constant, self.state,
            self.ends, self.ahead, self.line_free, pushed,
            np.empty((2, units.strobe_edges.shape[1]), dtype=np.int64),
            symbol.word_firsts, symbol.word_lasts, *self.bits, self.longest[:, rows],
            self.waiting, self.notes,
        )  # fmt: skip

    def _step(self, first: int, count: int, over: bool, due: Times, later: Times) -> None:
        """Take the trials through one stretch."""
        units, rows, draws = self.units, self.rows, self.draws
        whole = 0, len(self.state)
        if self.settles and self.reaches_back:
            records, *settling = self.given_settled()
            walk_noted(first, first + count, over, *whole, due, later, records, *settling)
            return
        if self.settles and not self.upset_at_all:
            walk_settled(first, first + count, *whole, due, *self.given_settled(), NEVER, FAR)
            return
        if self.by_remote:
            while True:
                records, *walking = self.given()
                if self.settles:
                    _, *settling = self.given_settled()
                    row, lacks = walk_between(
                        first, first + count, over, *whole, due, later, records, self.law,
                        self.state, *self.upset, tuple(walking), tuple(settling),
                    )  # fmt: skip
                else:
                    row, lacks = remote_master.walk(
                        first, first + count, over, *whole, due, later, records, *walking
                    )
                if self.harms.noted[0, 0]:
                    self.harms.collect()
                if lacks == Wanted.NOTHING:
                    return
                if lacks == Wanted.WHOLE:
                    self.leave(row)
                self.provide(row, lacks)
        crossings = np.stack([units.lanes[rows], units.lane_distortions[rows]], axis=-1)
        room = np.empty((4, 2 * len(units.host_rising)), dtype=np.int64)
        while (self.state["next"] < first + count).any():
            given, *ends = self.read_windows.take(due, first, count, self.state)
            host_clocked.walk(
                first, count, over, self.law, units.values[rows], crossings,
                units.host_rising, units.host_falling, units.host_captured, due,
                draws.ring, draws.place, draws.constant, self.state, self.ahead, self.line_free,
                room, *given, self.seeds[rows], *ends, self.captures_kept,
                self.records, self.notes, *self.bits,
            )  # fmt: skip

    def provide(self, row: int, lacks: int) -> None:
        """Work out what a trial has stopped for want of."""
        if lacks == Wanted.WINDOWS:
            self.upset = self.windows.more(row, int(self.state["wants"][row]))
        self.late.draw(row)

    def _leave_for_edges(self, first: int, count: int, over: bool) -> None:
        """Leave trials that have come to an edge that nobody sent."""
        at = first % self.records.shape[1]
        came = self.ahead.max(axis=1)
        if self.by_remote:
            came = np.maximum(came, self.state["readout_end"] + self.spans[self.rows])
        for row in self.first_edges.met(self.state, self.records[:, at : at + count], came, over):
            if row not in self.whole:
                self.leave(row)

    def leave(self, row: int) -> None:
        """Leave a trial to the event engine, whose records are the same up to here."""
        trial = self.units.trials[self.rows][row]
        (self.whole[row],) = EventEngine().run(
            self.scenario, range(trial, trial + 1), words=self.words
        )
        found = self.whole[row].unrequested
        if self.by_remote:
            # The loop may have gone on beyond what it is left for.
            self.harms.take_back(row)
        if found is not None:
            self.unrequested.append(found[self.harms.given[row] :] if self.by_remote else found)
        self.state["next"][row], self.state["low"][row] = FAR, self.scenario.conversions
        # Nothing of it is to be judged here any more.
        self.records["hit"][row] = 0
        if self.by_remote:
            self.windows.drop(row)

    def _block(self, trials: range, first: int, at: int, count: int) -> FrameBlock:
        there = slice(at, at + count)
        if self.by_remote:
            self._mend()
            self.unrequested += self.harms.unrequested()
            self.harms.settle(self.records[:, there], first)
        if self.captures:
            kept = self.captures_kept[:, there]
            self.judge.settle(self.records[:, there], kept, first, self.state["hurt"])
        extras = None
        if self.unrequested:
            extras = np.concatenate(self.unrequested)
            extras = extras[np.argsort(extras["trial"], kind="stable")]
            self.unrequested = []
        ring = [self.records, *(self.bits if self.words else ())]
        for row, block in self.whole.items():
            whole = [block.records, block.first_bit, block.last_bit]
            for into, values in zip(ring, whole, strict=False):
                assert values is not None
                into[row, there] = values[0, first : first + count]
        records, *bits = [one[:, there] for one in ring]
        first_bit, last_bit = bits if bits else (None, None)
        return FrameBlock(trials, first, records, first_bit, last_bit, extras)
