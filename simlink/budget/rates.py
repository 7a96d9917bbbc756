"""What a serial clock makes of the sample rate and of the latency.

Two cycles have to fit the trigger period. The converter's: conversion, then the longer of
acquisition and of all that keeps the converter until its last clock edge. And the host's read.
With a remote master the FIFO stands between them, so that the host has to keep up on average
only; in the two other schemes the converter waits for the host, and its cycle holds the whole
way of busy, service latency and clock.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from simlink.base.draws import streams
from simlink.base.instants import FS_PER_SECOND
from simlink.budget.schemes import Words
from simlink.budget.terms import Term, taken
from simlink.link.transport import packets_of

if TYPE_CHECKING:
    from simlink.scenario.distributions import Distribution
    from simlink.scenario.schema import Scenario


_SAMPLED = 2**16


@dataclass(frozen=True)
class Span:
    """A stretch of time in fs: at the means, and at the most (infinite if nothing bounds it).

    `law` is what is drawn for each conversion, None where it is alike in all of them.
    """

    name: str
    nominal: Fraction
    worst: Fraction | float
    law: Distribution | None = None


@dataclass(frozen=True)
class Cycle:
    """What one side does for each frame, one span after another.

    Attributes
    ----------
    side : str
        ``"converter"``, ``"return line"`` or ``"host"``.
    spans : tuple of Span
        One after another.
    buffered : bool
        Whether it has to fit on average only, since a FIFO takes up the rest.
    """

    side: str
    spans: tuple[Span, ...]
    buffered: bool = False

    @property
    def nominal(self) -> Fraction:
        """Its length at the means, in fs."""
        return sum((span.nominal for span in self.spans), Fraction(0))

    @property
    def worst(self) -> Fraction | float:
        """Its greatest length, in fs."""
        return _total(span.worst for span in self.spans)

    @property
    def decisive(self) -> Fraction | float:
        """The length that has to fit: the greatest, or the mean where that is all that counts."""
        return self.nominal if self.buffered or math.isinf(self.worst) else self.worst

    @property
    def unbounded(self) -> list[str]:
        """The spans that nothing bounds."""
        return [span.name for span in self.spans if math.isinf(span.worst)]

    def in_time(self, period: Fraction, seed: int) -> float:
        """Return the share of conversions whose cycle fits a period in fs, of 65536 drawn."""
        total = np.zeros(_SAMPLED)
        for span in self.spans:
            if span.law is None or span.law.is_constant:
                total += float(span.nominal)
            else:
                total += span.law.sampler(streams(seed, 0, f"cycle {span.name}")).take(_SAMPLED)
        return float((total <= float(period)).mean())


def _total(values: Iterable[Fraction | float]) -> Fraction | float:
    total: Fraction | float = Fraction(0)
    for value in values:
        total = total + value
    return total


def _span(name: str, law: Distribution, share: Fraction = Fraction(1)) -> Span:
    high = law.support[1]
    worst = high if math.isinf(high) else Fraction(high) * share
    return Span(name, Fraction(law.mean) * share, worst, law if share == 1 else None)


def _crossing(name: str, terms: list[Term]) -> Span:
    """Return a crossing of the barrier; of jitter without a bound the mean alone counts."""
    worst = _total(
        Fraction(taken(term.enters, term.laws[0].mean)) if term.drawn == "edge" else term.worst
        for term in terms
    )
    return Span(name, sum((term.nominal for term in terms), Fraction(0)), worst)


def _clocked(name: str, cycles: Fraction, clock: Fraction, slow: float = 0.0) -> Span:
    time = cycles * FS_PER_SECOND / clock
    return Span(name, time, time / (1 + Fraction(slow) / 10**12))


def cycles(scenario: Scenario, scheme: str, clock: Fraction) -> list[Cycle]:
    """Return the cycles of a scheme at a serial clock in Hz, the converter's first."""
    words = Words(scenario)
    converter, host = scenario.converter, scenario.host
    bits = Fraction(scenario.bits_per_lane)
    conversion = _span("conversion", converter.conversion_time)
    acquisition = _span("acquisition", converter.acquisition_time)
    if scheme == "remote_master":
        slow = scenario.remote_clock.tolerance.support[0]
        keeps = [
            _span("start delay", scenario.remote_clock.start_delay),
            _clocked("readout", bits, clock, slow),
        ]
    else:
        keeps = [
            _crossing("busy to the host", _busy(words)),
            _span("busy synchroniser", scenario.fifo.sync_delay),
            _span("service latency", host.service_latency),
            _clocked("readout", bits, clock),
            _crossing("last clock edge to the converter", _clock_fall(words)),
        ]
    read = Cycle("converter", (conversion, *(one for one in keeps if one.worst)))
    found = [read]
    settle = Cycle("acquisition", (conversion, acquisition))
    if settle.decisive > read.decisive:
        found = [Cycle("converter", settle.spans)]
    if scheme != "remote_master":
        return found
    packets = packets_of(scenario)
    if packets is not None:
        line = Fraction(sum(packet.line_time for packet in packets))
        found.append(Cycle("return line", (Span("packets", line, line),), buffered=True))
    service = _span("service latency", host.service_latency, Fraction(1, host.watermark))
    reading = _clocked("read", bits, host.clock.value)
    return [*found, Cycle("host", (service, reading), buffered=True)]


