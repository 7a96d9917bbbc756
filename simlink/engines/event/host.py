"""The host's reader: when it serves, and how it clocks frames out of the FIFO."""

from __future__ import annotations

from collections import deque
from functools import partial
from heapq import heappush

from simlink.base.instants import FAR, NEVER
from simlink.engines.event.clockwork import CAPTURE, FREE, SERVICE, Instant, Tick
from simlink.engines.event.counts import HostCounts
from simlink.engines.event.fifo import Fifo
from simlink.engines.event.frame import Frame, Part, Trial
from simlink.engines.event.requests import Requests
from simlink.engines.event.trigger import TriggerTimer
from simlink.engines.event.wrong import bits_read, judge, judge_apart
from simlink.link import host
from simlink.link.fate import DELIVERED, fate_of_read

#: ``host.read`` while no frame is read.
NO_FRAME = -1


class Host(Part):
    """Begins services of releases at the end of an instant, one after another."""

    timer: TriggerTimer

    def __init__(self, trial: Trial, counts: HostCounts) -> None:
        super().__init__(trial)
        self.counts = counts
        self.latency = trial.each(trial.scenario.host.service_latency, "host.service_latency")
        self.idle = True
        #: A service will begin at the end of this instant.
        self.begins = False
        self.service = trial.signals.make("host.service")
        self.read = trial.signals.make("host.read", NO_FRAME)
        self.clock = trial.signals.make("host.clock")
        self.capture = trial.signals.lanes("host.capture", trial.lanes)

    def may_begin(self) -> bool:
        """Tell whether a service may begin now."""
        raise NotImplementedError

    def begin(self, *_: object) -> None:
        """Begin a service."""
        raise NotImplementedError

    def consider(self) -> None:
        """Begin a service at the end of this instant, if nothing speaks against it."""
        if not self.begins and self.may_begin():
            self.begins = True
            Instant(self.env, self.env.now, SERVICE, self.begin)

    def rest(self) -> None:
        """Be idle, and see whether enough waits for the next service."""
        self.idle = True
        self.consider()


