"""Writes a dump from what is known of whole frames, where a remote master reads the converter.

Nearly all changes of a dump are edges of clocks, strobe and lines, each at a known distance from
the start of its frame's clock or read. Here they are never events: NumPy works them out for a
block of frames at a time and sorts them in among the changes that were observed. Changes of one
instant come in the order of the ranks that their events would have had. Where that does not
settle it, `UnsettledOrderError` says that only events can tell; so does `suits`, ahead of a run.
"""

from __future__ import annotations

from bisect import bisect_left
from types import SimpleNamespace
from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.base.instants import FAR, Times
from simlink.engines.event.clockwork import CAPTURE, EDGE, FREE, PUSH, Clockwork
from simlink.link.fault_line import has_line
from simlink.link.line import CHANGING, UNDRIVEN, launched, line_changes
from simlink.link.repeat import repeats
from simlink.link.transient import WAYS, may_upset
from simlink.scenario.distributions import reach
from simlink.waveform.ordering import (
    BEHIND,
    LAST_PLACE,
    Numbers,
    Observed,
    States,
    UnsettledOrderError,
    in_order,
    key_of,
    written,
)
from simlink.waveform.signals import Signal
from simlink.waveform.writer import DumpWriter, Lines

if TYPE_CHECKING:
    from simlink.engines.event.frame import Frame, Trial
    from simlink.engines.event.signals import EdgesOf, Observer
    from simlink.engines.event.signals import Signal as Moving
    from simlink.scenario.schema import Scenario

#: The most bits of a lane: what is written between any two states is kept in a table.
_MOST_BITS = 256
_DENSE = ("remote.clock", "remote.data", "remote.capture", "fifo.strobe", "fifo.push",
          "host.clock", "host.capture")  # fmt: skip


def suits(scenario: Scenario, window: range) -> bool:
    """Tell whether a dump of a window can be tried from whole frames."""
    conversion, busy = scenario.converter.conversion_time, scenario.converter.busy_delay
    return (
        scenario.link.scheme == "remote_master"
        and scenario.barrier.return_.style == "bits"
        and scenario.fifo.when_full == "drop_new"
        and not any(may_upset(scenario, way) for way in WAYS)
        and not has_line(scenario)
        and not repeats(scenario)
        and window.start == 0
        and scenario.bits_per_lane <= _MOST_BITS
        # Busy rises at the converter, and falls later than it rose.
        and conversion.support[0] > max(0.0, reach(busy)[1])
    )


#: Instants in fs, keys within an instant, and the numbers of texts.
_Chunk = tuple[Numbers, Numbers, Numbers]


