"""Exposure and the budget's channels with a fault line: flagged words are told of.

As in `test_exposure`: triggers 2.5 us apart; bit 4 is captured 714 + 4.5 x 25 ns after its trigger
and takes 12 ns; bit 17 comes 1163.5 ns after it, and the frame is read from 2163.5 to 2523.5 ns.
"""

from __future__ import annotations

import pytest

from simlink.budget.channels import signals
from simlink.studies.exposing import exposure
from simlink.studies.exposure import WRONG
from tests.link.test_exposed import NS, made

SLEW = {"slew": "80 kV/us", "swing": "400 V"}
#: Only data bits can be hit, so that what an event harms is wrong bits of one frame alone.
BITS = {"barrier.return.strobe": False, "barrier.forward.slew_immunity": "100 kV/us"}
LINE = {"fault.threshold": "60 kV/us", "fault.response": "100 ns"}


def seen(steps=250, **more):
    return exposure(made(**BITS, **more)[0], steps=steps, **SLEW)


def harmed(found):
    return [one for one in found.moments if one.harms]


@pytest.fixture(scope="module")
def untold():
    return seen()


def test_what_a_quick_line_flags_is_told_and_no_harm_is_another(untold):
    told = seen(**LINE)
    assert [one.outcomes for one in told.moments] == [one.outcomes for one in untold.moments]
    assert [one.hit for one in told.moments] == [one.hit for one in untold.moments]
    assert len(harmed(told)) > 20
    for one, other in zip(harmed(told), harmed(untold), strict=True):
        for outcome, now, before in zip(one.outcomes, one.told, other.told, strict=True):
            assert (now, before) == ((outcome == WRONG), False)


@pytest.mark.parametrize(
    ("response", "told"),
    # An event 827.5 ns after the trigger, whose report takes 12 ns: up as the read ends, or before.
    [("1683.999999 ns", True), ("1684 ns", False)],
)
def test_a_line_that_rises_after_the_read_tells_of_nothing(response, told):
    found = seen(500, **{**LINE, "fault.response": response})
    one = min(found.moments, key=lambda one: abs(one.offset - 827 * NS))
    assert one.offset == 827.5 * NS
    assert one.outcomes[0] == WRONG
    assert one.told[0] is told


@pytest.mark.parametrize(("threshold", "told"), [("80 kV/us", False), ("79 kV/us", True)])
def test_an_event_below_the_threshold_is_reported_by_nobody(threshold, told):
    found = seen(100, **{**LINE, "fault.threshold": threshold})
    assert {one.told[0] for one in harmed(found)} == {told}


def test_the_closed_form_knows_no_line(untold):
    told = seen(**LINE)
    assert told.channels == untold.channels
    for one in told.channels:
        assert abs(told.simulated(one.channel) - one.time) <= told.step * one.stretches


@pytest.mark.parametrize("scheme", ["remote_master", "forwarded_clock", "returned_clock"])
def test_the_line_is_a_channel_towards_the_host_in_every_scheme(scheme):
    line, none = signals(made(**LINE)[0], scheme), signals(made()[0], scheme)
    assert line.back == {**none.back, "fault": 1}
    assert line.forward == none.forward
    # As many channels as it takes without a line are one too few with it.
    few = signals(made(**{**LINE, "barrier.channels": none.count})[0], scheme)
    assert (few.count, few.missing) == (none.count + 1, 1)
