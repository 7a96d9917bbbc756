"""A barrier channel: what is sent on one side comes out on the other, in order.

Everything that crosses the barrier does so here, by the rules of `simlink.link.channel`.
"""

from __future__ import annotations

from bisect import bisect_right
from collections import deque
from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

import numpy as np

from simlink.base.instants import NEVER, Times
from simlink.engines.event.clockwork import Clockwork, Instant, Tick
from simlink.link import host_clocked
from simlink.link.channel import arrive_at, arrives_at, falling_delay
from simlink.link.false_edge import carries

if TYPE_CHECKING:
    from simlink.engines.event.false_edges import Carried
    from simlink.engines.event.upsets import Hits
    from simlink.link.false_edge import FalseEdges


class Channel:
    """One channel of the barrier; its times in fs.

    ``static`` is its delay, spread and skew in its unit, of a rising edge, ``distortion`` how much
    longer a falling one takes, and a clock's pulse that is shorter than ``min_pulse`` is swallowed.
    ``deliver`` is called as a symbol arrives, at its rank, with what was sent: the subject (a
    frame, say) and its part.
    """

    def __init__(
        self,
        env: Clockwork,
        rank: int,
        static: int,
        deliver: Callable[[Any, Any], object],
        distortion: int = 0,
        min_pulse: int = 0,
    ) -> None:
        self.env = env
        self.rank = rank
        self.static = static
        self.falling = falling_delay(static, distortion)
        self.distortion = distortion
        self.min_pulse = min_pulse
        self.deliver = deliver
        #: When the symbol ahead came out.
        self.ahead = NEVER
        #: What is on its way, in order.
        self.under_way: deque[tuple[Any, Any]] = deque()
        self.tick = Tick(env, self.comes_out)

    def send(
        self, subject: Any, part: Any, jitter: int, sent: int, index: int = 0, symbol: int = 0
    ) -> None:
        """Send a symbol, or a rising edge, now or at an instant that is known ahead, in fs.

        The conversion, and which of its symbols it is, matter for what transients do to it.
        """
        self.ahead = time = arrives_at(sent, self.static, jitter, self.ahead)
        self.under_way.append((subject, part))
        self.tick.schedule(time, self.rank)

    def comes_out(self) -> None:
        """Deliver the symbol that comes out now: the one that was sent first."""
        subject, part = self.under_way.popleft()
        self.deliver(subject, part)

    def send_falling(self, subject: Any, part: Any, jitter: int, *when_and_which: int) -> None:
        """Send a falling edge, as `send` does."""
        self.send(subject, part, jitter + self.falling - self.static, *when_and_which)

    def arrivals(self, sent: Sequence[int], jitter: Sequence[int]) -> list[int]:
        """Send some symbols, and return when each arrives, in place of delivering them; in fs."""
        ahead, static, found = self.ahead, self.static, []
        for time, off in zip(sent, jitter, strict=True):
            ahead = arrives_at(time, static, off, ahead)
            found.append(ahead)
        self.ahead = ahead
        return found

    def send_clock(
        self, subject: Any, edges: list[int], jitter: Sequence[int], most: int
    ) -> list[int]:
        """Send a whole clock, whose edges are known ahead; return those that come out, in fs.

        They rise and fall by turns; of too short pulses none comes out. So many at the most are
        delivered, each with its number: on the others nothing depends.
        """
        came = list(edges)
        short, self.ahead = host_clocked.cross_edges(
            came, len(came), self.static, self.distortion, jitter, self.min_pulse, self.ahead
        )
        made = self.made(edges, came)
        came = self.spared(subject, edges, came)
        if short:
            passed = host_clocked.passing(came, len(came), self.min_pulse)
            del came[passed:]
        if made:
            subject.pulses_hit = True
            most = most if most < len(edges) else most + 2 * len(made)
            for time in made:
                # As short as can be; the line is low then.
                at = bisect_right(came, time)
                came[at:at] = [time, time]
        for number, time in enumerate(came[:most]):
            Instant(self.env, time, self.rank, self.deliver, subject, number)
        return came

    def clocks(self, sent: Times, jitter: Times) -> tuple[Times, Times]:
        """Send some whole clocks in a row.

        Parameters
        ----------
        sent, jitter : ndarray of int64, shape (clocks, edges), fs
            Of each edge; the first of a clock rises.

        Returns
        -------
        came : ndarray of int64, shape (clocks, edges), fs
            The edges that come out, those of each clock at the front of its row.
        counts : ndarray of int64, shape (clocks,)
            How many those are.
        """
        count = sent.shape[1]
        static = np.where(np.arange(count) % 2, self.falling, self.static)
        every = np.broadcast_to(static, sent.shape).ravel()
        came = arrive_at(sent.ravel(), every, jitter.ravel(), self.ahead).reshape(sent.shape)
        self.ahead = int(came[-1, -1])
        counts = np.full(len(came), count)
        for short in np.flatnonzero((np.diff(came) < max(self.min_pulse, 1)).any(axis=1)):
            counts[short] = host_clocked.passing(came[short], count, self.min_pulse)
        return came, counts

    def spared(self, subject: Any, edges: list[int], came: list[int]) -> list[int]:
        """Return the edges of a clock that are not lost, as they come out; here all of them."""
        return came

    def made(self, edges: list[int], came: list[int]) -> list[int]:
        """Return when false pulses come while a clock crosses; here never."""
        return []

    def carry(
        self, begins: Sequence[int], ends: Sequence[int], jitter: Sequence[int], ahead: int
    ) -> tuple[list[int], list[int]]:
        """Return from when and until when each bit on a data line can be captured after it.

        All in fs: from when and until when each is valid ahead of the channel, the jitter of the
        edge that brings each, and last of the one that takes the last bit away, and when the line
        last changed after the channel.
        """
        before, gone = ahead, ahead
        valid, until = [], []
        for bit, (begin, end) in enumerate(zip(begins, ends, strict=True)):
            before = host_clocked.valid_at_host(
                begin, self.static, self.distortion, jitter[bit], before
            )
            gone = host_clocked.valid_until_at_host(
                end, self.static, self.distortion, jitter[bit + 1], gone
            )
            valid.append(before)
            until.append(gone)
        return valid, until


