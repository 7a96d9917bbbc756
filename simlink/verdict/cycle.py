"""Rows of the converter's cycle: the acquisition, and all that has to fit between two triggers."""

from __future__ import annotations

import math
from fractions import Fraction

import numpy as np

from simlink.base.instants import FS_PER_SECOND
from simlink.base.wording import percent, short_time
from simlink.figures.cycle import (
    REST,
    Cycle,
    Piece,
    cycles,
    late_jitter,
    piece_of,
    shortest_spacing,
    total,
)
from simlink.figures.reader import drawn
from simlink.link.repeat import repeats
from simlink.proofs.ends import EVERY_DRAW, HARD, LIKELY
from simlink.records import Fate
from simlink.scenario.quantities import PARTS
from simlink.scenario.schema import Scenario
from simlink.verdict.limit import Limit
from simlink.verdict.seen import MOST_UNITS, Seen, row, unique

_KEYS = {
    "conversion": "converter.conversion_time",
    "start delay": "remote_clock.start_delay",
    "readout": "remote_clock.frequency",
    "busy crossing": "barrier.return.delay",
    "synchroniser": "fifo.sync_delay",
    "service latency": "host.service_latency",
    "clock crossing": "barrier.forward.delay",
    "read": "host.clock",
}


def rows(seen: Seen) -> list[Limit]:
    """Return the rows of acquisition and period."""
    cycle = cycles(seen.scenario)[0]
    pieces = [piece for piece in cycle.pieces if piece.name != REST]
    return [*_acquisition(seen), *_period(seen, cycle, pieces)]


def _acquisition(seen: Seen) -> list[Limit]:
    scenario = seen.scenario
    law = scenario.converter.acquisition_time
    short = seen.count("short_acquisition")
    if not law.support[1] and not short:
        return []
    conversion = piece_of("conversion", scenario.converter.conversion_time)
    needed = piece_of("acquisition", law).largest
    for ends in (HARD, LIKELY):
        spacing = shortest_spacing(scenario, ends.sigmas)
        if spacing is None or spacing >= conversion.largest + needed:
            break
    # A trigger is not taken before the remote master has read the conversion before it.
    read = _least_readout(scenario) if seen.remote else Fraction(0)
    gap = spacing if spacing is not None and math.isfinite(spacing) else None
    longest, bounded = conversion.largest, math.isfinite(needed)
    loose = spacing is None or (gap is not None and math.isinf(longest))
    kept = 1.0
    has: Fraction | float = read
    if gap is not None:
        if loose or not bounded:
            conversions = drawn(scenario.converter.conversion_time, scenario.seed, conversion.name)
            left = np.maximum(float(gap) - conversions, float(read))
            kept = float((drawn(law, scenario.seed, "acquisition") <= left).mean())
        if loose:
            longest = Fraction(float(np.quantile(conversions, MOST_UNITS)))
        has = max(gap - longest, read)
    margin = has - needed if bounded else None
    certain = margin is not None and margin >= 0 and (not loose or read >= needed)
    by_read = certain and math.floor(read) >= math.ceil(needed)
    if certain and not by_read:
        # Each instant is rounded by itself.
        certain = spacing is not None and math.isfinite(conversion.largest)
        if certain and gap is not None:
            certain = math.floor(gap) >= math.ceil(needed) + math.ceil(conversion.largest)
    # A transient may make a trigger that nobody asked for.
    certain = certain and not scenario.transient
    possible = ""
    if margin is not None and margin < 0 and not loose:
        possible = "the longest conversion and acquisition do not fit between the closest triggers"
        if scenario.trigger.pattern == "poisson":
            possible = "triggers at random come arbitrarily close together"
    elif kept < MOST_UNITS:
        possible = f"something has no bound: {percent(1 - kept)} of cycles leave too little"
    return [
        row(
            "acquisition",
            keys=unique(
                "converter.acquisition_time", "converter.conversion_time", *_rate_keys(scenario)
            ),
            limit=needed if bounded else None,
            worst=has if bounded else None,
            margin=margin,
            broken=seen.lost("short_acquisition") if short else "",
            proven=f"{EVERY_DRAW}{'' if by_read else ends.proviso}" if certain else "",
            possible=possible,
            otherwise=seen.not_seen(),
        )
    ]


