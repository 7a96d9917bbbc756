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

from simlink.budget.held import (
    BUSY_FALLS,
    CLOCK_FALLS,
    CLOCK_RISES,
    LANE_FASTER,
    LANE_SLOWER,
    Edge,
    Kind,
    Way,
    held_within,
)
from simlink.budget.terms import ZERO, Enters, Margin, Term
from simlink.link.channel import stream
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
#: How a falling edge that comes later enters the width of a pulse, and the kinds of its two edges.
_PULSES: dict[str, tuple[Enters, Kind, Kind]] = {
    "high": ("minus", "rising", "falling"),
    "low": ("plus", "falling", "rising"),
}


class TermFactory:
    """The quantities of a scenario as terms, each named once."""

    def __init__(self, scenario: Scenario) -> None:
        self.scenario = scenario
        self.lanes = scenario.frame.lanes

    def key(self, way: Way, name: str) -> str:
        """Return the key that gives a value of one direction."""
        barrier = self.scenario.barrier
        own = barrier.forward if way == "forward" else barrier.return_
        given = getattr(own, name)
        common = name in ("channel_skew", "pulse_width_distortion", "min_pulse", "line_rate")
        return f"barrier.{name}" if common and given is None else f"barrier.{way}.{name}"

    def once(self, way: Way, name: str, said: str, enters: Enters = "plus") -> Term:
        """Return a quantity of a direction that is drawn once a board."""
        law = getattr(self.scenario.barrier.direction(way), name)
        return Term(said, self.key(way, name), (law,), (stream(way, name),), enters)

    def static(self, way: Way, enters: Enters = "plus") -> list[Term]:
        """Return delay and part-to-part skew of a direction."""
        return [
            self.once(way, "delay", f"{way} delay", enters),
            self.once(way, "part_to_part_skew", f"{way} part-to-part skew", enters),
        ]

    def skew(self, way: Way, channel: str, enters: Enters, name: str) -> Term:
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

    def distortion(self, way: Way, enters: Enters, what: str) -> Term:
        """Return the pulse-width distortion of a direction."""
        return self.once(way, "pulse_width_distortion", f"{way} distortion, {what}", enters)

    def jitter(self, way: Way, enters: Enters, what: str) -> Term:
        """Return the jitter of one edge."""
        law = self.scenario.barrier.direction(way).jitter
        return Term(f"jitter, {what}", f"barrier.{way}.jitter", (law,), (), enters, "edge")

    def unit(self, key: str, name: str, enters: Enters = "plus") -> Term:
        """Return a time of the converter, the host or the remote master, drawn once a board."""
        return Term(name, key, (self._law(key),), (key,), enters)

    def conversion(self, key: str, name: str, enters: Enters) -> Term:
        """Return a time that is drawn for each conversion."""
        return Term(name, key, (self._law(key),), (), enters, "conversion")

    def held(
        self, terms: Iterable[Term], forward: Sequence[Edge] = (), back: Sequence[Edge] = ()
    ) -> tuple[Term, ...]:
        """Return terms with what the limits of the delay cover in one; see `held_within`."""
        return held_within(self.scenario, terms, forward, back)

    def _law(self, key: str) -> Distribution:
        section, name = key.split(".")
        law: Distribution = getattr(getattr(self.scenario, section), name)
        return law


