"""Edges that nobody sent: which channels may have one, and which windows make one."""

from __future__ import annotations

import math

import pytest

from simlink.base.instants import FAR
from simlink.link.false_edge import FalseEdges, carries, channels
from simlink.link.transient import Upsets
from tests.engines.chain import NS, chain
from tests.engines.host_clocked_scenarios import serial

EDGE = {"slew": "80 kV/us", "swing": "400 V"}
BOTH = {"barrier.slew_immunity": "50 kV/us", "barrier.false_edge": 1}


def made(*times, make=chain, **values):
    """Return a scenario with an event at each of some instants in ns; ``__`` stands for a dot."""
    events = {"kind": "at", "times": [f"{time} ns" for time in times], **EDGE}
    keys = {key.replace("__", "."): value for key, value in values.items()}
    return make(BOTH | {"transient": [events]} | keys)


def edges(scenario, trial=0, way="forward", channel="trigger"):
    return FalseEdges(scenario, trial, Upsets(scenario, trial), way, channel)


def test_a_symbol_is_on_its_channel_between_two_instants_and_not_at_them():
    assert [carries(time, 10, 20) for time in (9, 10, 11, 19, 20, 21)] == [0, 0, 1, 1, 0, 0]


TRIGGER, STROBE = ("forward", "trigger"), ("return", "strobe")
BUSY, CLOCK, RETURNED = ("return", "busy"), ("forward", "clock"), ("return", "returned")
REMOTE = {"trigger__source": "remote"}
FORWARD = {"barrier__slew_immunity": None, "barrier__forward__slew_immunity": "50 kV/us"}
PACKETS = {
    "barrier__return__style": "packets",
    "barrier__return__packet_bits": 4,
    "barrier__return__line_rate": "100 Mbit/s",
}


@pytest.mark.parametrize(
    ("make", "values", "found"),
    [
        (chain, {}, [TRIGGER, STROBE]),
        (chain, REMOTE, [STROBE]),
        (chain, {"barrier__return__strobe": False}, [TRIGGER]),
        (chain, PACKETS, [TRIGGER]),
        (chain, FORWARD, [TRIGGER]),
        (chain, {"barrier__false_edge": 0}, []),
        (serial, {}, [TRIGGER, BUSY, CLOCK]),
        (
            serial,
            {"link__scheme": "returned_clock", "host__capture": "half"},
            [TRIGGER, BUSY, CLOCK, RETURNED],
        ),
    ],
)
def test_edges_are_made_where_a_channel_carries_them(make, values, found):
    assert channels(made(1000, make=make, **values)) == found


def test_windows_are_dealt_with_once_and_in_order():
    """Windows are 5 ns wide, from each event on."""
    of = edges(made(1000, 1003, 2000, 3000))
    assert of.upcoming(1000 * NS) is None
    assert of.upcoming(1000 * NS + 1) == 1000 * NS
    assert not of.comes_by(1000 * NS - 1)
    assert of.comes_by(1000 * NS)
    assert of.take_before(2000 * NS) == [1000 * NS]
    assert of.upcoming(FAR) == 2000 * NS
    assert of.take_before(FAR) == [2000 * NS, 3000 * NS]
    assert of.take_before(FAR) == []
    assert not of.comes_by(FAR - 1)


def test_the_first_one_after_an_instant_is_found():
    events = (1000, 2000, 3000)
    assert edges(made(*events)).first(1000 * NS - 1, 9000 * NS) == 1000 * NS
    assert edges(made(*events)).first(1000 * NS, 9000 * NS) == 2000 * NS
    assert edges(made(*events)).first(1000 * NS, 2000 * NS) == 2000 * NS
    assert edges(made(*events)).first(1000 * NS, 2000 * NS - 1) == FAR
    assert edges(made(*events)).first(3000 * NS, 9000 * NS) == FAR


def test_a_window_makes_an_edge_as_likely_as_is_said():
    """Of 2000 windows 1 us apart three in ten; each channel and each trial has draws of its own."""
    scenario = made(*range(1000, 2_001_000, 1000), barrier__false_edge=0.3)
    ways = [(0, "forward", "trigger"), (1, "forward", "trigger"), (0, "return", "strobe")]
    found = [edges(scenario, *way).take_before(FAR) for way in ways]
    for some in found:
        assert abs(len(some) - 600) < 4 * math.sqrt(2000 * 0.3 * 0.7)
    assert len({tuple(some) for some in found}) == 3
    assert edges(scenario).take_before(FAR) == found[0]
    # Whoever asks for a few of them, and whoever leaves some out, gets the same.
    first = edges(scenario).first(500_000 * NS, FAR - 1)
    assert first == min(one for one in found[0] if one > 500_000 * NS)
    of = edges(scenario)
    assert of.comes_by(found[0][0])
    assert not of.comes_by(found[0][0] - 1)
    assert of.take_before(FAR) == found[0]
