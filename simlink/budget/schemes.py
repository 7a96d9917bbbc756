"""The chains of terms of the three clocking schemes, as `link` has them happen.

The forwarded and the returned clock follow `link.host_clocked`, the remote master
`link.remote_clock` and its strobe `link.strobe`; every margin here is the algebra of when those
rules call a bit wrong. Of delays that both sides of a comparison share (a return direction's
delay where data and clock come back together) nothing is left, so they are no term.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import replace
from fractions import Fraction
from typing import TYPE_CHECKING, Literal

from simlink.budget.held import (
    BUSY_FALLS,
    CLOCK_FALLS,
    CLOCK_RISES,
    LANE_FASTER,
    LANE_SLOWER,
    Edge,
    held_within,
)
from simlink.budget.terms import ZERO, Enters, Margin, Term
from simlink.link.channel import stream

if TYPE_CHECKING:
    from simlink.scenario.distributions import Distribution
    from simlink.scenario.schema import Scenario

#: The schemes in the order of reports.
SCHEMES = ("forwarded_clock", "returned_clock", "remote_master")

HALF = Fraction(1, 2)
_EARLY = "a bit is captured before it is valid"
_LATE = "a bit is captured past its hold, when the next one has been launched"
_TOO_FAST = "the serial clock is faster than the converter takes"
_TOO_SHORT = "a pulse of the serial clock is shorter than the converter takes"
_SWALLOWED = "a pulse of the clock is too short for the channel, which swallows it"


class TermFactory:
    """The quantities of a scenario as terms, each named once."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.lanes = scenario.frame.lanes

    def key(self, way: Literal["forward", "return"], name: str) -> str:
        """Return the key that gives a value of one direction."""
        barrier = self.scenario.barrier
        own = barrier.forward if way == "forward" else barrier.return_
        given = getattr(own, name)
        common = name in ("channel_skew", "pulse_width_distortion", "min_pulse", "line_rate")
        return f"barrier.{name}" if common and given is None else f"barrier.{way}.{name}"

    def static(self, way: Literal["forward", "return"], enters: Enters = "plus") -> list[Term]:
        """Return delay and part-to-part skew of a direction."""
        channel = self.scenario.barrier.direction(way)
        delay, skew = (f"barrier.{way}.{key}" for key in ("delay", "part_to_part_skew"))
        return [
            Term(f"{way} delay", delay, (channel.delay,), (delay,), enters),
            Term(
                f"{way} part-to-part skew",
                skew,
                (channel.part_to_part_skew,),
                (stream(way, "part_to_part_skew"),),
                enters,
            ),
        ]

    def skew(
        self, way: Literal["forward", "return"], channel: str, enters: Enters, name: str
    ) -> Term:
        """Return the skew of a channel beside the lanes; a list of skews gives it none."""
        law = self.scenario.barrier.direction(way).channel_skew
        only = ZERO if isinstance(law, tuple) else law
        source = stream(way, "channel_skew", channel)
        return Term(name, self.key(way, "channel_skew"), (only,), (source,), enters)

    def lane_skew(self, enters: Enters) -> Term:
        """Return the skew of the data lanes, of which the worst counts."""
        laws = self.scenario.barrier.direction("return").lane_skews(self.lanes)
        sources = tuple(
            stream("return", "channel_skew", f"lane {lane}") for lane in range(self.lanes)
        )
        name = "lane skew" if self.lanes == 1 else f"lane skew, worst of {self.lanes}"
        return Term(name, self.key("return", "channel_skew"), laws, sources, enters)

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
        """Return a time of the converter, the host or the remote master, drawn once a board."""
        return Term(name, key, (self._law(key),), (key,), enters)

    def held(
        self, terms: Iterable[Term], forward: Sequence[Edge] = (), back: Sequence[Edge] = ()
    ) -> tuple[Term, ...]:
        """Return terms with what the limits of the delay cover in one; see `held_within`."""
        return held_within(self.scenario, terms, forward, back)

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
    of = {"forwarded_clock": _forwarded, "returned_clock": _returned, "remote_master": _remote}
    found = of[scheme](TermFactory(scenario))
    if scenario.bits_per_lane == 1:
        # No edge launches the only bit: it comes with the fall of busy.
        _, hold, first, *others = found
        found = [replace(first, name="setup"), hold, *others]
    return tuple(found)


