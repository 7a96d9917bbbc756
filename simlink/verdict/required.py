"""What the scenario requires of a run: each figure against its bound, each margin against its own.

A figure meets its bound if its whole interval does, at the confidence that is asked for; it does
not if none of the interval does. In between it is undecided, and more boards may decide it. Losses
that proven limits rule out are met without any interval.
"""

from __future__ import annotations

from collections.abc import Mapping
from fractions import Fraction

from simlink.base.wording import number, percent, quantity, share
from simlink.figures import summary
from simlink.figures.figure import Figure
from simlink.figures.intervals import CONFIDENCE
from simlink.running.run import Run
from simlink.scenario.require import Required, Requirement, kind_of_key
from simlink.scenario.schema import Scenario
from simlink.verdict.limit import CAPTURES, KEYS, Known, Limit, Met, Row, listed
from simlink.verdict.wording import value_text

_FLOW = ("fifo_depth", "host_rate", "interrupt")
#: The limits that, where each of them is proven, leave nothing of a loss.
_RULED_OUT = {
    "missed_trigger": ("period",),
    "overrun": _FLOW,
    "underrun": ("early_read",),
    "corrupted_silent": CAPTURES,
    "corrupted_flagged": CAPTURES,
    "dropped": CAPTURES,
    "repeated": CAPTURES,
    "timed_out": ("timeout",),
    "short_acquisition": ("acquisition",),
    "boards_missed_trigger": ("period",),
    "boards_overrun": _FLOW,
    "boards_underrun": ("early_read",),
    "boards_corrupted": CAPTURES,
    "boards_failing": KEYS,
}


def required(run: Run, limits: tuple[Limit, ...], look: int | None = None) -> tuple[Row, ...]:
    """Return a row for each requirement of a finished run's scenario, in the order of the format.

    Of several looks at a growing run `look` says which, from 0. Each may then be wrong with half
    the chance of the one before, so that all of them together keep the confidence.
    """
    at: dict[float, Mapping[str, Figure]] = {CONFIDENCE: run.figures}
    rows = []
    for key, asked in run.scenario.require.given.items():
        kind = kind_of_key(key)
        if kind.margin:
            rows.append(_of_limit(key, asked, kind, limits))
            continue
        sure = asked.confidence
        if look is not None:
            sure = 1 - (1 - sure) / 2 ** (look + 1)
        if sure not in at:
            at[sure] = summary.figures(run.scenario, run.tally, sure)
        rows.append(_of_figure(run.scenario, key, asked, kind, at[sure][key], limits))
    return tuple(rows)


def _said(asked: Requirement, unit: str) -> str:
    """Return a bound in words."""
    side = "at least" if asked.at_most is None else "at most"
    return f"{side} {_value(_end(asked), unit)}"


def _end(asked: Requirement) -> Fraction:
    bound = asked.at_least if asked.at_most is None else asked.at_most
    assert bound is not None
    return bound


def _value(value: Fraction, unit: str) -> str:
    if unit == "1":
        return share(float(value), 4)
    if unit in ("s", "words/s", "bit/s"):
        return quantity(value, unit)
    return number(value)


def _of_limit(key: str, asked: Requirement, kind: Required, limits: tuple[Limit, ...]) -> Row:
    """Judge the margin of a limit."""
    said = f"margin {_said(asked, kind.unit)}"
    row = next((one for one in limits if one.key == key), None)
    if row is None:
        return Row(key, said, "-", Met.NOT_MET, "the scenario has no such limit")
    found = value_text(row.margin, row.unit)
    evidence = f"{row.known.value}: {row.evidence}"
    if not row.holds:
        return Row(key, said, found, Met.NOT_MET, evidence)
    bound = _end(asked)
    if row.margin is None:
        met = Met.MET if bound == 0 else Met.UNDECIDED
        return Row(key, said, found, met, f"no number says what is left; {evidence}")
    if row.margin < bound:
        return Row(key, said, found, Met.NOT_MET, f"{found} is all that is left; {evidence}")
    return Row(key, said, found, Met.PROVEN if row.known is Known.PROVEN else Met.MET, evidence)


def _of_figure(
    scenario: Scenario,
    key: str,
    asked: Requirement,
    kind: Required,
    figure: Figure,
    limits: tuple[Limit, ...],
) -> Row:
    """Judge a figure by its interval."""
    said, bound, most = _said(asked, kind.unit), float(_end(asked)), asked.at_most is not None
    proof = _ruled_out(scenario, key, limits)
    if most and proof and not figure.count:
        return Row(key, said, figure.text(), Met.PROVEN, proof)
    low, high, rest = figure.low, figure.high, ""
    if kind.seen:
        # Of what was seen nothing is estimated.
        low = high = figure.value
        rest = ", as seen"
    met = Met.UNDECIDED
    if most:
        if high is not None and high <= bound:
            met = Met.MET
        elif low is not None and low > bound:
            met = Met.NOT_MET
    elif low is not None and low >= bound:
        met = Met.MET
    elif high is not None and high < bound:
        met = Met.NOT_MET
    text = figure.text()
    if kind.unit == "frames" and figure.value is not None:
        text = value_text(Fraction(figure.value), kind.unit)
    between = figure.interval()
    between = f" ({between})" if between else ""
    if not kind.seen:
        rest = f", at {percent(asked.confidence, 6)} confidence"
    return Row(key, said, text, met, f"{text}{between}{rest}")


def _ruled_out(scenario: Scenario, key: str, limits: tuple[Limit, ...]) -> str:
    """Return which proven limits rule a loss out; empty if they do not."""
    told = scenario.check.tells or scenario.transient or scenario.host.timeout is not None
    if key == "corrupted_flagged" and not told:
        return "nothing raises a flag"
    if key == "timed_out" and scenario.host.timeout is None:
        return "the host never gives up"
    if scenario.transient:
        # What they upset is no matter of these limits.
        return ""
    keys = _RULED_OUT.get(key, ())
    stalls = scenario.link.scheme == "remote_master" and scenario.fifo.when_full == "stall"
    if scenario.link.scheme != "remote_master" and keys is _FLOW:
        keys = ("period", "host_rate", "interrupt")
    elif stalls and keys == ("period",):
        keys = ("period", *_FLOW)
    some = [one for one in limits if one.key in keys]
    if not some or any(one.known is not Known.PROVEN for one in some):
        return ""
    if len(some) == len(limits):
        return "ruled out, for every limit is proven"
    return f"ruled out, for {listed([one.what for one in some])} {_are(some)} proven"


def _are(some: list[Limit]) -> str:
    return "is" if len(some) == 1 else "are"
