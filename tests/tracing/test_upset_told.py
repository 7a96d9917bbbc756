"""What is told of a word that a transient harmed, and that it is told of no other."""

import pytest

from simlink.tracing.explain import explain
from tests.engines.chain import NS, chain
from tests.engines.host_clocked_scenarios import serial


def with_event(time, make=chain, **values):
    """Return a scenario with one edge of 5 ns."""
    source = {"kind": "at", "times": [f"{time} fs"], "slew": "80 kV/us", "swing": "400 V"}
    keys = {key.replace("__", "."): value for key, value in values.items()}
    return make({"transient": [source], "barrier.slew_immunity": "50 kV/us", **keys})


@pytest.mark.parametrize("make", [chain, serial])
def test_a_lost_trigger(make):
    told = explain(with_event(1002 * NS, make), 0)
    assert (told.fate, told.cause) == ("not_received", "barrier.slew_immunity")
    assert "The forward channels were upset from 1.002 us to 1.007 us." in told.steps
    assert "Hit on its way: 1 symbol on trigger." in told.steps


def test_an_inverted_bit():
    told = explain(with_event(1250 * NS, barrier__return__strobe=False), 0)
    assert (told.fate, told.cause) == ("corrupted", "barrier.slew_immunity")
    assert "Hit on its way: 1 symbol on lane 0." in told.steps
    assert "The host read 1 wrong bit." in told.steps


def test_what_is_lost_anyway_is_laid_to_no_transient():
    told = explain(with_event(1002 * NS, remote_clock__setup="30 ns", conversions=2), 1)
    assert told.fate == "corrupted"
    assert "common-mode" not in told.text
    # The event hits the trigger of a conversion that would have been wrong all the same.
    first = explain(with_event(1002 * NS, remote_clock__setup="30 ns", conversions=2), 0)
    assert first.fate == "not_received"


def test_a_word_that_was_delivered_is_told_as_it_was():
    told = explain(with_event(1100 * NS), 0)
    assert told.fate == "delivered"
    assert "common-mode" not in told.text


@pytest.mark.parametrize(
    ("response", "line", "end"),
    [
        # Up 1365 ns after the start, and down as the frame has been read, at 1566.
        (
            "100 ns",
            "The fault line was high at the host from 1.365 us to 1.566 us.",
            "The host was told that something was wrong.",
        ),
        (
            "301 ns",
            "The fault line was not high at the host from its trigger to the end of its read.",
            "Nobody told the host.",
        ),
    ],
)
def test_what_the_fault_line_did(response, line, end):
    values = {"barrier__return__strobe": False, "fault__threshold": "60 kV/us"}
    told = explain(with_event(1250 * NS, fault__response=response, **values), 0)
    assert told.steps[-2:] == (line, end)


def test_a_word_that_was_never_read_is_watched_until_another_one_is():
    told = explain(with_event(1002 * NS, fault__threshold="60 kV/us", conversions=2), 0)
    assert "The fault line was high at the host from 1.017 us to 2.566 us." in told.steps
    late = {"fault__threshold": "60 kV/us", "fault__response": "1549 ns"}
    told = explain(with_event(1002 * NS, conversions=2, **late), 0)
    assert told.steps[-2:] == (
        "The fault line was not high at the host from its trigger to the next read of a frame.",
        "Nobody told the host.",
    )
