"""Rows of the flow: a read that comes too early, the FIFO, the host's interrupt, its timeout."""

from __future__ import annotations

from fractions import Fraction

from simlink.base.wording import many, percent, short_time
from simlink.figures.cycle import periods
from simlink.figures.reader import drawn, reader_of
from simlink.proofs.bounds import depth_bound, keeps_rate
from simlink.proofs.ends import EVERY_DRAW, HARD, LIKELY, Ends, UnboundedError, least
from simlink.proofs.release import check_interrupts, latest_release, release_bound
from simlink.records import Fate
from simlink.scenario.schema import Scenario
from simlink.verdict import load
from simlink.verdict.limit import Known, Limit
from simlink.verdict.seen import Seen, row, unique


def rows(seen: Seen, others: bool) -> list[Limit]:
    """Return the rows of the flow.

    A conversion that is given up may have been lost elsewhere if any other row is broken.
    """
    found = []
    if seen.remote:
        found = [*_early_read(seen), *_fifo(seen)]
    lost = others or any(not one.holds and one.known is Known.VIOLATED for one in found)
    return [*found, *_timeout(seen, lost)]


def _early_read(seen: Seen) -> list[Limit]:
    scenario = seen.scenario
    bits = Fraction(scenario.fifo.release_bits)
    proven, otherwise = "", seen.not_seen()
    needed, said, why = least(lambda ends: release_bound(scenario, ends), bits)
    if needed is None:
        otherwise += f"; not proven: {why}"
    elif needed <= bits:
        proven = f"{_many(needed, 'bit')} enough, {said}"
    else:
        otherwise += f"; a proof needs {needed} of {scenario.bits_per_lane} bits"
    return [
        row(
            "early_read",
            keys=("fifo.release_bits", "host.clock", "host.service_latency"),
            limit=bits,
            worst=needed,
            broken=seen.lost("underrun") if seen.count("underrun") else "",
            proven=proven,
            otherwise=otherwise,
        )
    ]


def _many(number: Fraction, what: str) -> str:
    return f"{many(number, what)} {'is' if number == 1 else 'are'}"


def _fifo(seen: Seen) -> list[Limit]:
    """Return the rows of depth and interrupt, of which a loss may be laid to one alone."""
    scenario = seen.scenario
    by_edge = scenario.host.interrupt == "edge"
    overloaded = load.is_overloaded(seen)
    refused = seen.refused
    # Of what no depth can hold the depth is no limit, but of a run that ends before it is.
    to_depth, to_interrupt = bool(refused) and (not overloaded or load.ends_in_time(seen)), False
    if refused and by_edge and not overloaded:
        told = seen.again("host.interrupt", "level").refused
        to_depth, to_interrupt = told > 0, told < refused
    found = []
    if to_depth or not (overloaded or refused):
        found.append(_depth(seen, to_depth))
    if by_edge:
        found.append(_interrupt(seen, to_interrupt))
    return found


def _losses(seen: Seen) -> str:
    said = []
    if seen.conversions(Fate.OVERRUN):
        said.append(seen.lost("overrun"))
    if seen.missed_by_stall:
        said.append(
            f"missed trigger {percent(seen.missed_by_stall)} while a full FIFO holds the remote "
            "clock back"
        )
    if seen.conversions(Fate.NOT_RECEIVED):
        said.append(seen.lost("not_received", "never received"))
    return "; ".join(said)


def _lost_to_depth(seen: Seen) -> str:
    if not load.is_overloaded(seen):
        return _losses(seen)
    return (
        f"{_losses(seen)}; {2 * seen.scenario.fifo.depth} slots hold this run, and in the long run "
        "none do"
    )


def _depth(seen: Seen, broken: bool) -> Limit:
    scenario = seen.scenario
    depth, found = Fraction(scenario.fifo.depth), seen.run.figures["fifo_occupancy_max"].value
    fullest: Fraction | None = Fraction(0 if found is None else int(found))
    proven, otherwise = "", seen.not_seen()
    were = "was" if depth == 1 else "were"
    otherwise += f"; at most {fullest} of {many(depth, 'slot')} {were} seen taken"
    needed, said, why = least(lambda ends: depth_bound(scenario, ends).depth, depth)
    if needed is None:
        otherwise += f"; not proven: {why}"
    elif needed <= depth:
        proven = f"{_many(needed, 'slot')} enough, {said}"
    else:
        otherwise += f"; {needed} are proven enough"
        if scenario.fifo.when_full == "stall":
            otherwise += (
                " never to hold the remote clock back; a clock that is held back loses nothing "
                "as long as it ends before the next trigger, of which there is no proof"
            )
    unproven = needed is None or needed > depth
    lags = load.lags_by_depth(seen) if unproven else ""
    possible = _too_long(scenario) if unproven and not broken else ""
    if possible:
        # Slots seen taken are no worst where more can come.
        fullest = None
    return row(
        "fifo_depth",
        keys=unique("fifo.depth", *load.keys_of_host(scenario)),
        limit=depth,
        worst=fullest if unproven and not (broken or lags) else needed,
        broken=_lost_to_depth(seen) if broken else lags,
        proven=proven,
        possible=possible,
        otherwise=otherwise,
    )