def _busy(words: Words) -> list[Term]:
    return [
        *words.static("return"),
        words.skew("return", "busy", "plus", "busy channel skew"),
        words.distortion("return", "plus", "falling edge"),
        words.jitter("return", "plus", "busy edge"),
    ]


def _clock_fall(words: Words) -> list[Term]:
    # The next trigger crosses the same direction: its channel is the one that skew is counted
    # from, so a late clock edge is one delay behind and a trigger one delay ahead.
    return [
        *words.static("forward"),
        words.skew("forward", "clock", "plus", "clock channel skew"),
        words.distortion("forward", "plus", "falling edge"),
        words.jitter("forward", "plus", "last clock edge"),
    ]


def sample_rate(found: list[Cycle]) -> Fraction:
    """Return the highest sample rate in Hz that some cycles leave."""
    return FS_PER_SECOND / max(Fraction(cycle.decisive) for cycle in found)


def latency(scenario: Scenario, scheme: str, clock: Fraction) -> tuple[Span, ...]:
    """Return the way from the trigger at the host to the last bit read, span by span.

    Parameters
    ----------
    scenario : Scenario
        Converter, barrier and host; nothing waits in front of the frame.
    scheme : str
        One of `schemes.SCHEMES`.
    clock : Fraction
        The serial clock in Hz.
    """
    words = Words(scenario)
    host, bits = scenario.host, Fraction(scenario.bits_per_lane)
    way: list[Span] = []
    if scenario.trigger.source == "host":
        sent = [*words.static("forward"), words.jitter("forward", "plus", "trigger edge")]
        way.append(_crossing("trigger to the converter", sent))
    way.append(_span("conversion", scenario.converter.conversion_time))
    if scheme == "remote_master":
        slow = scenario.remote_clock.tolerance.support[0]
        way.append(_span("start delay", scenario.remote_clock.start_delay))
        released = Fraction(scenario.fifo.release_bits)
        if scenario.remote_clock.capture == "half":
            released -= Fraction(1, 2)
        way.append(_clocked("clock up to the release bit", released, clock, slow))
        back = [
            *words.static("return"),
            words.lane_skew("plus"),
            words.jitter("return", "plus", "data edge"),
        ]
        packets = packets_of(scenario)
        if packets is not None:
            upto = [p for p in packets if p.first < scenario.fifo.release_bits]
            last = Fraction(upto[-1].line_time)
            way.append(Span("last packet on the line", last, last))
        way.append(_crossing("bits to the host", back))
        way.append(_span("busy synchroniser", scenario.fifo.sync_delay))
        way.append(_span("service latency", host.service_latency))
        way.append(_clocked("read", bits, host.clock.value))
        return tuple(way)
    way.append(_crossing("busy to the host", _busy(words)))
    way.append(_span("busy synchroniser", scenario.fifo.sync_delay))
    way.append(_span("service latency", host.service_latency))
    if scheme == "forwarded_clock":
        capture = host.capture
        last = (bits - 1) + Fraction(capture.half_periods or 0, 2)
        read = last * FS_PER_SECOND / clock + (capture.delay or 0)
        read = max(read, bits * FS_PER_SECOND / clock)
        way.append(Span("readout and capture", read, read))
        return tuple(way)
    whole = host.capture.half_periods == 2
    way.append(_clocked("readout", bits if whole else bits - Fraction(1, 2), clock))
    out = [*words.static("forward"), words.skew("forward", "clock", "plus", "clock channel skew")]
    home = [*words.static("return"), words.skew("return", "clock", "plus", "returned clock skew")]
    if whole:
        out.append(words.distortion("forward", "plus", "falling edge"))
        home.append(words.distortion("return", "plus", "falling edge"))
    way.append(_crossing("clock to the converter", out))
    way.append(_crossing("clock and data back", home))
    return tuple(way)
