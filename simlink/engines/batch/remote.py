"""The remote side over blocks of conversions: acceptance, readout, and the way to the FIFO."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from simlink.base.instants import FAR, NEVER, Times
from simlink.engines.batch.columns import Draws, Flags
from simlink.link import converter, remote_clock, transport, unit
from simlink.link.channel import crossing
from simlink.scenario.distributions import reach

if TYPE_CHECKING:
    from simlink.link.unit import Units
    from simlink.scenario.schema import Scenario


@dataclass
class Readouts:
    """What became of a block of triggers at the converter; arrays of shape (n, T), fs."""

    accepted: Flags
    aperture: Times
    ready: Times
    start: Times
    short: Flags
    wrong: Flags
    #: Frames whose clock never starts, for want of a credit; None if there can be none.
    stuck: Flags | None = None


class Remote:
    """Converter and remote master of a chunk of trials.

    Attributes
    ----------
    end : ndarray of int64, shape (T,), fs
        When the last accepted frame's readout ended.
    """

    def __init__(self, scenario: Scenario, units: Units) -> None:
        seed, trials = scenario.seed, units.trials
        law = scenario.converter
        self.units = units
        self.conversion_time = Draws(law.conversion_time, seed, trials, "converter.conversion_time")
        self.aperture_jitter = Draws(law.aperture_jitter, seed, trials, "converter.aperture_jitter")
        self.start_delay = Draws(
            scenario.remote_clock.start_delay, seed, trials, "remote_clock.start_delay"
        )
        self.end = np.full(len(trials), NEVER, dtype=np.int64)
        self.ready_before = np.full(len(trials), NEVER, dtype=np.int64)
        self._always_wrong = units.wrong_later.any(axis=1)
        # Bit 0 is late only if the master can start so early after busy falls.
        soonest = reach(scenario.remote_clock.start_delay)[0]
        needs = units.msb_valid + units.setup - units.captured[:, 0]
        self._first_bit_safe = bool((soonest >= needs).all())
        self._acquires = bool((units.acquisition_time > units.readout).any())

    def read_out(self, arrival: Times, rows: int) -> Readouts:
        """Judge a block of triggers and clock out the accepted ones; no master ever stalls.

        Parameters
        ----------
        arrival : ndarray of int64, shape (n, T), fs
            When the triggers arrive, in order.
        rows : int
            n.
        """
        ready = np.asarray(converter.ready_at(arrival, self.conversion_time.take(rows)))
        start = ready
        if not self.start_delay.is_zero:
            start = remote_clock.starts_at(ready, self.start_delay.take(rows))
        aperture = arrival
        if not self.aperture_jitter.is_zero:
            aperture = converter.samples_at(arrival, self.aperture_jitter.take(rows))
        ends = start + self.units.readout
        accepted = self._accepted(arrival, ends)
        short = self._short(arrival, ready, accepted)
        return Readouts(accepted, aperture, ready, start, short, self.wrong(ready, start))

    def read_out_some(self, arrival: Times, able: Flags, *, ends: bool = True) -> Readouts:
        """Judge one trigger of each trial that has one.

        Parameters
        ----------
        arrival : ndarray of int64, shape (T,), fs
            When it arrives.
        able : ndarray of bool, shape (T,)
            Where there is one, and a master that could take it.
        ends : bool
            Whether the readout starts without waiting for a credit; otherwise its end is told
            by `ends_at`.

        Returns
        -------
        Readouts
            Arrays of shape (1, T).
        """
        ready = np.asarray(converter.ready_at(arrival, self.conversion_time.take(1)))
        start = np.asarray(remote_clock.starts_at(ready, self.start_delay.take(1)))
        aperture = converter.samples_at(arrival, self.aperture_jitter.take(1))
        accepted = (able & converter.accepts(arrival, self.end))[np.newaxis]
        arrival = arrival[np.newaxis]
        start = np.broadcast_to(start, arrival.shape)
        ready = np.broadcast_to(ready, arrival.shape)
        if ends:
            self.ends_at(start[0] + self.units.readout, accepted[0])
        short = self._short(arrival, ready, accepted)
        return Readouts(accepted, aperture, ready, start, short, self.wrong(ready, start))

    def ends_at(self, end: Times, which: Flags) -> None:
        """Note when the readouts of some trials end, shape (T,), fs."""
        self.end = np.where(which, end, self.end)

    def wrong(self, ready: Times, start: Times) -> Flags:
        """Tell which frames have a wrong bit, shape (n, T)."""
        if self._first_bit_safe:
            return np.broadcast_to(self._always_wrong, start.shape)
        units = self.units
        first = remote_clock.wrong_first_bit(
            start, units.captured[:, 0], ready, units.msb_valid, units.setup
        )
        return np.asarray(first | self._always_wrong)

    def _accepted(self, arrival: Times, ends: Times) -> Flags:
        rows = len(arrival)
        # Nearly always every trigger is taken, and one look at the block shows it.
        if bool(converter.accepts(arrival[0], self.end).all()) and bool(
            converter.accepts(arrival[1:], ends[:-1]).all()
        ):
            self.end = ends[-1].copy()
            return np.ones(arrival.shape, dtype=np.bool_)
        accepted = np.empty(arrival.shape, dtype=np.bool_)
        end = self.end
        for row in range(rows):
            taken = converter.accepts(arrival[row], end)
            accepted[row] = taken
            end = np.where(taken, ends[row], end)
        self.end = end
        return accepted

    def _short(self, arrival: Times, ready: Times, accepted: Flags) -> Flags:
        """Tell which accepted samples had not settled, and remember the last ready instant."""
        whole = bool(accepted.all())
        if not self._acquires:
            # A trigger is taken after the readout, and the sample has settled by then.
            self._remember(ready, accepted, whole)
            return np.broadcast_to(np.False_, arrival.shape)
        if whole:
            before = np.concatenate([self.ready_before[np.newaxis], ready[:-1]])
        else:
            known = np.where(accepted, ready, NEVER)
            carried = np.maximum.accumulate(
                np.concatenate([self.ready_before[np.newaxis], known[:-1]]), axis=0
            )
            before = carried
        self._remember(ready, accepted, whole)
        settled = self.units.acquisition_time
        short = converter.short_acquisition(arrival, before, settled)
        return np.asarray(short & accepted & (before != NEVER))

    def _remember(self, ready: Times, accepted: Flags, whole: bool) -> None:
        last = ready[-1] if whole else np.where(accepted, ready, NEVER).max(axis=0)
        self.ready_before = np.maximum(self.ready_before, last)


@dataclass
class Arrivals:
    """When frames reach the FIFO; arrays of shape (n, T), fs.

    Attributes
    ----------
    first, enough, whole : ndarray of int64
        The first bit of any lane, the last lane's ``release_bits``-th, the last bit of all.
    need : ndarray of int64
        The earliest start of a read that finds every bit there.
    first_bit, last_bit : ndarray of int64, shape (n, T, lanes, words), or None
        Of each word, if a ledger is kept.
    """

    first: Times
    enough: Times
    whole: Times
    need: Times
    first_bit: Times | None = None
    last_bit: Times | None = None


class Return:
    """The way of the bits from capture to the FIFO, for a chunk of trials."""

    def __init__(self, scenario: Scenario, units: Units, take: Times, words: bool) -> None:
        self.units = units
        self.take = take
        self.lanes = scenario.frame.lanes
        self.bits = scenario.bits_per_lane
        self.word_bits = scenario.frame.word_bits
        self.release_bit = scenario.fifo.release_bits - 1
        self.words = words
        self.packets = unit.packets_of(scenario)
        trials = len(units.trials)
        self.ahead = np.full((trials, self.lanes), NEVER, dtype=np.int64)
        self.line_free = np.full((trials, self.lanes), NEVER, dtype=np.int64)
        law = scenario.barrier.direction("return").jitter
        low, high = reach(law)
        self.wanted = list(range(self.bits if self.packets is None else len(self.packets)))
        #: Whether no bit can catch up with the one ahead of it, so that each stands alone.
        self.alone = self.packets is None and high - low < self._closest(scenario)
        self.never_underruns = False
        self.keeps_whole = scenario.fifo.when_full == "drop_old"
        if self.alone:
            self._spare(scenario, low, high)
        per_frame = self.bits if self.packets is None else len(self.packets)
        self.jitter = [
            [
                Draws(
                    law,
                    scenario.seed,
                    units.trials,
                    f"barrier.return.jitter lane {lane}",
                    per_frame,
                    number,
                )
                for number in self.wanted
            ]
            for lane in range(self.lanes)
        ]
        self.fixed: Arrivals | None = None
        if self.alone and law.is_constant:
            self.fixed = self._offsets(law.constant_value)

    def _closest(self, scenario: Scenario) -> int:
        """Return the shortest time between captures that follow one another, within a lane."""
        captured = self.units.captured
        within = int(np.diff(captured, axis=1).min()) if self.bits > 1 else FAR
        soonest = reach(scenario.remote_clock.start_delay)[0]
        between = captured[:, 0] + self.units.readout - captured[:, -1] + soonest
        return min(within, int(between.min()))

    def _spare(self, scenario: Scenario, low: float, high: float) -> None:
        """Find which bits matter: none but first, release and last if no read can underrun."""
        units = self.units
        captured = units.captured[:, np.newaxis, :] + units.lanes[:, :, np.newaxis]
        latest = (captured + high - self.take).max(axis=(1, 2))
        soonest = (captured[:, :, self.release_bit] + low).max(axis=1)
        soonest = soonest + reach(scenario.fifo.sync_delay)[0]
        soonest = soonest + reach(scenario.host.service_latency)[0]
        # Crossing times are cut off at zero; then the plain bound does not hold.
        causal = bool((units.lanes + low >= 0).all())
        # A frame read behind another in one go waits for no latency of its own.
        if scenario.host.read_all:
            soonest = soonest - reach(scenario.host.service_latency)[0]
        self.never_underruns = causal and bool((soonest >= latest).all())
        if self.never_underruns and not self.words and high > low:
            self.wanted = sorted({0, self.release_bit, self.bits - 1})
            if not self.keeps_whole:
                self.wanted = sorted({0, self.release_bit})

    def _offsets(self, jitter: int) -> Arrivals:
        """Return the arrivals counted from the start of the clock, shape (1, T)."""
        static = self.units.lanes[:, :, np.newaxis]
        pushed = self.units.captured[:, np.newaxis, :] + crossing(static, jitter)
        return self._summed(pushed[np.newaxis])

    def _summed(self, pushed: Times) -> Arrivals:
        """Return what matters of the pushes of frames, shape (n, T, lanes, bits)."""
        first = pushed[..., 0].min(axis=-1)
        enough = pushed[..., self.release_bit].max(axis=-1)
        need = (pushed - self.take).max(axis=(-1, -2))
        found = Arrivals(first, enough, pushed[..., -1].max(axis=-1), need)
        if self.words:
            found.first_bit = pushed[..., :: self.word_bits]
            found.last_bit = pushed[..., self.word_bits - 1 :: self.word_bits]
        return found

    def cross(self, start: Times, accepted: Flags) -> Arrivals:
        """Send the frames of a block.

        Parameters
        ----------
        start : ndarray of int64, shape (n, T), fs
            When the clock of each frame starts.
        accepted : ndarray of bool, shape (n, T)
            Which frames there are.
        """
        rows = len(start)
        if self.fixed is not None:
            fixed = self.fixed
            enough = start + fixed.enough
            need = enough if self.never_underruns else start + fixed.need
            # Only a frame that may be discarded has to be known whole.
            found = Arrivals(start + fixed.first, enough, enough, need)
            if self.keeps_whole:
                found.whole = start + fixed.whole
            if self.words:
                assert fixed.first_bit is not None
                assert fixed.last_bit is not None
                found.first_bit = start[..., np.newaxis, np.newaxis] + fixed.first_bit
                found.last_bit = start[..., np.newaxis, np.newaxis] + fixed.last_bit
            return found
        if self.packets is not None:
            return self._in_packets(start, accepted, rows)
        if self.alone:
            return self._one_by_one(start, rows)
        captured = (start[..., np.newaxis] + self.units.captured)[:, :, np.newaxis]
        static = self.units.lanes[:, :, np.newaxis]
        pushed = np.empty((rows, len(start[0]), self.lanes, self.bits), dtype=np.int64)
        jitter = np.broadcast_to(self._jitter(rows), pushed.shape)
        for row in range(rows):
            pushed[row] = transport.push_bits(captured[row], static, jitter[row], self.ahead)
            there = accepted[row][:, np.newaxis]
            self.ahead = np.where(there, pushed[row, :, :, -1], self.ahead)
        return self._summed(pushed)

    def _one_by_one(self, start: Times, rows: int) -> Arrivals:
        """Send bits that cannot catch up with each other: bit by bit, over the whole block."""
        units = self.units
        found: dict[str, Times] = {}
        words: dict[str, Times] = {}
        if self.words:
            shape = (*start.shape, self.lanes, self.bits // self.word_bits)
            words = {"first_bit": np.empty(shape, np.int64), "last_bit": np.empty(shape, np.int64)}

        def latest(name: str, times: Times) -> None:
            known = found.get(name)
            found[name] = times if known is None else np.maximum(known, times)

        for lane in range(self.lanes):
            for bit, draws in zip(self.wanted, self.jitter[lane], strict=True):
                late = crossing(units.lanes[:, lane], draws.take(rows)) + units.captured[:, bit]
                if bit == 0:
                    known = found.get("first")
                    found["first"] = late if known is None else np.minimum(known, late)
                if bit == self.release_bit:
                    latest("enough", late)
                if bit == self.wanted[-1]:
                    latest("whole", late)
                if not self.never_underruns:
                    latest("need", late - self.take[bit])
                if self.words:
                    word, place = divmod(bit, self.word_bits)
                    if place == 0:
                        words["first_bit"][:, :, lane, word] = start + late
                    if place == self.word_bits - 1:
                        words["last_bit"][:, :, lane, word] = start + late
        enough = start + found["enough"]
        # A read that cannot underrun needs no more than its release.
        need = enough if self.never_underruns else start + found["need"]
        return Arrivals(start + found["first"], enough, start + found["whole"], need, **words)

    def _jitter(self, rows: int) -> Times:
        """Return the jitter of a block, shape (n or 1, T or 1, lanes, wanted)."""
        taken = [[draws.take(rows) for draws in lane] for lane in self.jitter]
        return np.moveaxis(np.array(taken), (0, 1), (2, 3))

    def _in_packets(self, start: Times, accepted: Flags, rows: int) -> Arrivals:
        assert self.packets is not None
        captured = (start[..., np.newaxis] + self.units.captured)[:, :, np.newaxis]
        jitter = self._jitter(rows)
        jitter = np.broadcast_to(jitter, (rows, *start.shape[1:], self.lanes, len(self.packets)))
        arrived = np.empty(jitter.shape, dtype=np.int64)
        for row in range(rows):
            arrived[row], free = transport.push_packets(
                self.packets,
                captured[row],
                self.units.lanes,
                jitter[row],
                self.line_free,
                self.ahead,
            )
            there = accepted[row][:, np.newaxis]
            self.line_free = np.where(there, free, self.line_free)
            self.ahead = np.where(there, arrived[row, :, :, -1], self.ahead)
        sizes = [packet.last - packet.first + 1 for packet in self.packets]
        return self._summed(np.repeat(arrived, sizes, axis=-1))