def _least_readout(scenario: Scenario) -> Fraction:
    fast = scenario.remote_clock.tolerance.support[1]
    clock = scenario.remote_clock.frequency.value * (1 + Fraction(fast) / PARTS)
    start = Fraction(scenario.remote_clock.start_delay.support[0])
    return start + Fraction(scenario.bits_per_lane) * FS_PER_SECOND / clock


def _rate_keys(scenario: Scenario) -> tuple[str, ...]:
    trigger = scenario.trigger
    found = ["trigger.rate"] if trigger.rate is not None else []
    if trigger.gap is not None:
        found.append("trigger.gap")
    if trigger.tolerance.is_random:
        found.append("trigger.tolerance")
    if trigger.jitter.is_random:
        found.append("trigger.jitter")
    return tuple(found)


def _period(seen: Seen, cycle: Cycle, pieces: list[Piece]) -> list[Limit]:
    scenario = seen.scenario
    missed = seen.missed_itself if seen.conversions(Fate.MISSED_TRIGGER) else 0.0
    late = 0 if seen.remote else seen.count("overrun")
    for ends in (HARD, LIKELY):
        spacing = shortest_spacing(scenario, ends.sigmas)
        later = late_jitter(scenario, scenario.link.scheme, ends.sigmas)
        taken = [*(piece.largest for piece in pieces), later]
        longest = total(taken)
        if spacing is None or spacing >= longest:
            break
    if spacing is None and not missed and not late:
        return []
    mean = sum((piece.mean for piece in pieces), Fraction(0))
    poisson = scenario.trigger.pattern == "poisson"
    timed = spacing is not None and math.isfinite(spacing)
    limit = spacing if timed and not poisson else None
    worst = longest if limit is not None and math.isfinite(longest) else None
    proven = possible = ""
    otherwise = seen.not_seen()
    if limit is not None and worst is not None:
        # Each instant is rounded by itself.
        quiet = not scenario.transient and not repeats(scenario)
        if quiet and math.floor(limit) >= sum(math.ceil(piece) for piece in taken):
            proven = f"{EVERY_DRAW}{ends.proviso}"
        if limit < worst:
            possible = "the longest cycle does not fit between the closest triggers"
    elif poisson and cycle.period:
        share = -math.expm1(-float(mean / cycle.period))
        possible = (
            "triggers at random come arbitrarily close together: about "
            f"{percent(share)} come within {short_time(mean)} of the one before"
        )
    elif timed and spacing is not None:
        kept = fits(scenario, pieces, spacing)
        loose = next((piece.name for piece in pieces if math.isinf(piece.largest)), "jitter")
        if kept < MOST_UNITS:
            possible = f"the {loose} has no bound: {percent(1 - kept)} of cycles do not fit"
        otherwise += f"; the {loose} has no bound"
    by_length = sorted(pieces, key=lambda piece: piece.largest, reverse=True)
    return [
        row(
            "period",
            "" if seen.remote else "conversion and read",
            keys=unique(
                *(_KEYS[piece.name] for piece in by_length),
                *_rate_keys(scenario),
                "remote_clock.start_delay" if seen.remote else "fifo.sync_delay",
            ),
            limit=limit,
            worst=worst,
            broken=_broken(seen, missed, late),
            proven=proven,
            possible=possible,
            otherwise=otherwise,
        )
    ]


def fits(scenario: Scenario, pieces: list[Piece], spacing: Fraction | float) -> float:
    """Return the share of conversions whose pieces fit a spacing in fs, of those drawn."""
    length = np.zeros(1)
    for piece in pieces:
        if piece.law is None:
            length = length + float(piece.mean)
        else:
            length = length + drawn(piece.law, scenario.seed, piece.name)
    return float((length <= float(spacing)).mean())


def _broken(seen: Seen, missed: float, late: int) -> str:
    said = []
    if missed and seen.missed_by_stall:
        said.append(f"missed trigger {percent(missed)} where no FIFO holds the clock back")
    elif missed:
        said.append(seen.lost("missed_trigger"))
    if late:
        said.append(seen.lost("overrun", "not read before the next conversion"))
    return "; ".join(said)