def _too_long(scenario: Scenario) -> str:
    """Say how often a single service, of a host that was idle, lets more frames come than fit.

    One frame more is asked for than there is no slot for, which makes up for all jitter.
    """
    spacing, _ = periods(scenario)
    trigger, host, fifo = scenario.trigger, scenario.host, scenario.fifo
    come = fifo.depth - host.watermark + (3 if fifo.when_full == "stall" else 2)
    few = trigger.burst_length if trigger.pattern == "burst" else scenario.conversions
    if (
        spacing is None
        or trigger.pattern == "poisson"
        or min(few or 1, scenario.conversions) <= (fifo.depth + 2)
    ):
        return ""
    longest = float(come * spacing - reader_of(scenario).read)
    often = float((drawn(host.service_latency, scenario.seed, "service latency") > longest).mean())
    if not often or longest < 0:
        return ""
    hold = "holds" if fifo.depth == 1 else "hold"
    return (
        f"{percent(often)} of services take longer than {short_time(longest)}, in which more "
        f"frames come than {many(fifo.depth, 'slot')} {hold}; this run saw none of them do so"
    )


def _interrupt(seen: Seen, broken: bool) -> Limit:
    scenario = seen.scenario
    spacing, _ = periods(scenario, fastest=True)
    latest = seen.run.tally.to_release.largest
    said = ""
    if broken:
        said = f"{_losses(seen)}, and none of it where the host is told how many frames wait"
        if seen.again("host.interrupt", "level").refused:
            said = f"{_losses(seen)}, and less where the host is told how many frames wait"
        said += (
            "; a release that comes after the next trigger, or while the host serves, goes "
            "unnoticed, and its frame stays in the FIFO"
        )
    stays = scenario.host.watermark == 1 and not scenario.host.drain
    waiting = seen.conversions(Fate.IN_FLIGHT)
    if stays and waiting and not broken:
        # Each fall of busy has one frame read, so what no fall tells of is never caught up.
        said = (
            f"{waiting} of {seen.sent} frames went unnoticed and stay in the FIFO, so that no "
            "depth is enough in the long run"
        )
    otherwise = seen.not_seen()
    if waiting:
        otherwise += f"; {many(waiting, 'frame')} still waited at the end"
    timed = spacing is not None and scenario.trigger.pattern != "poisson" and latest is not None
    return row(
        "interrupt",
        keys=unique("host.interrupt", "host.service_latency", "trigger.rate"),
        limit=spacing if timed else None,
        worst=Fraction(int(latest)) if timed and latest is not None else None,
        broken=said,
        proven="" if said else _noticed(scenario),
        otherwise=otherwise,
    )


def _noticed(scenario: Scenario) -> str:
    """Say why no release goes unnoticed that a frame depends on; empty if some may."""
    for ends in (HARD, LIKELY):
        try:
            check_interrupts(scenario, ends)
            # A clock that a full FIFO holds back is released late.
            if scenario.fifo.when_full == "stall" and (
                depth_bound(scenario, ends).depth > scenario.fifo.depth
            ):
                continue
        except UnboundedError:
            continue
        return f"no frame waits for an edge that never comes, {EVERY_DRAW}{ends.proviso}"
    return ""


def _in_time(scenario: Scenario, limit: Fraction) -> tuple[Fraction | None, str]:
    """Return the longest wait for a release and how it is known, where no conversion is lost."""
    if scenario.link.scheme != "remote_master":
        return None, ""

    def longest(ends: Ends) -> int:
        if not keeps_rate(scenario, ends):
            raise UnboundedError("a conversion may be lost")
        return latest_release(scenario, ends)

    found, said, _ = least(longest, limit)
    if found is None or found > limit:
        return None, ""
    return found, f"no conversion is lost, and each is released within the timeout, {said}"


def _timeout(seen: Seen, others: bool) -> list[Limit]:
    law = seen.scenario.host.timeout
    if law is None:
        return []
    given_up = seen.count("timed_out")
    limit = Fraction(law.constant_value)
    latest = seen.run.tally.to_release.largest
    late = latest is not None and latest > limit
    broken, otherwise = "", seen.not_seen()
    if given_up and (late or not others):
        broken = seen.lost("timed_out")
        if not late:
            broken += ", of conversions that are never released"
    elif given_up:
        otherwise = f"{seen.lost('timed_out')}, each of a conversion that was lost before"
    longest, proven = _in_time(seen.scenario, limit)
    if latest is not None:
        otherwise += f"; the largest latency seen is {short_time(int(latest))}"
    worst = Fraction(int(latest)) if latest is not None else None
    if longest is not None and not broken:
        worst = longest
    return [
        row(
            "timeout",
            keys=("host.timeout", "converter.conversion_time"),
            limit=limit,
            worst=worst,
            broken=broken,
            proven=proven,
            otherwise=otherwise,
        )
    ]
