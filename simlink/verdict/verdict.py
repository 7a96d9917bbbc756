"""The verdict of a run: every limit, the one with the least margin, what breaks and what cures it.

`rows` gives the limits, `cause` names what is at fault and `remedy` what cures it.
"""

from __future__ import annotations

from fractions import Fraction
from functools import partial

from simlink.base.wording import number, rate_text
from simlink.running.run import Run
from simlink.scenario.schema import Scenario
from simlink.verdict.cause import explained
from simlink.verdict.limit import Known, Limit, Met, Row, Verdict, listed
from simlink.verdict.required import required
from simlink.verdict.rows import rows_of
from simlink.verdict.wording import COUNTED, margin_text, value_text

#: Limits that are named one by one at the most.
_MOST_NAMED = 3


def verdict_of(run: Run) -> Verdict:
    """Return the verdict of a finished run, or of the finished trials of an interrupted one."""
    limits = rows_of(run)
    least = least_of(limits)
    asked = required(run, limits, run.look)
    said = sentence(run.scenario, limits, least)
    return Verdict(
        meets=all(one.holds for one in limits),
        limits=limits,
        least=least,
        sentence=" ".join([said, about(asked)]).rstrip(),
        explain=partial(explained, run, limits),
        required=asked,
    )


def about(asked: tuple[Row, ...]) -> str:
    """Say in one sentence which requirements are not met; empty if there are none."""
    if not asked:
        return ""
    if len(asked) == 1:
        (one,) = asked
        return f"Its requirement of {one.key} is {'met' if one.holds else one.met.value}."
    parts = []
    for met in (Met.NOT_MET, Met.UNDECIDED):
        names = [one.key for one in asked if one.met is met]
        if names:
            some = listed(names) if len(names) <= _MOST_NAMED else f"{len(names)} of them"
            parts.append(f"{some} {'is' if len(names) == 1 else 'are'} {met.value}")
    of = f"{len(asked)} requirements"
    return f"Of {of} {' and '.join(parts)}." if parts else f"All {of} are met."


def least_of(limits: tuple[Limit, ...]) -> Limit | None:
    """Return the limit that is broken the most, or the one with the least margin as a share.

    The number of isolation channels is the nearest only where too few are at hand or nothing else
    has a margin: it varies with no unit and no draw, so that all of them used is not a near miss.
    What only a longer run breaks comes behind what this one broke.
    """
    for known in (Known.VIOLATED, Known.POSSIBLE):
        some = [one for one in limits if one.known is known]
        if some:
            return min(some, key=lambda one: (one.later, _share(one)))
    some = [one for one in limits if one.share is not None]
    varied = [one for one in some if one.unit != "channels"]
    return min(varied or some, key=_share, default=None)


def _share(one: Limit) -> Fraction:
    # Of what no number says the loss itself is what is known.
    if one.share is not None:
        return one.share
    return Fraction(-1 if one.margin is not None and one.margin < 0 else 0)


def sentence(scenario: Scenario, limits: tuple[Limit, ...], least: Limit | None) -> str:
    """Return the verdict in one sentence."""
    if least is not None and not least.holds:
        broken = least.known is Known.VIOLATED
        verb, said = (
            ("Does not meet", "is broken") if broken else ("May not meet", "can be violated")
        )
        same = [one.what for one in limits if one.known is least.known and one is not least]
        also = ""
        if same:
            that = "that" if len(same) == 1 else "those"
            does = ("is" if len(same) == 1 else "are") if broken else "can"
            also = f"; so {does} {that} of {listed(same)}"
        asked = _asked(scenario, verb)
        return f"{asked}: the limit of {least.what} {said}{_numbers(least)}{also}."
    held = f"{_asked(scenario, 'Meets')}: "
    every = f"all {len(limits)} limits hold" if len(limits) > 1 else "its limit holds"
    unseen = [one.what for one in limits if one.known is Known.NOT_SEEN]
    if unseen:
        some = listed(unseen) if len(unseen) < _MOST_NAMED else f"{len(unseen)} of them"
        every += f", {some} as far as was seen"
    if least is None:
        return f"{held}{every}."
    return f"{held}{every}; the nearest is {least.what}{_numbers(least)}."


def _numbers(one: Limit) -> str:
    said = margin_text(one)
    if not said or one.worst is None or one.limit is None:
        return ""
    worst, limit = value_text(one.worst, one.unit), value_text(one.limit, one.unit)
    if one.unit in COUNTED:
        if one.holds:
            return f", {said} ({number(one.worst)} of {limit})"
        verb = "is" if one.worst == 1 else "are"
        enough = f"{verb} {'needed' if one.unit == 'channels' else 'enough'}"
        return f", {said} ({worst} {enough}, not {number(one.limit)})"
    return f", {said} ({worst} {'for' if one.is_floor else 'of'} {limit})"


def _asked(scenario: Scenario, verb: str) -> str:
    """Return what is asked for behind a verb."""
    rate = scenario.trigger.rate
    if rate is None:
        loop = {"Meets": "Keeps", "Does not meet": "Does not keep", "May not meet": "May not keep"}
        return f"{loop[verb]} its loop"
    how = {"poisson": " on average", "burst": " in bursts"}.get(scenario.trigger.pattern, "")
    return f"{verb} {rate_text(rate.value, 'Hz')}{how}"
