"""Crossings whose limits of the delay cover skews or distortion, as one term of a margin.

`link.channel.fixed_part` holds each edge of each channel within the limits, so that what they
cover cannot be added up term by term. Its sum is one term, in which an edge counts as it crosses:
late edges take from a margin, early ones give to it. What the delay does not cover stays a term
of its own, for it comes on top and adds up as ever.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from itertools import product
from typing import Any, Literal

import numpy as np

from simlink.base.instants import FAR, Times
from simlink.budget.terms import ZERO, Term
from simlink.link.channel import fixed_part, stream
from simlink.scenario.distributions import Distribution
from simlink.scenario.schema import Scenario
from simlink.scenario.sections import Direction

Way = Literal["forward", "return"]
#: Of an edge; of data the slower or the faster of both.
Kind = Literal["rising", "falling", "slower", "faster"]


@dataclass(frozen=True)
class Edge:
    """One edge's crossing in a margin, that takes from it (sign 1) or gives to it (sign -1).

    Its channel says whose skew it has: ``"clock"``, ``"busy"``, ``"strobe"``, or ``"lanes"``, of
    which the worst counts; ``""`` when skew is not covered.
    """

    channel: str
    kind: Kind
    sign: int = 1

    def __neg__(self) -> Edge:
        """Return the same edge where it gives to the margin."""
        return replace(self, sign=-self.sign)

    def longer(self, distortion: Any) -> Any:
        """Return how much longer it takes than a rising edge, of numbers and of arrays."""
        if self.kind == "rising":
            return 0 * distortion
        if self.kind == "falling":
            return distortion
        slow = self.kind == "slower"
        return distortion * ((distortion > 0) if slow else (distortion < 0))


CLOCK_RISES, CLOCK_FALLS = Edge("clock", "rising"), Edge("clock", "falling")
BUSY_FALLS = Edge("busy", "falling")
LANE_SLOWER, LANE_FASTER = Edge("lanes", "slower"), Edge("lanes", "faster")


@dataclass(frozen=True, kw_only=True)
class Held(Term):
    """The sum of some edges' crossings of one direction, each held within the delay's limits.

    The direction's `delay_covers` says what is held, none of the edges undoes another, and `lanes`
    is how many data lanes there are; 0 when no edge is theirs.
    """

    direction: Direction
    edges: tuple[Edge, ...]
    lanes: int

    @property
    def nominal(self) -> Fraction:
        """What it takes at the means of its laws, in fs; of the lane that takes most."""
        means = [Fraction(law.mean) for law in self.laws]
        most: Fraction = max(self._sums(dict(zip(self.sources, means, strict=True))))
        return most

    @cached_property
    def worst(self) -> Fraction | float:
        """The most that it takes, in fs: exact (`_corners`)."""
        return Fraction(max(map(self._most, self._kinds_of_lane())))

    def of(self, units: Mapping[str, Times]) -> Times | int:
        """Return what it takes in each unit, as `Term.of` does."""
        values = {
            source: law.constant_value if law.is_constant else units[source]
            for law, source in zip(self.laws, self.sources, strict=True)
        }
        most: Times | int
        most, *others = self._sums(values)
        for one in others:
            most = np.maximum(most, one)
        return most

    def _sums(self, values: Mapping[str, Any]) -> Iterator[Any]:
        """Give what it takes for each lane, or once."""
        way = self.key.split(".")[1]
        for lane in range(max(self.lanes, 1)):
            total: Any = 0
            for edge in self.edges:
                channel = f"lane {lane}" if edge.channel == "lanes" else edge.channel
                total = total + edge.sign * fixed_part(
                    self.direction,
                    values[self.key],
                    values.get(stream(way, "part_to_part_skew"), 0),
                    values.get(stream(way, "channel_skew", channel), 0),
                    edge.longer(values.get(stream(way, "pulse_width_distortion"), 0)),
                )
            yield total

    def _ends(self, key: str, channel: str = "") -> tuple[int, int]:
        """Return the ends of a law by its key and whose it is; zero if it is not held."""
        source = stream(self.key.split(".")[1], key, channel)
        if source not in self.sources:
            return 0, 0
        low, high = self.laws[self.sources.index(source)].support
        # Whatever reaches so far is held.
        return int(max(low, -FAR)), int(min(high, FAR))

    def _kinds_of_lane(self) -> set[tuple[int, int]]:
        """Return the ends of each lane's skew, equal ones once."""
        return {self._ends("channel_skew", f"lane {lane}") for lane in range(self.lanes)} or {
            (0, 0)
        }

    def _most(self, lane: tuple[int, int]) -> int:
        """Return the most that it takes with a lane whose skew has these ends, in fs."""
        names = sorted({edge.channel for edge in self.edges})
        skews = [lane if name == "lanes" else self._ends("channel_skew", name) for name in names]
        ends = [
            a + b for a, b in zip(self._ends("delay"), self._ends("part_to_part_skew"), strict=True)
        ]
        if len(names) == 1:
            # The one channel's skew moves all its edges, as the delay does.
            ends = [a + b for a, b in zip(ends, skews[0], strict=True)]
            skews = [(0, 0)]
        most = -FAR
        for drawn in product(*skews):
            skew = dict(zip(names, drawn, strict=True))
            for base, distortion in self._corners(ends, skew):
                taken = 0
                for edge in self.edges:
                    longer = edge.longer(distortion)
                    crossing = fixed_part(self.direction, base, 0, skew[edge.channel], longer)
                    taken += edge.sign * crossing
                most = max(most, taken)
        return most

    def _corners(self, ends: Sequence[int], skew: Mapping[str, int]) -> Iterator[tuple[int, int]]:
        """Give the delays and distortions one of which takes the most for given skews.

        The sum is piecewise linear in both, so it is greatest where they are at an end, where the
        distortion changes its sign, or where some edge meets a limit. In the skew of a channel
        that has one edge in it, it only rises or only falls.
        """
        low, high = ends
        least, most = self._ends("pulse_width_distortion")
        limits = [int(end) for end in self.direction.delay.support]
        turns = {least, most, min(max(0, least), most)}
        for edge, limit in product(self.edges, limits):
            for base in ends:
                met = limit - base - skew[edge.channel]
                if least < met < most:
                    turns.add(met)
        for distortion in turns:
            yield low, distortion
            yield high, distortion
            for edge, limit in product(self.edges, limits):
                met = limit - skew[edge.channel] - edge.longer(distortion)
                if low < met < high:
                    yield met, distortion