class UpsetChannel(Channel):
    """A channel whose symbols transients may hit.

    ``damaged`` is called in place of ``deliver`` as a symbol arrives that was hit.
    """

    def __init__(self, hits: Hits, damaged: Callable[[Any, Any], object], *args: Any) -> None:
        super().__init__(*args)
        self.hits = hits
        self.damaged = damaged
        #: What is on it, where that is asked for; and what is made on it where nothing is.
        self.carried: Carried | None = None
        self.false: FalseEdges | None = None
        #: What is called for a false pulse that comes ahead of a clock, if it has to be.
        self.alone: Callable[..., object] | None = None

    def send(
        self, subject: Any, part: Any, jitter: int, sent: int, index: int = 0, symbol: int = 0
    ) -> None:
        """Send a symbol, or a rising edge, which arrives whole or damaged."""
        self.ahead = time = arrives_at(sent, self.static, jitter, self.ahead)
        if self.carried is not None:
            self.carried.add(sent, time)
        act = self.damaged if self.hits(index, symbol, sent, time) else self.deliver
        Instant(self.env, time, self.rank, act, subject, part)

    def spared(self, subject: Any, edges: list[int], came: list[int]) -> list[int]:
        """Return the edges of a clock that are not lost: of each pulse both, or none."""
        if not came or not self.hits.meets(edges[0], came[-1]):
            return came
        found = []
        for pulse in range(len(came) // 2):
            rise, fall = 2 * pulse, 2 * pulse + 1
            symbol = min(pulse, self.hits.symbols - 1)
            if self.hits(subject.index, symbol, edges[rise], came[fall]):
                subject.pulses_hit = True
            else:
                found += [came[rise], came[fall]]
        return found

    def made(self, edges: list[int], came: list[int]) -> list[int]:
        """Return when false pulses come while a clock crosses, between its own pulses."""
        if self.false is None or not came:
            return []
        found, now = [], self.env.now
        spans = list(zip(edges[::2], came[1::2], strict=True))
        for time in self.false.take_before(came[-1]):
            if time < now or any(carries(time, *span) for span in spans):
                continue
            if self.alone is not None and time <= edges[0]:
                Instant(self.env, time, self.rank, self.alone)
            else:
                found.append(time)
                hits = self.hits
                hits.trial.note_false(hits.way, hits.channel, time)
        return found


def made(hits: Hits | None, damaged: Callable[[Any, Any], object], *args: Any) -> Channel:
    """Return a channel, one that can be upset only where something may do so."""
    return Channel(*args) if hits is None else UpsetChannel(hits, damaged, *args)


def lost(*_: object) -> None:
    """Let a symbol that was hit do nothing."""
