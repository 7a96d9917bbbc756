"""Figures for each common-mode event: how many events there were, and words to each."""

from __future__ import annotations

import math

import numpy as np
import pytest

from simlink.figures.events import events
from simlink.figures.span import spans
from simlink.link.common_mode import instants
from simlink.running.run import run
from tests.engines.chain import chain

EDGE = {"slew": "80 kV/us", "swing": "80 V"}
LANES = {"barrier.return.slew_immunity": "50 kV/us", "barrier.return.strobe": False}


def counted(values, **source):
    """Return the events that there were, the trial's length in s, and the run."""
    scenario = chain(values | {"transient": [{**EDGE, **source}]})
    found = run(scenario, engine="event")
    return events(scenario, found.tally, spans(scenario, found.tally)), found


def test_given_and_locked_events_are_those_of_the_trials():
    # The last thing that happens is the end of the last read, at 4566 ns.
    times = ["0 ns", "2230 ns", "4566 ns", "4566.000001 ns"]
    count, found = counted(LANES | {"conversions": 4, "trials": 3}, kind="at", times=times)
    assert count == 9
    # One bit of each board's conversion 1 comes inverted, and nobody says so.
    for name in ("damaged_per_event", "silent_per_event"):
        figure = found.figures[name]
        assert (figure.value, figure.count, figure.unit) == (pytest.approx(1 / 3), 3, "words/event")
    for first, every, want in ((0, 1, 10), (0, 3, 4), (9, 4, 1), (10, 1, 0), (1, 3, 3)):
        more = {"kind": "locked", "offset": "230 ns", "first": first, "every": every}
        assert counted({"conversions": 10}, **more)[0] == want


@pytest.mark.parametrize(
    "source",
    [{"kind": "poisson", "rate": "130 kHz"}, {"kind": "switching", "frequency": "70 kHz"}],
)
def test_of_random_events_the_mean_is_that_of_those_drawn(source):
    count, found = counted({"conversions": 4000, "trials": 4}, **source)
    scenario = found.scenario
    drawn = 0
    for trial in range(4):
        end = spans(scenario, found.tally)[trial]
        for times in instants(scenario, 0, trial):
            drawn += int((times <= end).sum())
            if times[-1] > end:
                break
    # A Poisson count's variance is its mean; a switch's differs by an edge or two a board.
    assert abs(drawn - count) < 4 * math.sqrt(count)
    assert count == pytest.approx(4 * 4e-3 * (130e3 if "rate" in source else 140e3), rel=1e-3)


def test_the_events_of_several_sources_add_up():
    """4 us: 4 are locked, 2 given; 1 MHz gives 4 on average, a switch of 2 MHz 8 pairs of edges."""
    kinds = [
        {"kind": "locked", "offset": "100 ns"},
        {"kind": "at", "times": ["0 ns", "2230 ns"]},
        {"kind": "poisson", "rate": "1 MHz"},
        {"kind": "switching", "frequency": "2 MHz"},
    ]
    for several in (kinds, kinds[::-1]):
        scenario = chain({"conversions": 4, "transient": [EDGE | one for one in several]})
        found = run(scenario, engine="event")
        count = events(scenario, found.tally, spans(scenario, found.tally))
        assert count == pytest.approx(4 + 2 + 4 + 16, rel=1e-9)


def test_pulses_of_bursts_are_counted_where_they_come():
    """IEC 61000-4-4: 75 pulses at 5 kHz take 14.8 ms from the first to the last."""
    pulses = {"kind": "eft", "peak": "1 kV", "start": "1 ms", "slew": None, "swing": None}
    values = {"trigger.rate": "1 kHz", "conversions": 10}
    source = {key: value for key, value in pulses.items() if value is not None}
    scenario = chain(values | {"transient": [source]})
    found = run(scenario, engine="event")
    # From 1 ms on every 0.2 ms, up to the read that ends 566 ns after the trigger at 10 ms.
    assert events(scenario, found.tally, spans(scenario, found.tally)) == 46


def test_where_none_comes_nothing_is_told_for_each_and_where_none_does_harm_a_bound_is():
    _, found = counted(LANES | {"conversions": 4}, kind="at", times=["1 h"])
    assert found.figures["silent_per_event"].value is None
    source = {"kind": "locked", "offset": "100 ns"}
    _, found = counted(LANES | {"conversions": 50, "trials": 20}, **source)
    figure, share = found.figures["silent_per_event"], found.figures["silent"]
    # An event a conversion: the bound for each is that of the words, by boards.
    assert (figure.value, figure.high, figure.count) == (None, share.high, 0)
    assert np.isfinite(figure.high)
    assert "silent_per_event" not in run(chain()).figures
