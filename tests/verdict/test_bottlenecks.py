"""Bottlenecks worked by hand: the right row is broken, the right key is blamed, the cure cures."""

import tomllib

import pytest

import simlink.running.run
from simlink.base.errors import InputError
from simlink.scenario.loading import from_dict
from tests.budget.budget_cases import made
from tests.verdict.bottlenecks import BASES, CASES, REFUSED

LOSSES = (
    "missed_trigger",
    "overrun",
    "underrun",
    "corrupted_silent",
    "corrupted_flagged",
    "not_received",
    "timed_out",
    "short_acquisition",
)

INSIDE = [case for case in CASES if case.inside]
OUTSIDE = [case for case in CASES if not case.inside]


def name_of(case):
    return case.name


def run_of(scenario):
    return simlink.running.run.run(scenario, ledger=False, workers=1)


def seen(run):
    return {name for name in LOSSES if run.figures[name].count}


def test_there_are_enough_of_them():
    assert len({case.name for case in CASES}) == len(CASES) >= 120
    for scheme in BASES:
        assert sum(case.scheme == scheme for case in CASES) >= 30


@pytest.mark.parametrize("scheme", BASES)
def test_a_base_is_comfortable(scheme):
    run = run_of(from_dict(BASES[scheme]))
    assert seen(run) == set()
    assert run.verdict.meets
    assert run.verdict.causes == run.verdict.remedies == ()
    for row in run.verdict.limits:
        assert row.holds, row.key
        # The hold of a bit is its own affair: 1 ns of 1 ns in no base.
        assert row.margin is None or row.margin > 0, row.key


@pytest.mark.parametrize("case", INSIDE, ids=name_of)
def test_just_inside_nothing_is_lost(case):
    assert seen(run_of(case.scenario())) == set()


@pytest.mark.parametrize("case", OUTSIDE, ids=name_of)
def test_just_outside_it_is_lost(case):
    """What the hand computation says is lost is lost, unless a short run is too short for it."""
    found = seen(run_of(case.scenario()))
    if case.figure is None:
        assert found == set()
    else:
        assert case.figure in found


@pytest.mark.parametrize("case", INSIDE, ids=name_of)
def test_just_inside_it_meets(case):
    verdict = run_of(case.scenario()).verdict
    row = verdict[case.row]
    assert row.holds, row.evidence
    assert row.margin is None or row.margin >= 0
    assert [one.key for one in verdict.limits if not one.holds] == []
    assert verdict.meets
    assert verdict.causes == verdict.remedies == ()


@pytest.mark.parametrize("case", OUTSIDE, ids=name_of)
def test_just_outside_the_right_row_is_broken(case):
    verdict = run_of(case.scenario()).verdict
    assert not verdict.meets
    broken = {one.key for one in verdict.limits if not one.holds}
    assert case.row in broken
    assert broken <= {case.row} | case.also
    assert verdict.least is not None
    assert verdict.least.key in broken


@pytest.mark.parametrize("case", OUTSIDE, ids=name_of)
def test_the_right_key_is_blamed_and_the_cure_cures(case):
    verdict = run_of(case.scenario()).verdict
    blamed = {one.key for one in verdict.causes if one.limit == case.row}
    assert blamed
    assert blamed <= case.causes
    remedies = [one for one in verdict.remedies if one.limit == case.row]
    # What is asked for is no part that could be another: a pattern of triggers has no cure.
    assert remedies or blamed == {"trigger.pattern"}
    for remedy in remedies:
        if not remedy.tried:
            continue
        changes = case.changes | {key: value_of(text) for key, text in remedy.changes}
        cured = run_of(made(changes, BASES[case.scheme])).verdict
        # A host that counts has no notice to miss: the limit may be gone.
        still = [row for row in cured.limits if row.key == case.row and not row.holds]
        assert not still, (remedy.text, still[0].evidence)


def value_of(text):
    """Return what a remedy writes for a key, as the file would hold it."""
    return tomllib.loads(f"value = {text}")["value"]


@pytest.mark.parametrize(("scheme", "key", "least", "less", "others"), REFUSED)
def test_a_line_too_slow_by_any_reading_is_refused(scheme, key, least, less, others):
    assert seen(run_of(made(others | {key: least}, BASES[scheme]))) == set()
    with pytest.raises(InputError) as caught:
        made(others | {key: less}, BASES[scheme])
    assert key in str(caught.value)