def margins(scenario: Scenario, scheme: str) -> tuple[Margin, ...]:
    """Return the margins that a scheme has to keep, setup and hold first.

    Of the scenario count converter, barrier and host; its own scheme does not matter.
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

    def way(sign: Enters, converter: Term, distortion: Term) -> tuple[Term, ...]:
        return (
            *make.static("forward", sign),
            make.skew("forward", "clock", sign, "clock channel skew"),
            make.distortion("forward", sign, "launching edge"),
            make.jitter("forward", sign, "launching edge"),
            converter,
            *make.static("return", sign),
            make.lane_skew(sign),
            distortion,
            make.jitter("return", sign, "data edge"),
        )

    slower = make.distortion("return", "slower", "slower data edge")
    setup = (
        *way("plus", make.unit("converter.data_valid", "data valid"), slower),
        make.unit("host.setup", "host setup"),
    )
    faster = make.distortion("return", "faster", "faster data edge")
    hold = (
        *way("minus", make.unit("converter.data_hold", "data hold", "minus"), faster),
        make.unit("host.hold", "host hold"),
    )
    # Busy comes back beside the data, so that the return direction's delay and spread cancel.
    first = (
        *_first_against_busy(make),
        make.distortion("return", "faster", "busy against data"),
        make.jitter("return", "plus", "data edge"),
        make.jitter("return", "minus", "busy edge"),
        *_until_the_clock(make),
        make.unit("host.setup", "host setup"),
    )
    setup = make.held(setup, forward=[CLOCK_FALLS], back=[LANE_SLOWER])
    hold = make.held(hold, forward=[-CLOCK_FALLS], back=[-LANE_FASTER])
    first = make.held(first, back=[LANE_SLOWER, -BUSY_FALLS])
    return [
        Margin("setup", _EARLY, periods, setup, fixed),
        Margin("hold", _LATE, 1 - periods, hold, -fixed),
        Margin("first bit", _EARLY, periods, first, fixed),
        *_widths(make, "forward clock", ["forward"]),
        *_clock_input(make),
    ]


def _first_against_busy(make: TermFactory) -> list[Term]:
    """Return what the first bit takes from the fall of busy on, beside edges."""
    return [
        make.unit("converter.msb_valid", "first bit valid"),
        make.lane_skew("plus"),
        make.skew("return", "busy", "minus", "busy channel skew"),
    ]


def _until_the_clock(make: TermFactory) -> list[Term]:
    """Return what lies between the fall of busy at the host and its clock, which gives time."""
    return [
        make.conversion("fifo.sync_delay", "busy synchroniser", "minus"),
        make.conversion("host.service_latency", "service latency", "minus"),
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
        setup = (*common_setup, make.distortion("return", "faster", "data against clock"))
        hold = (*common_hold, make.distortion("return", "slower", "clock against data"))
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
        *_first_against_busy(make),
        *make.static("forward", "minus"),
        make.skew("forward", "clock", "minus", "clock channel skew"),
        *make.static("return", "minus"),
        make.skew("return", "clock", "minus", "returned clock skew"),
        make.jitter("return", "plus", "data edge"),
        make.jitter("return", "minus", "busy edge"),
        make.jitter("forward", "minus", f"capturing {edge} edge"),
        make.jitter("return", "minus", "returned clock edge"),
        *_until_the_clock(make),
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
        *_widths(make, "forward clock", ["forward"]),
        *_widths(make, "returned clock", ["forward", "return"]),
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
    means = "the strobe takes a bit of a lane that is not there yet, or no longer"
    rises = Edge("strobe", "rising")
    sides: tuple[tuple[str, Enters, Enters, Enters, list[Edge]], ...] = (
        ("setup", "plus", "minus", "slower", [LANE_SLOWER, -rises]),
        ("hold", "minus", "plus", "faster", [rises, -LANE_FASTER]),
    )
    found = []
    for side, data, strobe, edge, crossings in sides:
        terms = (
            make.lane_skew(data),
            make.skew("return", "strobe", strobe, "strobe skew"),
            make.distortion("return", edge, f"{edge} data edge"),
            make.jitter("return", data, "data edge"),
            make.jitter("return", strobe, "strobe edge"),
        )
        chain = make.held(terms, back=crossings)
        found.append(Margin(f"lane to strobe, {side}", means, HALF, chain, tolerance=tolerance))
    return [*found, *_widths(make, "strobe", ["return"], tolerance)]


def _width(make: TermFactory, way: Way, pulse: str, what: str, said: str = "") -> list[Term]:
    """Return what a crossing takes from a high or a low pulse of a clock."""
    sign, first, last = _PULSES[pulse]
    return [
        make.distortion(way, sign, what),
        make.jitter(way, "plus", f"{said}{first} edge"),
        make.jitter(way, "minus", f"{said}{last} edge"),
    ]


def _edges(channel: str, pulse: str) -> list[Edge]:
    _, first, last = _PULSES[pulse]
    return [Edge(channel, first), -Edge(channel, last)]


def _widths(
    make: TermFactory, name: str, ways: list[Way], tolerance: Term | None = None
) -> list[Margin]:
    """Return the widths of a clock's pulses once it has crossed some channels one after another.

    The pulses of one frame are judged among themselves: a single bit has no low one.
    """
    shortest = make.once(ways[-1], "min_pulse", "shortest pulse")
    found = []
    for pulse in ("high", "low") if make.scenario.bits_per_lane > 1 else ("high",):
        terms: list[Term] = []
        for way in ways:
            terms += _width(make, way, pulse, f"{pulse} pulse", f"{way} ")
        edges = _edges("strobe" if name == "strobe" else "clock", pulse)
        forward, back = (edges if way in ways else [] for way in ("forward", "return"))
        chain = make.held((*terms, shortest), forward, back)
        found.append(Margin(f"{name}, {pulse} pulse", _SWALLOWED, HALF, chain, tolerance=tolerance))
    return found


def _clock_input(make: TermFactory, tolerance: Term | None = None) -> list[Margin]:
    """Return the margins of the serial clock as the converter gets it, where it asks for any.

    Without a tolerance it is the host's clock, which comes through the forward channel, not one
    beside the converter. Two edges of one kind are delayed alike but for jitter.
    """
    found = []
    for name, said, time, means in (
        ("period", "clock period", Fraction(1), _TOO_FAST),
        ("high", "clock high time", HALF, _TOO_SHORT),
        ("low", "clock low time", HALF, _TOO_SHORT),
    ):
        asked = make.unit(f"converter.min_clock_{name}", f"shortest {said}")
        if asked.worst == 0:
            continue
        terms: list[Term] = []
        edges: list[Edge] = []
        if tolerance is None and name == "period":
            terms = [
                make.jitter("forward", "plus", "clock edge"),
                make.jitter("forward", "minus", "next edge of its kind"),
            ]
        elif tolerance is None:
            terms = _width(make, "forward", name, f"{name} time")
            edges = _edges("clock", name)
        chain = make.held((*terms, asked), edges)
        found.append(Margin(said, means, time, chain, tolerance=tolerance))
    return found