class Reader(Host):
    """Serves releases: waits one service latency, then clocks frames out.

    Where not every edge is an event, falling edges are none, nor are captures of a frame
    that is whole: no bit of it can be missing.
    """

    def __init__(self, trial: Trial, fifo: Fifo, counts: HostCounts) -> None:
        super().__init__(trial, counts)
        self.fifo = fifo
        law, env = trial.scenario.host, trial.env
        self.watermark = law.watermark
        self.drain = law.drain
        self.by_edge = law.interrupt == "edge"
        self.latched = False
        self.last = trial.bits - 1
        self.rising, self.falling = trial.host_rising, trial.host_falling
        #: Frames of the group in hand whose read has not ended.
        self.group: deque[Frame] = deque()
        #: What asks for frames whose check failed, if anything does.
        self.requests: Requests | None = None
        # What is on its way to an edge: when its read started, and the bit.
        self.start = NEVER
        self.bit = 0
        self.rises = Tick(env, self.rise)
        self.falls = Tick(env, self.fall)
        self.captures_only = Tick(env, self.capture_only)
        self.queue, self.ids = env._queue, env._eid
        #: Who watches its captures.
        self.shown = self.capture[0].observers

    def released(self, frame: Frame) -> None:
        """Hear of a release, by count or by the falling edge of busy."""
        if self.timer.released(frame):
            self.latched = True
        self.consider()

    def repeated(self, frame: Frame) -> None:
        """Read a repeated frame, if it is the one that is waited for."""
        if self.requests is not None and self.requests.answered(frame):
            self.group[0] = frame
            self.start_read(self.env.now, "fifo.repeat")

    def may_begin(self) -> bool:
        """Tell whether a service may begin now."""
        if self.by_edge and not self.latched:
            return False
        return self.idle and len(self.fifo.waiting) >= self.watermark

    def begin(self, *_: object) -> None:
        """Begin a service: fix the frames to be read, and wait one latency."""
        self.begins = False
        # A frame may have been discarded since, in this very instant.
        if not self.may_begin():
            return
        self.idle = False
        self.latched = False
        self.name(self.watermark)
        now, first = self.env.now, self.group[0]
        first.record.service[first.row] = now
        released = first.record.release.item(first.row)
        self.service.move(1, first.index, None, released, "fifo.release")
        self.start_read(host.reads_from(now, self.latency(first.index)), "host.service")

    def name(self, size: int) -> None:
        """Fix the next frames to be read; from now on they are not discarded."""
        for _ in range(size):
            frame = self.fifo.waiting.popleft()
            frame.protected = True
            self.group.append(frame)

    def start_read(self, start: int, why: str = "") -> None:
        """Start to clock a frame out at an instant; a group's first read is shown as it starts."""
        self.start, self.bit, frame = start, 0, self.group[0]
        if frame.repeats is None:
            frame.record.read_start[frame.row] = start
        if why and self.read.observers:
            Instant(self.env, start, SERVICE, self.show_read, frame, (self.env.now, why))
        if self.signals.every_edge:
            self.rises.schedule(start + self.rising[0], CAPTURE)
        else:
            if self.signals.bursts is not None:
                self.signals.bursts.reads(frame, start)
            self.next_capture()

    def show_read(self, frame: Frame, cause: tuple[int, str]) -> None:
        """Show that a group's first read starts."""
        self.read.set(frame.index, frame.index, None, *cause)

    def rise(self) -> None:
        """Let the clock rise, which captures a bit, and schedule its fall."""
        bit, frame = self.bit, self.group[0]
        if self.clock.observers:
            self.clock.set(1, frame.index, bit, self.start, "host.read")
        if frame.missing or self.shown:
            self.captures(frame, bit)
        # As `Tick.schedule` does: with every edge an event, most events are these.
        end, rank = self.start + self.falling[bit], FREE if bit == self.last else CAPTURE
        heappush(self.queue, (end, rank, next(self.ids), self.falls))

    def fall(self) -> None:
        """Let the clock fall, and schedule its next rise or end the read."""
        bit, frame = self.bit, self.group[0]
        if self.clock.observers:
            self.clock.set(0, frame.index, bit, self.start, "host.read")
        if bit == self.last:
            self.finish(frame)
        else:
            self.bit = bit = bit + 1
            time = self.start + self.rising[bit]
            heappush(self.queue, (time, CAPTURE, next(self.ids), self.rises))

    def captures(self, frame: Frame, bit: int) -> None:
        """Capture one bit of every lane; one that has not been pushed spoils the frame."""
        now = self.env._now
        if frame.missing:
            for lane, pushed in enumerate(frame.pushed):
                # What will never come is wrong, and not late.
                comes = frame.harm is None or (lane, bit) not in frame.harm.lost
                if comes and host.underruns(now, pushed[bit] if bit < len(pushed) else FAR):
                    frame.late = frame.late or set()
                    frame.late.add((lane, bit))
        if self.shown:
            for signal, pushed in zip(self.capture, frame.pushed, strict=True):
                there = bit < len(pushed)
                why = "right" if there else "missing"
                signal.set(bit if there else -1 - bit, frame.index, bit, now, why)

    def capture_only(self) -> None:
        """Capture a bit where the clock's edges are no events, or end the read."""
        frame, bit = self.group[0], self.bit
        if bit > self.last:
            self.finish(frame)
            return
        self.captures(frame, bit)
        self.bit += 1
        self.next_capture()

    def next_capture(self) -> None:
        """Schedule the next capture, or at once the end of the read of a whole frame."""
        bit = self.bit
        if bit <= self.last and self.group[0].missing:
            self.captures_only.schedule(self.start + self.rising[bit], CAPTURE)
        else:
            self.bit = self.last + 1
            self.captures_only.schedule(self.start + self.falling[self.last], FREE)

    def finish(self, frame: Frame) -> None:
        """The read ends: the frame has its fate, or is asked for once more."""
        fate = fate_of_read(frame.late is not None, frame.wrong)
        if frame.apart is not None:
            judge_apart(self.trial, frame, fate, partial(bits_read, self.trial, frame))
        else:
            judge(self.trial, frame, fate)
            if self.requests is not None and self.requests.asks(frame):
                self.read.set(NO_FRAME, frame.index, None, self.start, "host.read")
                return
        self.done(frame, fate)

    def done(self, frame: Frame, fate: int) -> None:
        """Go on from a frame that has its fate: its slot is freed."""
        words, now = self.trial.words, self.env.now
        self.group.popleft()
        following = self.group[0].index if self.group else NO_FRAME
        self.read.set(following, frame.index, None, self.start, "host.read")
        frame.record.read_end[frame.row] = now
        if words is not None and (fate != DELIVERED or frame.apart is not None):
            words.keep(frame.index, frame.apart, bits_read(self.trial, frame, words.lane))
        if frame.repeats is not None:
            frame = frame.repeats
        frame.believed = self.counts.read(self.timer.is_idle_after(frame))
        self.fifo.free(frame)
        self.timer.has_read(frame)
        if not self.drain and not self.group:
            self.service.move(0, frame.index, None, now, "host.read")
        if not frame.missing and not frame.extra:
            self.signals.settled.set(frame.index)
        if self.group:
            self.start_read(now)
        elif self.drain:
            # What is released at this very instant is read too.
            Instant(self.env, now, SERVICE, self.read_on)
        else:
            self.rest()

    def read_on(self, *_: object) -> None:
        """With drain, read on with all that waits, and no new latency."""
        now = self.env.now
        self.name(len(self.fifo.waiting))
        if self.group:
            self.start_read(now, "host.read")
        else:
            self.service.move(0, None, None, now, "host.read")
            self.rest()