def _forwarded(make: TermFactory) -> list[Margin]:
    """Return the margins of a host that captures with its own clock.

    The falling edge that launches bit i leaves the host at i T; the bit is back, and valid, one
    round trip later, and is captured n T / 2 (or a trained delay) after that edge left. The next
    launch is one T later.
    """
    capture = make.scenario.host.capture
    fixed = capture.delay or 0
    periods = Fraction(capture.half_periods or 0, 2)
    setup: tuple[Term, ...] = (
        *make.static("forward"),
        make.skew("forward", "clock", "plus", "clock channel skew"),
        make.distortion("forward", "plus", "launching edge"),
        make.jitter("forward", "plus", "launching edge"),
        make.unit("converter.data_valid", "data valid"),
        *make.static("return"),
        make.lane_skew("plus"),
        make.distortion("return", "slower", "slower data edge"),
        make.jitter("return", "plus", "data edge"),
        make.unit("host.setup", "host setup"),
    )
    hold: tuple[Term, ...] = (
        *make.static("forward", "minus"),
        make.skew("forward", "clock", "minus", "clock channel skew"),
        make.distortion("forward", "minus", "launching edge"),
        make.jitter("forward", "minus", "launching edge"),
        make.unit("converter.data_hold", "data hold", "minus"),
        *make.static("return", "minus"),
        make.lane_skew("minus"),
        make.distortion("return", "faster", "faster data edge"),
        make.jitter("return", "minus", "data edge"),
        make.unit("host.hold", "host hold"),
    )
    # Busy comes back beside the data, so that the return direction's delay and spread cancel.
    first: tuple[Term, ...] = (
        make.unit("converter.msb_valid", "first bit valid"),
        make.lane_skew("plus"),
        make.skew("return", "busy", "minus", "busy channel skew"),
        make.distortion("return", "faster", "busy against data"),
        make.jitter("return", "plus", "data edge"),
        make.jitter("return", "minus", "busy edge"),
        make.conversion("fifo.sync_delay", "busy synchroniser", "minus"),
        make.conversion("host.service_latency", "service latency", "minus"),
        make.unit("host.setup", "host setup"),
    )
    setup = make.held(setup, forward=[CLOCK_FALLS], back=[LANE_SLOWER])
    hold = make.held(hold, forward=[-CLOCK_FALLS], back=[-LANE_FASTER])
    first = make.held(first, back=[LANE_SLOWER, -BUSY_FALLS])
    return [
        Margin("setup", _EARLY, periods, setup, fixed),
        Margin("hold", _LATE, 1 - periods, hold, -fixed),
        Margin("first bit", _EARLY, periods, first, fixed),
        *_pulses(make, "forward clock", returns=False),
        *_clock_input(make),
    ]