def held_within(
    scenario: Scenario, terms: Iterable[Term], forward: Sequence[Edge], back: Sequence[Edge]
) -> tuple[Term, ...]:
    """Put what the limits of a delay cover into one term for each direction.

    The terms are a margin's, as they add up where nothing is covered, and stay so then; `forward`
    and `back` are the edges that cross in each direction. What delays both of a pair alike is in no
    term.
    """
    found = list(terms)
    ways: tuple[tuple[Way, Sequence[Edge]], ...] = (("forward", forward), ("return", back))
    for name, edges in ways:
        direction = scenario.barrier.direction(name)
        if not direction.delay_covers:
            continue
        held = ["delay", *direction.delay_covers]
        covered = {
            source
            for term in found
            for source in term.sources
            if any(source.split(" ")[0] == stream(name, key) for key in held)
        }
        if not covered:
            continue
        place = next(i for i, term in enumerate(found) if covered & set(term.sources))
        kept = [term for term in found if not covered & set(term.sources)]
        term = _held(scenario, name, edges)
        found = kept if term is None else [*kept[:place], term, *kept[place:]]
    return tuple(found)


def _held(scenario: Scenario, name: Way, edges: Sequence[Edge]) -> Held | None:
    """Return the term of some edges, None where they undo each other."""
    direction, lanes = scenario.barrier.direction(name), scenario.frame.lanes
    by_skew = "channel_skew" in direction.delay_covers
    by_distortion = "pulse_width_distortion" in direction.delay_covers
    left: list[Edge] = []
    for given in edges:
        edge = replace(
            given,
            channel=given.channel if by_skew else "",
            kind=given.kind if by_distortion else "rising",
        )
        if -edge in left:
            left.remove(-edge)
        else:
            left.append(edge)
    if not left:
        return None
    laws: dict[str, Distribution] = {"delay": direction.delay}
    if "part_to_part_skew" in direction.delay_covers:
        laws["part_to_part_skew"] = direction.part_to_part_skew
    if by_distortion:
        laws["pulse_width_distortion"] = direction.pulse_width_distortion
    own = by_skew and any(edge.channel == "lanes" for edge in left)
    for channel in {edge.channel: None for edge in left}:
        if channel == "lanes":
            skews = direction.lane_skews(lanes)
            laws |= {f"channel_skew lane {lane}": skew for lane, skew in enumerate(skews)}
        elif channel:
            # A list of skews names the lanes alone.
            only = ZERO if isinstance(direction.channel_skew, tuple) else direction.channel_skew
            laws[f"channel_skew {channel}"] = only
    several = len(left) > 1
    return Held(
        f"difference of {name} crossings" if several else f"{name} crossing",
        f"barrier.{name}.delay",
        tuple(laws.values()),
        tuple(stream(name, *key.split(" ", 1)) for key in laws),
        "held",
        direction=direction,
        edges=tuple(left),
        lanes=lanes if own else 0,
    )
