"""The answer that a run leads with: does the link keep the rate, and what limits it."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from simlink.base.wording import percent, rate_text, share, short_time
from simlink.figures.cycle import Cycle, cycles, tightest
from simlink.figures.summary import Figure

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario

#: What loses a word, in the order of blame, with what it is called in a sentence.
LOSSES = {
    "missed_trigger": "missed triggers",
    "overrun": "overrun",
    "underrun": "underrun",
    "corrupted_silent": "wrong bits",
    "corrupted_flagged": "flagged wrong bits",
    "not_received": "frames never received",
    "timed_out": "timeouts",
}


@dataclass(frozen=True)
class Answer:
    """The answer in words.

    Attributes
    ----------
    meets : bool
        Whether every conversion of the run was delivered in time.
    verdict : str
        One line: meets the rate or not, and on what evidence.
    limit : str
        One line: what limits the rate, or what loses the words.
    """

    meets: bool
    verdict: str
    limit: str


def answer(scenario: Scenario, figures: dict[str, Figure]) -> Answer:
    """Return the answer of a run.

    Parameters
    ----------
    scenario : Scenario
        What was run.
    figures : dict of str to Figure
        Its figures.
    """
    lost = {name: figures[name] for name in LOSSES if figures[name].count}
    triggers = figures["triggers"].count
    of = f"{_many(triggers, 'trigger')} in {_many(scenario.trials, 'unit')}"
    rate = scenario.trigger.rate
    asked = "keeps its loop" if rate is None else f"meets {rate_text(rate.value, 'Hz')}"
    asked += {"poisson": " on average", "burst": " in bursts"}.get(scenario.trigger.pattern, "")
    found = cycles(scenario)
    if not lost:
        bound = max(figures[name].high or 0.0 for name in LOSSES)
        verdict = (
            f"{asked[0].upper()}{asked[1:]}: nothing lost in {of}"
            f" (each kind of loss < {share(bound)} at 95 % confidence, by units)."
        )
        return Answer(True, verdict, _limit(tightest(found)))
    said = ", ".join(f"{LOSSES[name]} {figure.text()}" for name, figure in lost.items())
    failed = "loses words in its loop" if rate is None else f"does not meet {asked[6:]}"
    verdict = f"{failed[0].upper()}{failed[1:]}: {said} of {of}."
    return Answer(False, verdict, _blame(scenario, lost, found))


def _many(count: int | None, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def _who(cycle: Cycle) -> str:
    return f"The {cycle.side} {'are' if ' and ' in cycle.side else 'is'}"


def _limit(cycle: Cycle) -> str:
    if cycle.slack is None:
        longest = "take" if " and " in cycle.side else "takes"
        return f"The {cycle.side} {longest} the longest: {short_time(cycle.mean)} a frame."
    assert cycle.period is not None
    spare = percent(float(cycle.slack / cycle.period))
    return (
        f"{_who(cycle)} the limit: {short_time(cycle.mean)} of {short_time(cycle.period)},"
        f" {spare} to spare."
    )


def _blame(scenario: Scenario, lost: dict[str, Figure], found: list[Cycle]) -> str:
    over = [cycle for cycle in found if cycle.slack is not None and cycle.slack < 0]
    if over:
        cycle = tightest(over)
        assert cycle.period is not None
        return (
            f"The {cycle.side} cannot keep up: a frame needs {short_time(cycle.mean)}"
            f" and has {short_time(cycle.period)}."
        )
    first = max(lost, key=lambda name: lost[name].count or 0)
    latency = scenario.host.service_latency
    if scenario.link.scheme != "remote_master":
        return _serial_reasons(first, latency.mean)
    has_strobe = scenario.barrier.return_.has_strobe
    reasons = {
        "missed_trigger": "Triggers come before the readout of the conversion before has ended.",
        "overrun": (
            f"A FIFO of {scenario.fifo.depth} is too shallow for the host's service latency"
            f" (mean {short_time(latency.mean)}), though its average rate is enough."
        ),
        "underrun": (
            f"Busy is released too early: {scenario.fifo.release_bits} of"
            f" {scenario.bits_per_lane} bits, and the host takes bits before they arrive."
        ),
        "corrupted_silent": (
            "The remote clock captures bits before they are valid or past hold"
            + (", or the strobe takes them wrong." if has_strobe else ".")
        ),
        "timed_out": "Releases come later than the host's timeout.",
    }
    return reasons.get(first, "See the fates in the ledger.")


def _serial_reasons(first: str, latency: float) -> str:
    """Say what loses words where the host's own clock reads the converter."""
    reasons = {
        "missed_trigger": "Triggers come while the converter converts or is being read.",
        "overrun": (
            "A conversion is not read before the next one starts: the service latency (mean"
            f" {short_time(latency)}) leaves too little of the period, and no FIFO helps."
        ),
        "corrupted_silent": "The host captures bits before they are valid, or after they change.",
        "timed_out": "Releases come later than the host's timeout.",
    }
    return reasons.get(first, "See the fates in the ledger.")
