"""A barrier channel: what is sent on one side comes out on the other, in order.

Everything that crosses the barrier does so here, by the rules of `simlink.link.channel`.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

from simlink.base.instants import NEVER
from simlink.engines.event.clockwork import Clockwork, Instant
from simlink.link import host_clocked
from simlink.link.channel import arrives_at, falling_delay


class Channel:
    """One channel of the barrier.

    Parameters
    ----------
    env : Clockwork
        Where it is.
    rank : int
        The rank at which its symbols arrive.
    static : int, fs
        Delay, spread and skew of the channel in its unit, of a rising edge.
    deliver : callable
        Called as a symbol arrives, with what was sent: the subject (a frame, say) and its part.
    distortion : int, fs
        Pulse-width distortion: how much longer a falling edge takes.
    min_pulse : int, fs
        The shortest pulse of a clock that passes.
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

    def send(self, subject: Any, part: Any, jitter: int, sent: int) -> None:
        """Send a symbol, or a rising edge.

        Parameters
        ----------
        subject, part : object
            What it is.
        jitter : int, fs
            Its own.
        sent : int, fs
            When it goes in: now, or an instant that is known ahead.
        """
        self.ahead = time = arrives_at(sent, self.static, jitter, self.ahead)
        Instant(self.env, time, self.rank, self.deliver, subject, part)

    def send_falling(self, subject: Any, part: Any, jitter: int, sent: int) -> None:
        """Send a falling edge, as `send` does."""
        self.ahead = time = arrives_at(sent, self.falling, jitter, self.ahead)
        Instant(self.env, time, self.rank, self.deliver, subject, part)

    def send_clock(
        self, subject: Any, edges: list[int], jitter: Sequence[int], most: int
    ) -> list[int]:
        """Send a whole clock, whose edges are known ahead.

        Parameters
        ----------
        subject : object
            What is delivered with the number of each edge that comes out.
        edges : list of int, fs
            Rising edge 0, falling edge 0, rising edge 1, ... as they go in.
        jitter : sequence of int, fs
            Of each edge.
        most : int
            How many edges are delivered; on the others nothing depends.

        Returns
        -------
        list of int, fs
            The edges that come out; too short pulses are gone.
        """
        came = list(edges)
        passed, self.ahead = host_clocked.cross_clock(
            came, len(came), self.static, self.distortion, jitter, self.min_pulse, self.ahead
        )
        del came[passed:]
        for number, time in enumerate(came[:most]):
            Instant(self.env, time, self.rank, self.deliver, subject, number)
        return came

    def carry(
        self, begins: Sequence[int], ends: Sequence[int], jitter: Sequence[int], ahead: int
    ) -> tuple[list[int], list[int]]:
        """Return from when and until when each bit on a data line can be captured after it.

        Parameters
        ----------
        begins, ends : sequence of int, fs
            From when and until when each bit is valid ahead of the channel.
        jitter : sequence of int, fs
            Of the edge that brings each bit, and last of the one that takes the last bit away.
        ahead : int, fs
            When the line last changed after the channel.
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
