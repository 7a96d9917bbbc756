"""The loss of a FIFO to a stated width, without simulation.

The chain of `rare.chain` is followed on a grid, once with everything rounded up and once with
everything rounded down: the true loss lies between the two. The grid is made finer until they
are as close as asked for; the value between them is extrapolated from the two finest grids.

Of a latency without bound, what is rarer than `CUT` a service is taken to be as long as that.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from threadpoolctl import threadpool_limits

from simlink.rare.chain import Chain, Floats, Found, Spacing, follow
from simlink.rare.queue import Queue, Timing, queue_of
from simlink.rare.survival import reached_with, survival
from simlink.scenario.distributions import reach

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario

#: The probability of a service longer than the grid.
CUT = 1e-20
#: A loss below this is not worth a closer look: once in many ages of the world.
NEGLIGIBLE = 1e-30
#: How much higher the upper bound may be than the lower one, unless said.
USUAL_WIDTH = 0.1
#: Steps a mean spacing of the first grid; each next one has twice as many.
_FIRST = 32
#: Products of a step of the chain, summed over all steps, that one answer may cost.
_MOST_WORK = 5e10
#: What a grid twice as fine has to leave of the distance between the bounds, to be worth its cost.
_WORTH = 0.75
#: Steps that a step is cut into for what moves an arrival.
_FINE = 4
#: Of the asked width, how closely a chain has to settle.
_SETTLED = 1e-3
#: Kinds of boards that are followed one by one.
_MOST_KINDS = 16


@dataclass(frozen=True)
class Loss:
    """The share of triggers whose frame finds no free slot.

    Attributes
    ----------
    value : float
        The loss, extrapolated from the two finest grids.
    low, high : float
        What it is proven to lie between.
    steps : int
        Steps a mean spacing of the finest grid.
    arrivals : int
        How many the chain was followed for until it settled.
    conversions : int or None
        Of a run from an empty FIFO; None for the long run.
    """

    value: float
    low: float
    high: float
    steps: int
    arrivals: int
    conversions: int | None


def exact_loss(
    scenario: Scenario,
    *,
    width: float = USUAL_WIDTH,
    conversions: int | None = None,
    target: float | None = None,
    progress: Callable[[Loss], object] | None = None,
) -> Loss:
    """Return the loss of a scenario's FIFO.

    Parameters
    ----------
    scenario : Scenario
        A remote master with periodic or Poisson triggers, ``drop_new``, and a host that reads
        frames one by one after independent latencies.
    width : float
        How far apart the proven bounds may be, as a share of the lower one.
    conversions : int, optional
        The mean loss of so many conversions from an empty FIFO is wanted; in the long run when
        left out.
    target : float, optional
        A loss that the bounds need only be on one side of.
    progress : callable, optional
        Called with what each grid gives.

    Returns
    -------
    Loss
        Bounds further apart than asked where a finer grid would cost too much, or where they tell
        the loss from the target.

    Raises
    ------
    NoQueueError
        Where the scenario is not such a queue; names the key.
    """
    queue = queue_of(scenario)
    # The products are small and come one after another: threads would wait for each other longer
    # than they work, most of all on a machine that has other work.
    with threadpool_limits(limits=1, user_api="blas"):
        return _refined(queue, width, conversions, target, progress)


def _refined(
    queue: Queue,
    width: float,
    conversions: int | None,
    target: float | None,
    progress: Callable[[Loss], object] | None,
) -> Loss:
    """Follow the chain on finer and finer grids; parameters as of `exact_loss`."""
    kinds = _kinds(queue)
    work, steps, before = 0.0, _FIRST, [0.0, 0.0]
    warm: list[Chain | None] = [None] * (2 * len(kinds))
    while True:
        ends, arrivals = [0.0, 0.0], 0
        # Boards that a grid does not tell apart are one chain, and were on each coarser one.
        known: dict[object, tuple[Chain, Found]] = {}
        for at, (worst, best, share) in enumerate(kinds):
            for end, timing in enumerate((best, worst)):
                chain = _chain(queue, timing, steps, up=end == 1)
                if chain.key not in known:
                    former = warm[2 * at + end]
                    if former is not None and conversions is None:
                        chain.start_from(former)
                    known[chain.key] = chain, follow(chain, conversions, width * _SETTLED)
                    work += known[chain.key][1].arrivals * chain.work
                warm[2 * at + end], found = known[chain.key]
                arrivals = max(arrivals, found.arrivals)
                ends[end] += share * timing.taken * (found.most if end else found.least)
        low, high = ends
        answer = Loss(_between(before, ends), low, high, steps, arrivals, conversions)
        if progress is not None:
            progress(answer)
        told = target is not None and not low <= target < high
        done = high <= low * (1 + width) or high < NEGLIGIBLE or told
        # What jitter and units leave open, no finer grid closes.
        stuck = high - low > _WORTH * (before[1] - before[0])
        if steps > _FIRST and (done or stuck or 5 * work > _MOST_WORK):
            return answer
        before, steps = ends, 2 * steps


def _between(before: list[float], ends: list[float]) -> float:
    """Return what the bounds of two grids, the second twice as fine, tend to.

    The error of each bound is in proportion to the step, so that twice the finer one less the
    coarser one, in logarithms, is off by its square only.
    """
    low, high = ends
    tends = [
        fine * fine / coarse if coarse else fine for coarse, fine in zip(before, ends, strict=True)
    ]
    return min(max(math.sqrt(tends[0] * tends[1]), low), high)


def _kinds(queue: Queue) -> list[tuple[Timing, Timing, float]]:
    """Return groups of boards alike: the worst and the best timing of each, and its share."""
    ordered = sorted(queue.units, key=lambda one: (one[0].spacing, one[0].latest))
    total = sum(count for _, count in ordered)
    size = -(-len(ordered) // _MOST_KINDS)
    groups = [ordered[at : at + size] for at in range(0, len(ordered), size)]
    found = []
    for group in groups:
        timings = [timing for timing, _ in group]
        # The shorter the spacing, and the longer the way to the release, the more is lost.
        worst, best = (
            Timing(
                sooner(one.spacing for one in timings),
                sooner(one.waiting for one in timings),
                later(one.loose for one in timings),
                later(one.soonest for one in timings),
                later(one.latest for one in timings),
                later(one.taken for one in timings),
            )
            for sooner, later in ((min, max), (max, min))
        )
        found.append((worst, best, sum(count for _, count in group) / total))
    return found


def _chain(queue: Queue, timing: Timing, steps: int, *, up: bool) -> Chain:
    """Return the chain of a unit on a grid, everything rounded up or down.

    Of Poisson triggers a release that the grid moves past the fixed part of a spacing, by so many
    steps, is put at its end, and every service takes so many steps more. That is a bound, too. Let
    E(j) be the end of the j-th read, R(j) the release of its frame and S(j) its service, so that
    E(j) = max(E(j-1), R(j)) + S(j). Released d sooner and served d longer, it ends at

        E'(j) = max(E'(j-1), R(j) - d) + d + S(j) = max(E'(j-1) + d, R(j)) + S(j),

    which is no sooner than E(j) if E'(j-1) is no sooner than E(j-1); and a later R(j) makes it no
    sooner. That a read ends no sooner if the one before does and its frame comes no earlier in the
    row is all that the proof of `rare.chain` asks of releases and services, so that no fewer
    frames are lost. Rounded down, no release comes past the fixed part: it comes within the
    spacing, or `queue_of` refuses the scenario.
    """
    step = (timing.spacing + timing.waiting) / steps
    service = _service(queue, step, up)
    if not timing.waiting:
        judged, released = _arrivals(queue, timing, step, steps, up)
        return Chain(service, queue.depth, Spacing(steps), judged, released, up)
    fixed = (
        max(math.floor((timing.spacing - timing.loose) / step), 0)
        if up
        else math.ceil((timing.spacing + queue.width + timing.loose) / step)
    )
    release = math.ceil(timing.latest / step) if up else math.floor(timing.soonest / step)
    late = max(release - fixed, 0)
    assert up or not late
    release, service = release - late, np.concatenate([np.zeros(late), service])
    judged, released = np.zeros(fixed + 1), np.zeros(fixed + 1)
    judged[0] = released[release] = 1.0
    kept = math.exp(-step / timing.waiting)
    return Chain(service, queue.depth, Spacing(fixed, kept), judged, released, up)


def _service(queue: Queue, step: float, up: bool) -> Floats:
    """Return the law of a service in steps; a draw is a whole fs, no more than one off."""
    longest = reached_with(queue.latency, CUT) + queue.read + 1
    most = math.ceil(longest / step)
    edges = np.arange(most + 1, dtype=np.float64) * step - queue.read + (-1.0 if up else 1.0)
    above = survival(queue.latency, edges)
    found = np.zeros(most + 1)
    if up:
        found[0] = 1.0 - above[0]
        found[1:] = above[:-1] - above[1:]
    else:
        found[:-1] = above[:-1] - above[1:]
        found[0] += 1.0 - above[0]
    found[-1] += above[-1]
    return found


def _arrivals(
    queue: Queue, timing: Timing, step: float, steps: int, up: bool
) -> tuple[Floats, Floats]:
    """Return when frames of periodic triggers are judged and released, in steps."""
    fine = step / _FINE
    law = np.ones(1)
    for one in queue.moved:
        low, high = reach(one)
        count = math.ceil((high - low + 2.0) / fine) + 1
        edges = low - 1.0 + np.arange(count, dtype=np.float64) * fine
        above = survival(one, edges)
        law = np.convolve(law, above[:-1] - above[1:])
    at = np.arange(len(law)) * fine
    most = at + len(queue.moved) * fine
    if up:
        judge, release = np.floor(at / step), np.ceil((most + timing.latest) / step)
    else:
        judge, release = (
            np.ceil((most + timing.loose) / step),
            np.floor((at + timing.soonest) / step),
        )
    found = np.zeros((2, steps + 1))
    for row, times in zip(found, (judge, release), strict=True):
        np.add.at(row, np.minimum(times, steps).astype(np.int64), law)
    found /= law.sum()
    return found[0], found[1]