def _returned(make: TermFactory) -> list[Margin]:
    """Return the margins of a host that captures with its clock as it comes back.

    Clock and data share the forward crossing and the return direction's delay and spread. A
    capture at the rising edge does not share the launching falling edge's distortion; one at the
    next falling edge does, and has the return distortion of a falling edge for it.
    """
    whole = make.scenario.host.capture.half_periods == 2
    edge = "falling" if whole else "rising"
    common_setup: tuple[Term, ...] = (
        make.jitter("forward", "plus", "launching edge"),
        make.jitter("forward", "minus", f"capturing {edge} edge"),
        make.unit("converter.data_valid", "data valid"),
        make.lane_skew("plus"),
        make.skew("return", "clock", "minus", "returned clock skew"),
        make.jitter("return", "minus", "returned clock edge"),
        make.jitter("return", "plus", "data edge"),
        make.unit("host.setup", "host setup"),
    )
    common_hold = (
        make.unit("converter.data_hold", "data hold", "minus"),
        make.lane_skew("minus"),
        make.skew("return", "clock", "plus", "returned clock skew"),
        make.jitter("return", "plus", "returned clock edge"),
        make.jitter("return", "minus", "data edge"),
        make.unit("host.hold", "host hold"),
    )
    setup: tuple[Term, ...]
    hold: tuple[Term, ...]
    if whole:
        # max(0, d) of the data less d of the clock's falling edge; at the hold, d less min(0, d).
        setup = (
            *common_setup,
            make.distortion("return", "faster", "data against clock"),
        )
        hold = (
            *common_hold,
            make.distortion("return", "slower", "clock against data"),
        )
        setup_time, hold_time = Fraction(1), Fraction(0)
    else:
        setup = (
            make.distortion("forward", "plus", "launching edge"),
            *common_setup,
            make.distortion("return", "slower", "slower data edge"),
        )
        hold = (
            make.distortion("forward", "minus", "launching edge"),
            make.jitter("forward", "plus", "capturing rising edge"),
            make.jitter("forward", "minus", "next launching edge"),
            *common_hold,
            make.distortion("return", "faster", "faster data edge"),
        )
        setup_time = hold_time = HALF
    first: tuple[Term, ...] = (
        make.unit("converter.msb_valid", "first bit valid"),
        make.lane_skew("plus"),
        make.skew("return", "busy", "minus", "busy channel skew"),
        *make.static("forward", "minus"),
        make.skew("forward", "clock", "minus", "clock channel skew"),
        *make.static("return", "minus"),
        make.skew("return", "clock", "minus", "returned clock skew"),
        make.jitter("return", "plus", "data edge"),
        make.jitter("return", "minus", "busy edge"),
        make.jitter("forward", "minus", f"capturing {edge} edge"),
        make.jitter("return", "minus", "returned clock edge"),
        make.conversion("fifo.sync_delay", "busy synchroniser", "minus"),
        make.conversion("host.service_latency", "service latency", "minus"),
        make.unit("host.setup", "host setup"),
        make.distortion("return", "faster", "busy against data"),
    )
    if whole:
        first = (
            *first,
            make.distortion("forward", "minus", "capturing edge"),
            make.distortion("return", "minus", "capturing edge"),
        )
    captures = CLOCK_FALLS if whole else CLOCK_RISES
    next_bit = [captures, -CLOCK_FALLS]
    setup = make.held(setup, [CLOCK_FALLS, -captures], [LANE_SLOWER, -captures])
    hold = make.held(hold, next_bit, [captures, -LANE_FASTER])
    first = make.held(first, [-captures], [LANE_SLOWER, -BUSY_FALLS, -captures])
    return [
        Margin("setup", _EARLY, setup_time, setup),
        Margin("hold", _LATE, hold_time, hold),
        Margin("first bit", _EARLY, setup_time, first),
        *_pulses(make, "forward clock", returns=False),
        *_pulses(make, "returned clock", returns=True),
        *_clock_input(make),
    ]


def _remote(make: TermFactory) -> list[Margin]:
    """Return the margins of a clock master beside the converter, and of the strobe."""
    scenario = make.scenario
    whole = scenario.remote_clock.capture == "whole"
    setup_time = Fraction(1) if whole else HALF
    law = scenario.remote_clock.tolerance
    key = "remote_clock.tolerance"
    tolerance = Term("clock tolerance", key, (law,), (key,))
    setup = (
        make.unit("converter.data_valid", "data valid"),
        make.unit("remote_clock.setup", "remote master setup"),
    )
    hold = (
        make.unit("converter.data_hold", "data hold", "minus"),
        make.unit("remote_clock.hold", "remote master hold"),
    )
    first = (
        make.unit("converter.msb_valid", "first bit valid"),
        make.unit("remote_clock.setup", "remote master setup"),
        make.conversion("remote_clock.start_delay", "start delay", "minus"),
    )
    found = [
        Margin("setup", _EARLY, setup_time, setup, tolerance=tolerance),
        Margin("hold", _LATE, 1 - setup_time, hold, tolerance=tolerance),
        Margin("first bit", _EARLY, setup_time, first, tolerance=tolerance),
        *_clock_input(make, tolerance),
    ]
    if scenario.barrier.return_.has_strobe:
        found += _strobe(make, tolerance)
    return found


