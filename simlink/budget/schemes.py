"""The chains of terms of the three clocking schemes, as `parts` has them happen.

The forwarded and the returned clock follow `parts.serial_link`, the remote master
`parts.remote_clock`; every margin here is the algebra of when those rules call a bit wrong. Of
delays that both sides of a comparison share (a return direction's delay where data and clock
come back together) nothing is left, so they are no term.
"""

from __future__ import annotations

from fractions import Fraction
from typing import TYPE_CHECKING, Literal

from simlink.budget.terms import ZERO, Enters, Margin, Term

if TYPE_CHECKING:
    from simlink.scenario.distributions import Distribution
    from simlink.scenario.schema import Scenario

#: The schemes in the order of reports.
SCHEMES = ("forwarded_clock", "returned_clock", "remote_master")

HALF = Fraction(1, 2)
_EARLY = "a bit is captured before it is valid"
_LATE = "a bit is captured past its hold, when the next one has been launched"
_SWALLOWED = "a pulse of the clock is too short for the channel, which swallows it"


class Words:
    """The quantities of a scenario as terms, each named once."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.lanes = scenario.frame.lanes

    def key(self, way: Literal["forward", "return"], name: str) -> str:
        """Return the key that gives a value of one direction."""
        barrier = self.scenario.barrier
        own = barrier.forward if way == "forward" else barrier.return_
        given = getattr(own, name)
        common = name in ("skew", "pulse_width_distortion", "min_pulse", "line_rate")
        return f"barrier.{name}" if common and given is None else f"barrier.{way}.{name}"

    def static(self, way: Literal["forward", "return"], enters: Enters = "plus") -> list[Term]:
        """Return delay and spread of a direction."""
        channel = self.scenario.barrier.direction(way)
        delay, spread = f"barrier.{way}.delay", f"barrier.{way}.spread"
        return [
            Term(f"{way} delay", delay, (channel.delay,), (delay,), enters),
            Term(f"{way} spread", spread, (channel.spread,), (spread,), enters),
        ]

    def skew(
        self, way: Literal["forward", "return"], channel: str, enters: Enters, name: str
    ) -> Term:
        """Return the skew of a channel beside the lanes; a list of skews gives it none."""
        law = self.scenario.barrier.direction(way).skew
        only = ZERO if isinstance(law, tuple) else law
        source = f"barrier.{way}.skew {channel}"
        return Term(name, self.key(way, "skew"), (only,), (source,), enters)

    def lane_skew(self, enters: Enters) -> Term:
        """Return the skew of the data lanes, of which the worst counts."""
        laws = self.scenario.barrier.direction("return").lane_skews(self.lanes)
        sources = tuple(f"barrier.return.skew lane {lane}" for lane in range(self.lanes))
        name = "lane skew" if self.lanes == 1 else f"lane skew, worst of {self.lanes}"
        return Term(name, self.key("return", "skew"), laws, sources, enters)

    def distortion(self, way: Literal["forward", "return"], enters: Enters, what: str) -> Term:
        """Return the pulse-width distortion of a direction."""
        law = self.scenario.barrier.direction(way).pulse_width_distortion
        source = f"barrier.{way}.pulse_width_distortion"
        key = self.key(way, "pulse_width_distortion")
        return Term(f"{way} distortion, {what}", key, (law,), (source,), enters)

    def jitter(self, way: Literal["forward", "return"], enters: Enters, what: str) -> Term:
        """Return the jitter of one edge."""
        law = self.scenario.barrier.direction(way).jitter
        return Term(f"jitter, {what}", f"barrier.{way}.jitter", (law,), (), enters, "edge")

    def min_pulse(self, way: Literal["forward", "return"]) -> Term:
        """Return the shortest pulse that a direction passes."""
        law = self.scenario.barrier.direction(way).min_pulse
        return Term(
            "shortest pulse", self.key(way, "min_pulse"), (law,), (f"barrier.{way}.min_pulse",)
        )

    def unit(self, key: str, name: str, enters: Enters = "plus") -> Term:
        """Return a time of the converter, the host or the remote master, drawn once a unit."""
        return Term(name, key, (self._law(key),), (key,), enters)

    def conversion(self, key: str, name: str, enters: Enters) -> Term:
        """Return a time that is drawn for each conversion."""
        return Term(name, key, (self._law(key),), (), enters, "conversion")

    def _law(self, key: str) -> Distribution:
        section, name = key.split(".")
        law: Distribution = getattr(getattr(self.scenario, section), name)
        return law


def margins(scenario: Scenario, scheme: str) -> tuple[Margin, ...]:
    """Return the margins that a scheme has to keep, setup and hold first.

    Parameters
    ----------
    scenario : Scenario
        Converter, barrier and host; its own scheme does not matter.
    scheme : {"forwarded_clock", "returned_clock", "remote_master"}
        Which scheme.
    """
    words = Words(scenario)
    make = {"forwarded_clock": _forwarded, "returned_clock": _returned, "remote_master": _remote}
    return tuple(make[scheme](words))


def _forwarded(words: Words) -> list[Margin]:
    """Return the margins of a host that captures with its own clock.

    The falling edge that launches bit i leaves the host at i T; the bit is back, and valid, one
    round trip later, and is captured n T / 2 (or a trained delay) after that edge left. The next
    launch is one T later.
    """
    capture = words.scenario.host.capture
    fixed = capture.delay or 0
    periods = Fraction(capture.half_periods or 0, 2)
    setup = (
        *words.static("forward"),
        words.skew("forward", "clock", "plus", "clock channel skew"),
        words.distortion("forward", "plus", "launching edge"),
        words.jitter("forward", "plus", "launching edge"),
        words.unit("converter.data_valid", "data valid"),
        *words.static("return"),
        words.lane_skew("plus"),
        words.distortion("return", "slower", "slower data edge"),
        words.jitter("return", "plus", "data edge"),
        words.unit("host.setup", "host setup"),
    )
    hold = (
        *words.static("forward", "minus"),
        words.skew("forward", "clock", "minus", "clock channel skew"),
        words.distortion("forward", "minus", "launching edge"),
        words.jitter("forward", "minus", "launching edge"),
        words.unit("converter.data_hold", "data hold", "minus"),
        *words.static("return", "minus"),
        words.lane_skew("minus"),
        words.distortion("return", "faster", "faster data edge"),
        words.jitter("return", "minus", "data edge"),
        words.unit("host.hold", "host hold"),
    )
    # Busy comes back beside the data, so that the return direction's delay and spread cancel.
    first = (
        words.unit("converter.msb_valid", "first bit valid"),
        words.lane_skew("plus"),
        words.skew("return", "busy", "minus", "busy channel skew"),
        words.distortion("return", "faster", "busy against data"),
        words.jitter("return", "plus", "data edge"),
        words.jitter("return", "minus", "busy edge"),
        words.conversion("fifo.sync_delay", "busy synchroniser", "minus"),
        words.conversion("host.service_latency", "service latency", "minus"),
        words.unit("host.setup", "host setup"),
    )
    return [
        Margin("setup", _EARLY, periods, setup, fixed),
        Margin("hold", _LATE, 1 - periods, hold, -fixed),
        Margin("first bit", _EARLY, periods, first, fixed),
        *_pulses(words, "forward clock", returns=False),
    ]


def _returned(words: Words) -> list[Margin]:
    """Return the margins of a host that captures with its clock as it comes back.

    Clock and data share the forward crossing and the return direction's delay and spread. A
    capture at the rising edge does not share the launching falling edge's distortion; one at the
    next falling edge does, and has the return distortion of a falling edge for it.
    """
    whole = words.scenario.host.capture.half_periods == 2
    edge = "falling" if whole else "rising"
    common_setup: tuple[Term, ...] = (
        words.jitter("forward", "plus", "launching edge"),
        words.jitter("forward", "minus", f"capturing {edge} edge"),
        words.unit("converter.data_valid", "data valid"),
        words.lane_skew("plus"),
        words.skew("return", "clock", "minus", "returned clock skew"),
        words.jitter("return", "minus", "returned clock edge"),
        words.jitter("return", "plus", "data edge"),
        words.unit("host.setup", "host setup"),
    )
    common_hold = (
        words.unit("converter.data_hold", "data hold", "minus"),
        words.lane_skew("minus"),
        words.skew("return", "clock", "plus", "returned clock skew"),
        words.jitter("return", "plus", "returned clock edge"),
        words.jitter("return", "minus", "data edge"),
        words.unit("host.hold", "host hold"),
    )
    setup: tuple[Term, ...]
    hold: tuple[Term, ...]
    if whole:
        # max(0, d) of the data less d of the clock's falling edge; at the hold, d less min(0, d).
        setup = (
            *common_setup,
            words.distortion("return", "faster", "data against clock"),
        )
        hold = (
            *common_hold,
            words.distortion("return", "slower", "clock against data"),
        )
        setup_time, hold_time = Fraction(1), Fraction(0)
    else:
        setup = (
            words.distortion("forward", "plus", "launching edge"),
            *common_setup,
            words.distortion("return", "slower", "slower data edge"),
        )
        hold = (
            words.distortion("forward", "minus", "launching edge"),
            words.jitter("forward", "plus", "capturing rising edge"),
            words.jitter("forward", "minus", "next launching edge"),
            *common_hold,
            words.distortion("return", "faster", "faster data edge"),
        )
        setup_time = hold_time = HALF
    first: tuple[Term, ...] = (
        words.unit("converter.msb_valid", "first bit valid"),
        words.lane_skew("plus"),
        words.skew("return", "busy", "minus", "busy channel skew"),
        *words.static("forward", "minus"),
        words.skew("forward", "clock", "minus", "clock channel skew"),
        *words.static("return", "minus"),
        words.skew("return", "clock", "minus", "returned clock skew"),
        words.jitter("return", "plus", "data edge"),
        words.jitter("return", "minus", "busy edge"),
        words.jitter("forward", "minus", f"capturing {edge} edge"),
        words.jitter("return", "minus", "returned clock edge"),
        words.conversion("fifo.sync_delay", "busy synchroniser", "minus"),
        words.conversion("host.service_latency", "service latency", "minus"),
        words.unit("host.setup", "host setup"),
        words.distortion("return", "faster", "busy against data"),
    )
    if whole:
        first = (
            *first,
            words.distortion("forward", "minus", "capturing edge"),
            words.distortion("return", "minus", "capturing edge"),
        )
    return [
        Margin("setup", _EARLY, setup_time, setup),
        Margin("hold", _LATE, hold_time, hold),
        Margin("first bit", _EARLY, setup_time, first),
        *_pulses(words, "forward clock", returns=False),
        *_pulses(words, "returned clock", returns=True),
    ]


def _remote(words: Words) -> list[Margin]:
    """Return the margins of a clock master beside the converter, and of the strobe."""
    scenario = words.scenario
    whole = scenario.remote_clock.capture == "whole"
    setup_time = Fraction(1) if whole else HALF
    law = scenario.remote_clock.tolerance
    key = "remote_clock.tolerance"
    tolerance = Term("clock tolerance", key, (law,), (key,))
    setup = (
        words.unit("converter.data_valid", "data valid"),
        words.unit("remote_clock.setup", "remote master setup"),
    )
    hold = (
        words.unit("converter.data_hold", "data hold", "minus"),
        words.unit("remote_clock.hold", "remote master hold"),
    )
    first = (
        words.unit("converter.msb_valid", "first bit valid"),
        words.unit("remote_clock.setup", "remote master setup"),
        words.conversion("remote_clock.start_delay", "start delay", "minus"),
    )
    found = [
        Margin("setup", _EARLY, setup_time, setup, tolerance=tolerance),
        Margin("hold", _LATE, 1 - setup_time, hold, tolerance=tolerance),
        Margin("first bit", _EARLY, setup_time, first, tolerance=tolerance),
    ]
    if has_strobe(scenario):
        found += _strobe(words, tolerance)
    return found


def _strobe(words: Words, tolerance: Term) -> list[Margin]:
    """Return the margins of a strobe that rises in the middle of each bit that it goes with."""
    setup = (
        words.lane_skew("plus"),
        words.skew("return", "strobe", "minus", "strobe skew"),
        words.distortion("return", "slower", "slower data edge"),
        words.jitter("return", "plus", "data edge"),
        words.jitter("return", "minus", "strobe edge"),
    )
    hold = (
        words.lane_skew("minus"),
        words.skew("return", "strobe", "plus", "strobe skew"),
        words.distortion("return", "faster", "faster data edge"),
        words.jitter("return", "minus", "data edge"),
        words.jitter("return", "plus", "strobe edge"),
    )
    means = "the strobe takes a bit of a lane that is not there yet, or no longer"
    return [
        Margin("lane to strobe, setup", means, HALF, setup, tolerance=tolerance),
        Margin("lane to strobe, hold", means, HALF, hold, tolerance=tolerance),
        *_widths(words, "strobe", ("return",), tolerance),
    ]


def has_strobe(scenario: Scenario) -> bool:
    """Tell whether the remote master's bits have a strobe beside them.

    A line that takes the data's rate but not the 2 f of a strobe is taken for a self-clocking
    one. Packets carry their own framing.
    """
    line = scenario.barrier.direction("return").line_rate
    clock = scenario.remote_clock.frequency.value
    if scenario.barrier.return_.style != "bits":
        return False
    return line is None or not clock <= line.value < 2 * clock


def _pulses(words: Words, name: str, *, returns: bool) -> list[Margin]:
    return _widths(words, name, ("forward", "return") if returns else ("forward",), None)


def _widths(
    words: Words,
    name: str,
    ways: tuple[Literal["forward", "return"], ...],
    tolerance: Term | None,
) -> list[Margin]:
    """Return the widths of a clock's pulses once it has crossed some channels one after another."""
    wide: list[Term] = []
    narrow: list[Term] = []
    for way in ways:
        wide.append(words.distortion(way, "minus", "high pulse"))
        narrow.append(words.distortion(way, "plus", "low pulse"))
        for terms, first, last in ((wide, "rising", "falling"), (narrow, "falling", "rising")):
            terms.append(words.jitter(way, "plus", f"{way} {first} edge"))
            terms.append(words.jitter(way, "minus", f"{way} {last} edge"))
    shortest = words.min_pulse(ways[-1])
    return [
        Margin(f"{name}, high pulse", _SWALLOWED, HALF, (*wide, shortest), tolerance=tolerance),
        Margin(f"{name}, low pulse", _SWALLOWED, HALF, (*narrow, shortest), tolerance=tolerance),
    ]
