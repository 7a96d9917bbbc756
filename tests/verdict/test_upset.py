"""What transients do is laid to the slew, and to no converter, host or FIFO."""

import re

import pytest

from simlink.base.errors import InputError
from simlink.running.run import run
from simlink.studies.loss import loss
from simlink.studies.size import size
from simlink.verdict.limit import Known
from tests.engines.chain import chain
from tests.engines.host_clocked_scenarios import serial

SOURCE = {"kind": "poisson", "rate": "500 kHz", "slew": "80 kV/us", "swing": "4 kV"}
UPSET = {"conversions": 400, "transient": [SOURCE], "barrier.slew_immunity": "50 kV/us"}


@pytest.mark.parametrize("make", [chain, serial])
def test_only_the_slew_is_at_fault(make):
    found = run(make(UPSET), ledger=False).verdict
    broken = [one.key for one in found.limits if not one.holds]
    assert broken == ["upset"]
    assert found["upset"].known is Known.VIOLATED
    assert (found["upset"].limit, found["upset"].worst) == (50 * 10**9, 80 * 10**9)
    (cause,) = found.causes
    assert (cause.key, cause.tried) == ("barrier.slew_immunity", True)
    (cure,) = found.remedies
    assert cure.changes == (("barrier.slew_immunity", '"80 kV/us"'),)


def test_what_is_broken_without_transients_is_still_told():
    found = run(chain(UPSET | {"remote_clock.setup": "30 ns"}), ledger=False).verdict
    assert {one.key for one in found.limits if not one.holds} >= {"upset", "setup"}


def test_the_words_harmed_are_counted_against_those_without():
    result = run(chain(UPSET), ledger=False)
    evidence = result.verdict["upset"].evidence
    lost = int(re.search(r"(\d+) never received", evidence)[1])
    wrong = int(re.search(r"(\d+) with wrong bits", evidence)[1])
    assert lost == result.figures["not_received"].count
    assert wrong == result.figures["corrupted_silent"].count


def test_an_immunity_that_is_enough_is_proven():
    found = run(chain(UPSET | {"barrier.slew_immunity": "80 kV/us"}), ledger=False).verdict
    assert found.meets
    assert found["upset"].known is Known.PROVEN


def test_events_that_meet_nothing_are_no_proof_and_no_harm():
    # In the middle of the conversion nothing is on its way.
    quiet = {"kind": "locked", "offset": "50 ns", "slew": "80 kV/us", "swing": "400 V"}
    found = run(chain(UPSET | {"transient": [quiet]}), ledger=False).verdict
    assert found.meets
    assert found["upset"].known is Known.NOT_SEEN
    assert found["upset"].margin is None
    assert "without transients" in found["upset"].evidence


def test_without_transients_or_immunity_there_is_no_such_limit():
    for values in ({"transient": None}, {"barrier.slew_immunity": None}):
        found = run(chain(UPSET | values), ledger=False).verdict
        assert "upset" not in [one.key for one in found.limits]


def test_what_cannot_count_transients_refuses_them():
    for ask in (lambda made: size(made, at_most=1e-3), loss):
        with pytest.raises(InputError, match="transient: "):
            ask(chain(UPSET))