class BurstWriter(DumpWriter):
    """Writes a dump as a `DumpWriter` does, with `simlink.engines.event.signals.Bursts`.

    Its ``observers`` are for the other signals.
    """

    #: Those that were observed; of all changes, they are one in fifteen.
    block = 1024

    def __init__(self, *args: Any, **options: Any) -> None:
        self._texts: list[bytes] = []
        self._states: dict[str, States] = {}
        #: Numbers of the texts of a wire's two levels.
        self._levels: dict[str, tuple[int, int]] = {}
        #: Frames whose clock has started: with whether the first bit is wrong, and the levels on
        #: the lines.
        self._begun: list[tuple[Frame, bool, list[list[int]]]] = []
        #: Of those, the ones not yet known to be whole or refused; and reads, with their starts.
        self._filling: list[Frame] = []
        self._reads: list[tuple[Frame, int]] = []
        #: Chunks that reach beyond what can be written.
        self._left: list[_Chunk] = []
        self._last_edge = -FAR
        #: The key of the last change that is asked for.
        self._end_key: int | None = None
        super().__init__(*args, **options)
        for name in ("fifo.level", "fifo.overrun"):
            if name in self.observers:
                self.observers[name] = self._of_frame(self.observers[name])

    def _none_yet(self) -> Any:
        self._observed = Observed()
        return self._observed

    def _of_frame(self, observer: Observer) -> Observer:
        """Return an observer whose changes are known to be of a frame."""

        def known(time: int, moving: Moving, value: int, conversion: int | None, *of: Any) -> None:
            self._observed.frame = conversion or 0
            observer(time, moving, value, conversion, *of)

        return known

    # --- what is told of frames ---

    def attach(self, env: Clockwork, trial: Trial, edges_of: EdgesOf | None) -> None:
        """Learn where it is, ahead of a run."""
        self._observed.env, self._unit, self._edges_of = env, trial, edges_of
        bits = trial.bits
        self._clock = np.array([trial.rising, trial.falling]).T.ravel()
        self._capture = np.array(trial.captured)
        self._host_clock = np.array([trial.host_rising, trial.host_falling]).T.ravel()
        wrong = np.array(trial.wrong_later)
        self._outcomes = np.where(wrong, -1 - np.arange(bits), np.arange(bits))
        edges, unit = trial.falling, trial.unit
        changes, now = [], 0
        for time, value, _ in line_changes(*launched(edges, unit.data_valid, unit.data_hold, 0)):
            if value != now:
                changes.append((time, value))
            now = value
        self._data = np.array(changes, dtype=np.int64).reshape(-1, 2)

    def starts(self, frame: Frame, first_wrong: bool) -> None:
        """Learn that a frame's clock starts."""
        self._begun.append((frame, first_wrong, self._line_bits))
        self._filling.append(frame)

    def reads(self, frame: Frame, start: int) -> None:
        """Learn from when on a frame is clocked out."""
        self._reads.append((frame, start))

    def ended(self, conversion: int) -> None:
        """Learn that nothing is asked for after what settles a conversion now."""
        rank = self._observed.env.rank
        self._end_key = key_of(rank, conversion if rank == PUSH else 0, LAST_PLACE)
        self._observed.env = SimpleNamespace(rank=BEHIND)

    # --- signals that are not observed ---

    def _level(self, signal: Signal) -> Lines | None:
        if signal.family not in _DENSE:
            return super()._level(signal)
        code = self._variable(signal.reference, "wire")
        self._shows.append(lambda: f"{signal.idle}{code}\n")
        self._levels[signal.name] = len(self._texts), len(self._texts) + 1
        self._texts += [f"{level}{code}\n".encode("ascii") for level in (0, 1)]
        return None

    def _bit(self, signal: Signal) -> None:
        event, shown = self._declare_bit(signal)
        self._shows.append(lambda: "".join(shown(None)))
        bits = self._scenario.bits_per_lane
        none = 2 * bits

        def difference(before: int, after: int) -> str:
            former = None if before == none else before - bits
            return self._difference(shown, former, after - bits) + event

        self._states[signal.name] = States(self._texts, difference, none + 1, none)

    def _line(self, signal: Signal) -> None:
        shown = self._declare_line(signal)
        idle = (UNDRIVEN, UNDRIVEN)
        self._shows.append(lambda: "".join(shown(idle)[::-1]))

        def state(number: int) -> tuple[int, int]:
            value, level = divmod(number - 2, 2)
            return (value, level) if number > 1 else (number - 2, number - 2)

        def difference(before: int, after: int) -> str:
            return self._difference(shown, state(before), state(after))

        count = 2 * self._scenario.bits_per_lane + 2
        self._states[signal.name] = States(self._texts, difference, count, 2 + UNDRIVEN)

    def _sent(self) -> list[_Chunk]:
        """Return what frames that have started do at the remote side."""
        begun, self._begun = self._begun, []
        if not begun:
            return []
        start = np.array([frame.clock_start for frame, _, _ in begun])[:, np.newaxis]
        index = np.array([frame.index for frame, _, _ in begun])
        found, lanes = [], self._unit.lanes
        if "remote.clock" in self._levels:
            times, key = start + self._clock, key_of(EDGE, 0, 1 + lanes)
            found.append(self._toggled("remote.clock", times, key))
        if "remote.capture" in self._states:
            outcomes = np.repeat(self._outcomes[np.newaxis], len(begun), axis=0)
            outcomes[[wrong for _, wrong, _ in begun], 0] = -1
            times, key = start + self._capture, key_of(EDGE, 0, 2 + lanes)
            found.append(self._stated("remote.capture", times, key, outcomes))
        if any(name.startswith("remote.data") for name in self._states):
            found += self._on_lines(begun, start)
        if self._edges_of is not None and "fifo.strobe" in self._levels:
            low, high = self._levels["fifo.strobe"]
            times, counts = self._edges_of([frame for frame, _, _ in begun])
            place = np.arange(times.shape[1])
            there = place < counts[:, np.newaxis]
            texts = np.where(place % 2, low, high)
            keys = key_of(PUSH, index, 0)[:, np.newaxis]
            every = (np.broadcast_to(one, times.shape)[there] for one in (times, keys, texts))
            found.append(_chunk(*every))
        return found

    def _on_lines(
        self, begun: list[tuple[Frame, bool, list[list[int]]]], start: Times
    ) -> list[_Chunk]:
        """Return what frames put on the converter's data lines."""
        ready = np.array([frame.ready for frame, _, _ in begun])
        first = self._unit.unit.msb_valid
        later = start + self._data[:, 0]
        lasts = np.concatenate([[self._last_edge], later[:-1, -1]])
        if (ready <= lasts).any() or (later[:, 0] <= ready + first).any():
            # Frames meet on a line, or bits on their way to it.
            raise UnsettledOrderError
        self._last_edge = int(later[-1, -1])
        comes = [ready, ready + first] if first else [ready]
        times = np.column_stack([*comes, later])
        values = np.concatenate([[CHANGING, 0] if first else [0], self._data[:, 1]])
        bits = np.array([lines for _, _, lines in begun])
        found = []
        for lane in range(bits.shape[1]):
            name = f"remote.data[{lane}]"
            if name not in self._states:
                continue
            driven = 2 + 2 * values + bits[:, lane][:, np.maximum(values, 0)]
            # Undriven is 0, and changing 1.
            states = np.where(values < 0, values + 2, driven)
            found.append(self._chosen(name, times, key_of(EDGE, 0, 1 + lane), states))
        return found

    def _pushed(self, *, last: bool) -> list[_Chunk]:
        """Return the pushes of frames that are whole, and of all frames at the end."""
        ready = len(self._filling)
        if not last:
            filling = (one.missing and one.admitted is not False for one in self._filling)
            ready = next((place for place, is_open in enumerate(filling) if is_open), ready)
        frames, self._filling = self._filling[:ready], self._filling[ready:]
        frames = [frame for frame in frames if frame.admitted]
        found, lanes = [], self._unit.lanes
        for lane in range(lanes):
            name = f"fifo.push[{lane}]"
            if name not in self._states or not frames:
                continue
            counts = [len(frame.pushed[lane]) for frame in frames]
            times = np.array([time for frame in frames for time in frame.pushed[lane]])
            index = np.repeat([frame.index for frame in frames], counts)
            bit = np.concatenate([np.arange(count) for count in counts])
            key = key_of(PUSH, index, 2 + bit * lanes + lane)
            found.append(self._stated(name, times, key, bit))
        return found

    def _read(self, horizon: int, *, last: bool) -> list[_Chunk]:
        """Return what reads do at the host that have ended ahead of an instant, or all."""
        length, count = int(self._host_clock[-1]), len(self._reads)
        if not last:
            goes_on = (at + length >= horizon or frame.missing for frame, at in self._reads)
            count = next((place for place, more in enumerate(goes_on) if more), count)
        reads, self._reads = self._reads[:count], self._reads[count:]
        if not reads:
            return []
        start = np.array([start for _, start in reads])[:, np.newaxis]
        found, bits, lanes = [], self._unit.bits, self._unit.lanes
        if "host.clock" in self._levels:
            times = start + self._host_clock
            keys = np.full(times.shape, key_of(CAPTURE, 0, 0))
            keys[:, -1] = key_of(FREE, 0, 0)
            found.append(self._toggled("host.clock", times, keys))
        times = start + self._host_clock[::2]
        for lane in range(lanes):
            name = f"host.capture[{lane}]"
            if name not in self._states:
                continue
            values = np.repeat(np.arange(bits)[np.newaxis], len(reads), axis=0)
            for row, (frame, _) in enumerate(reads):
                if frame.late is not None or frame.missing:
                    pushed = np.full(bits, FAR)
                    pushed[: len(frame.pushed[lane])] = frame.pushed[lane]
                    late = pushed > times[row]
                    values[row, late] = -1 - values[row, late]
            found.append(self._stated(name, times, key_of(CAPTURE, 0, 1 + lane), values))
        return found

    def _toggled(self, name: str, times: Times, key: Any) -> _Chunk:
        """Return the changes of a clock, whose rises and falls take turns."""
        low, high = self._levels[name]
        return _chunk(times, key, np.broadcast_to([high, low], (times.size // 2, 2)))

    def _stated(self, name: str, times: Times, key: Any, values: Numbers) -> _Chunk:
        """Return the changes of bits to some values, -1 - bit for a wrong one."""
        return self._chosen(name, times, key, values + self._scenario.bits_per_lane)

    def _chosen(self, name: str, times: Times, key: Any, states: Numbers) -> _Chunk:
        return _chunk(times, key, self._states[name].texts_of(states.ravel()))

    # --- writing ---

    def _flush(self, *, last: bool = False) -> None:
        """Write what nothing that is still to come can precede."""
        observed = self._observed
        # Closed with it, the last change held back stands for the end alone.
        end = observed.rows[-1][0] if last and self._end_key is not None else None
        horizon = FAR
        chunks = self._left + self._sent() + self._pushed(last=last)
        if not last:
            assert isinstance(observed.env, Clockwork)
            starts = [frame.clock_start for frame in self._filling]
            horizon = min([observed.env.now, *starts])
        chunks += self._read(horizon, last=last)
        horizon = min([horizon, *(start for _, start in self._reads)])
        times, keys, texts = (np.concatenate(parts) for parts in zip(*chunks, _NONE, strict=True))
        if end is not None:
            there = (times < end) | ((times == end) & (keys <= self._end_key))
            times, keys, texts = times[there], keys[there], texts[there]
        later = times >= horizon
        self._left = [(times[later], keys[later], texts[later])] if later.any() else []
        count = len(observed) if last else bisect_left(observed.rows, (horizon,))
        seen, places, words = observed.take(count)
        times = np.concatenate([seen, times[~later]])
        keys = np.concatenate([places, keys[~later]])
        texts = np.concatenate([np.arange(count) + len(self._texts), texts[~later]])
        self._put(times, keys, texts, np.array([*self._texts, *words], dtype=object))

    def _put(self, times: Times, keys: Numbers, texts: Numbers, words: Any) -> None:
        """Write changes in order, with an instant ahead of all that happen at it."""
        order = in_order(times, keys)
        instants = (times[order] + (self._step // 2 - self._origin)) // self._step
        if not len(instants):
            return
        new = instants != np.concatenate([[self._time], instants[:-1]])
        self._time = int(instants[-1])
        lines = np.full((len(order), 2), b"", dtype=object)
        lines[new, 0] = written(instants[new])
        lines[:, 1] = words[texts[order]]
        self._file.write(b"".join(lines.ravel().tolist()).decode("ascii"))


#: No changes at all.
_NONE = [np.zeros(0, dtype=np.int64)] * 3


def _chunk(times: Times, key: Any, texts: Numbers) -> _Chunk:
    return times.ravel(), np.broadcast_to(key, times.shape).ravel(), texts.ravel()