def _strobe(make: TermFactory, tolerance: Term) -> list[Margin]:
    """Return the margins of a strobe that rises in the middle of each bit that it goes with.

    Strobe and lanes share the return direction's delay and spread (`link.strobe`).
    """
    setup = (
        make.lane_skew("plus"),
        make.skew("return", "strobe", "minus", "strobe skew"),
        make.distortion("return", "slower", "slower data edge"),
        make.jitter("return", "plus", "data edge"),
        make.jitter("return", "minus", "strobe edge"),
    )
    hold = (
        make.lane_skew("minus"),
        make.skew("return", "strobe", "plus", "strobe skew"),
        make.distortion("return", "faster", "faster data edge"),
        make.jitter("return", "minus", "data edge"),
        make.jitter("return", "plus", "strobe edge"),
    )
    means = "the strobe takes a bit of a lane that is not there yet, or no longer"
    rises = Edge("strobe", "rising")
    return [
        Margin(
            "lane to strobe, setup",
            means,
            HALF,
            make.held(setup, back=[LANE_SLOWER, -rises]),
            tolerance=tolerance,
        ),
        Margin(
            "lane to strobe, hold",
            means,
            HALF,
            make.held(hold, back=[rises, -LANE_FASTER]),
            tolerance=tolerance,
        ),
        *_widths(make, "strobe", ("return",), tolerance),
    ]


def _pulses(make: TermFactory, name: str, *, returns: bool) -> list[Margin]:
    return _widths(make, name, ("forward", "return") if returns else ("forward",), None)


def _widths(
    make: TermFactory,
    name: str,
    ways: tuple[Literal["forward", "return"], ...],
    tolerance: Term | None,
) -> list[Margin]:
    """Return the widths of a clock's pulses once it has crossed some channels one after another.

    The pulses of one frame are judged among themselves: a single bit has no low one.
    """
    wide: list[Term] = []
    narrow: list[Term] = []
    for way in ways:
        wide.append(make.distortion(way, "minus", "high pulse"))
        narrow.append(make.distortion(way, "plus", "low pulse"))
        for terms, first, last in ((wide, "rising", "falling"), (narrow, "falling", "rising")):
            terms.append(make.jitter(way, "plus", f"{way} {first} edge"))
            terms.append(make.jitter(way, "minus", f"{way} {last} edge"))
    shortest = make.min_pulse(ways[-1])
    rises, falls = _edges_of(name)
    found = []
    for pulse, terms, edges in (
        ("high", wide, [rises, -falls]),
        ("low", narrow, [falls, -rises]),
    ):
        forward, back = (edges if way in ways else [] for way in ("forward", "return"))
        chain = make.held((*terms, shortest), forward, back)
        margin = Margin(f"{name}, {pulse} pulse", _SWALLOWED, HALF, chain, tolerance=tolerance)
        if pulse == "high" or make.scenario.bits_per_lane > 1:
            found.append(margin)
    return found


def _edges_of(name: str) -> tuple[Edge, Edge]:
    """Return the rising and the falling edge of a strobe, or of a clock."""
    if name == "strobe":
        return Edge(name, "rising"), Edge(name, "falling")
    return CLOCK_RISES, CLOCK_FALLS


def _clock_input(make: TermFactory, tolerance: Term | None = None) -> list[Margin]:
    """Return the margins of the serial clock as the converter gets it, where it asks for any.

    Parameters
    ----------
    make : TermFactory
    tolerance : Term, optional
        That of a clock beside the converter; without it the host's clock, which has none, comes
        through the forward channel. Two edges of one kind are delayed alike but for jitter.
    """
    periods: list[Term] = []
    high: list[Term] = []
    low: list[Term] = []
    if tolerance is None:
        periods.append(make.jitter("forward", "plus", "clock edge"))
        periods.append(make.jitter("forward", "minus", "next edge of its kind"))
        high.append(make.distortion("forward", "minus", "high time"))
        low.append(make.distortion("forward", "plus", "low time"))
        for terms, first, last in ((high, "rising", "falling"), (low, "falling", "rising")):
            terms.append(make.jitter("forward", "plus", f"{first} edge"))
            terms.append(make.jitter("forward", "minus", f"{last} edge"))
    rises, falls = CLOCK_RISES, CLOCK_FALLS
    found = []
    for name, means, time, terms, edges in (
        ("period", _TOO_FAST, Fraction(1), periods, []),
        ("high", _TOO_SHORT, HALF, high, [rises, -falls]),
        ("low", _TOO_SHORT, HALF, low, [falls, -rises]),
    ):
        said = "clock period" if name == "period" else f"clock {name} time"
        asked = make.unit(f"converter.min_clock_{name}", f"shortest {said}")
        if asked.worst == 0:
            continue
        chain = make.held((*terms, asked), edges if tolerance is None else [])
        found.append(Margin(said, means, time, chain, tolerance=tolerance))
    return found
