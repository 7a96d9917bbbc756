"""What is added up while it is walked is what its records add up to, bit for bit."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from simlink.base.compiled import why_plain
from simlink.engines.batch import BatchEngine, engine
from simlink.figures import between_windows, in_passing, latencies
from simlink.figures.piecewise import Piecewise
from simlink.figures.tally import Tally
from simlink.link import common_mode
from simlink.records import RECORD
from simlink.scenario.loading import from_dict
from simlink.scenario.schema import Scenario

pytestmark = pytest.mark.skipif(why_plain() is not None, reason="it is compiled code that is used")

Both = Callable[[Scenario], tuple[dict[str, Any], dict[str, Any], int]]

FLOW: dict[str, Any] = {
    "trials": 10,
    "conversions": 300,
    "link": {"scheme": "remote_master"},
    "trigger": {"rate": "1 MHz"},
    "frame": {"word_bits": 16},
    "converter": {"conversion_time": "300 ns"},
    "remote_clock": {"frequency": "50 MHz"},
    "barrier": {"forward": {"delay": "14 ns"}, "return": {"delay": "14 ns"}},
    "fifo": {"depth": 4},
    "host": {
        "clock": "50 MHz",
        "service_latency": {"shape": "exponential", "mean": "500 ns"},
    },
}
JITTER = {"shape": "normal", "mean": "0 ns", "sigma": "300 ps"}
#: Losses, stalls, reading on; frames that differ; a counter; triggers at random, or too early to be
#: taken; a host so far behind that more conversions wait to be associated than a piece has.
CASES: dict[str, dict[str, Any]] = {
    "plain": {},
    "stall": {"fifo.when_full": "stall"},
    "drain": {"host.drain": True},
    "jitter": {"barrier.return.jitter": JITTER, "frame.lanes": 2, "trigger.jitter": JITTER},
    "packets": {
        "barrier.return.style": "packets",
        "barrier.return.packet_bits": 8,
        "barrier.return.overhead_bits": 2,
        "barrier.return.line_rate": "100 Mbit/s",
    },
    "counter": {"check.sequence_bits": 3},
    "random": {"trigger.pattern": "poisson"},
    "missed": {"trigger.rate": "2 MHz"},
    "behind": {
        "fifo.depth": 200,
        "host.realign": "idle",
        "host.service_latency": {"shape": "exponential", "mean": "40 us"},
    },
}
#: Conversions that reach back: given up, waited for, told of by edges; also by more than a ring of
#: records has room for.
SLOW = {"shape": "exponential", "mean": "40 us"}
WIDE = {"shape": "normal", "mean": "0 ns", "sigma": "400 ns"}
BACK: dict[str, dict[str, Any]] = {
    "timeout": {"host.timeout": "5 us"},
    "timeout, full": {"host.timeout": "3 us", "host.service_latency": SLOW},
    "timeout, idle": {
        "host.timeout": "1050 ns", "host.realign": "idle", "barrier.return.jitter": JITTER,
        "trigger.rate": "1.4 MHz",
    },
    "timeout, stall": {"host.timeout": "2 us", "fifo.when_full": "stall", "host.drain": True},
    "timeout, counter": {"host.timeout": "2 us", "check.sequence_bits": 3},
    "long timeout": {"host.timeout": "90 us", "fifo.depth": 2, "host.service_latency": SLOW},
    "watermark": {"host.watermark": 2},
    "watermark, drain": {"host.watermark": 3, "host.drain": True, "trigger.pattern": "poisson"},
    "watermark, jitter": {"host.watermark": 2, "barrier.return.jitter": JITTER},
    "high watermark": {"host.watermark": 150, "fifo.depth": 200},
    "edge": {"host.interrupt": "edge", "host.timeout": "5 us"},
    "edge, drain": {"host.interrupt": "edge", "host.drain": True},
    "edge, jitter": {
        "host.interrupt": "edge", "host.watermark": 2, "host.timeout": "2 us",
        "trigger.jitter": WIDE,
    },
    "edge, missed": {"host.interrupt": "edge", "trigger.rate": "1.4 MHz", "fifo.depth": 60},
}  # fmt: skip
CASES |= BACK

#: One event in some twenty conversions, of windows shorter and longer than a frame.
EVENTS = {"kind": "poisson", "rate": "50 kHz", "slew": "80 kV/us", "swing": "400 V"}
PACKETS = {
    "barrier.return.style": "packets",
    "barrier.return.packet_bits": 8,
    "barrier.return.overhead_bits": 4,
    "barrier.return.header_bits": 2,
    "barrier.return.line_rate": "100 Mbit/s",
}
CRC = {"check.kind": "crc", "check.width": 8, "check.polynomial": 0x07}
BARE = {"barrier.return.strobe": False}
UPSET: dict[str, dict[str, Any]] = {
    "bits": BARE,
    "bits, half": BARE | {"barrier.upset": 0.5},
    "bits, jitter": BARE | {"barrier.return.jitter": JITTER, "barrier.forward.jitter": JITTER},
    "bits, stall": BARE | {"fifo.when_full": "stall"},
    "bits, stall, refreshed": BARE | {"fifo.when_full": "stall", "fifo.credit_refresh": True},
    "bits, crc": BARE | CRC,
    "bits, parity": BARE | {"check.kind": "parity", "check.on_failure": "drop"},
    "strobe": {},
    "strobe, half": {"barrier.upset": 0.5},
    "strobe, jitter": {"barrier.return.jitter": JITTER},
    "strobe, slow host": {"host.service_latency": SLOW},
    "strobe, early release": {"fifo.release_bits": 8},
    "strobe, long": {"barrier.recovery": "2 us"},
    "strobe, longer": {"barrier.recovery": "7 us", "fifo.depth": 2},
    "strobe, lanes": {"frame.lanes": 2, "barrier.recovery": "100 ns"},
    "strobe, parts": {"fifo.realign_gap": "30 ns", "barrier.recovery": "30 ns"},
    "packets": PACKETS,
    "packets, long": PACKETS | {"barrier.recovery": "3 us"},
    "packets, slow host": PACKETS | {"host.service_latency": SLOW},
    # More frames in a row are lost than a ring of records has room for, in several trials.
    "packets, longer": PACKETS
    | {"barrier.recovery": "60 us", "barrier.upset": 0.9, "trials": 20, "conversions": 600},
    "immune": BARE | {"barrier.slew_immunity": "100 kV/us"},
}


def plain(tally: Tally) -> dict[str, Any]:
    return {name: np.asarray(value).tolist() for name, value in tally.state().items()}


@pytest.fixture
def both(monkeypatch: pytest.MonkeyPatch) -> Both:
    """Return what trials come to from their records and in passing, and what blocks were left.

    Latencies are counted in bins as in a long run, in short pieces, few trials at a time, and
    transients are worked out a few at a time.
    """

    def find(scenario: Scenario) -> tuple[dict[str, Any], dict[str, Any], int]:
        monkeypatch.setattr(latencies, "EXACT", 0)
        trials = range(scenario.trials)
        records, passing = Tally(scenario, trials), Tally(scenario, trials)
        for block in BatchEngine().run(scenario, trials, words=False):
            records.add(block)
        for name, value in {
            "SHORTEST": 8,
            "PIECE": 16,
            "LONGEST": 64,
            "BESIDE": 4,
            "BESIDE_APART": 4,
        }.items():
            monkeypatch.setattr(engine, name, value)
        monkeypatch.setattr(common_mode, "CHUNK", 16)
        left = 0
        for block in in_passing.blocks_left(scenario, trials, passing):
            left += 1
            passing.add(block)
        return plain(records), plain(passing), left

    return find


@pytest.mark.parametrize("name", CASES)
def test_the_same_as_of_the_records(both: Both, name: str) -> None:
    records, passing, left = both(from_dict(FLOW).with_values(CASES[name]))
    assert left == 0
    assert passing == records
    assert sum(passing["sent"]) == 10 * 300


@pytest.mark.parametrize("name", UPSET)
def test_the_same_where_transients_upset(both: Both, name: str) -> None:
    """Some trials have to be left to the event engine on their way."""
    base = from_dict(FLOW).with_values({"transient": [EVENTS], "barrier.slew_immunity": "50 kV/us"})
    records, passing, left = both(base.with_values(UPSET[name]))
    assert left == 0
    assert passing == records
    assert sum(passing["sent"]) == sum(records["sent"]) >= 10 * 300
    assert name == "immune" or sum(passing["damaged"]) > 0


def test_harm_to_the_last_frame_of_a_stretch_is_its_own_trials(
    both: Both, monkeypatch: pytest.MonkeyPatch
) -> None:
    """All before it is added up when it waits for a draw, and the next trial takes its turn."""
    monkeypatch.setattr(engine, "FEWER", 1)
    # Its first bit comes 338 ns after its trigger, jitter apart; the second is then on its way.
    times = [f"{64 * stretch}.338 us" for stretch in range(1, 5)]
    event = {"kind": "at", "times": times, "slew": EVENTS["slew"], "swing": EVENTS["swing"]}
    values = {"transient": [event], "barrier.slew_immunity": "50 kV/us"} | BARE | CRC
    values |= {"barrier.recovery": "10 ns", "barrier.return.jitter": JITTER}
    base = from_dict(FLOW).with_values(values | {"check.on_failure": "drop", "fifo.depth": 100})
    records, passing, _ = both(base)
    assert passing == records
    assert sum(passing["lost_told"]) == 10 * 4


def test_records_of_trials_that_are_left_are_let_go(
    both: Both, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The event engine hands over those of a whole trial, whatever its length."""
    kept = []

    def noted(one: engine.Walk, *given: Any) -> None:
        leave(one, *given)
        kept.append(len(one.whole))

    leave = between_windows._leave
    monkeypatch.setattr(between_windows, "_leave", noted)
    often = {"transient": [EVENTS | {"rate": "200 kHz"}], "barrier.slew_immunity": "50 kV/us"}
    records, passing, _ = both(from_dict(FLOW).with_values(often | UPSET["bits, stall, refreshed"]))
    assert passing == records
    assert len(kept) > 1
    assert set(kept) == {0}


def test_more_is_held_than_there_is_room_for_at_first(
    both: Both, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A host far behind: what a piece leaves undecided outgrows the room of two pieces."""
    sizes = []

    def noted(*given: Any) -> Any:
        sizes.append(given[-2].shape[1])
        return walk_and_add(*given)

    walk_and_add = in_passing.walk_and_add
    monkeypatch.setattr(in_passing, "walk_and_add", noted)
    records, passing, _ = both(from_dict(FLOW).with_values(CASES["behind"]))
    assert max(sizes) > 2 * engine.PIECE
    assert passing == records


def test_room_is_made_where_the_fullest_trial_lacks_it_and_said_to_be() -> None:
    """Who is told that none was lacking makes the rings wider instead."""
    scenario = from_dict(FLOW)
    (walk,) = BatchEngine().walks(scenario, range(2), words=False)
    some = Piecewise(walk, Tally(scenario, range(2)))
    some.undecided, some.held = np.zeros((2, 8), dtype=RECORD), np.array([2, 5])
    some.undecided["due"] = 7
    assert (some.make_room(3), some.undecided.shape) == (False, (2, 8))
    assert (some.make_room(4), some.undecided.shape) == (True, (2, 16))
    assert some.undecided["due"].tolist() == [[7] * 8 + [0] * 8] * 2


@pytest.mark.parametrize(
    "values",
    [
        {"fifo.when_full": "drop_old"},
        {"fifo.when_full": "stall", "host.watermark": 2},
        {"trigger.pattern": "after_read", "trigger.rate": None, "trigger.gap": "300 ns",
         "host.timeout": "5 us"},
    ],
    ids=["drop_old", "stall for a group", "loop"],
)  # fmt: skip
def test_what_later_conversions_change_is_left(both: Both, values: dict[str, Any]) -> None:
    records, passing, left = both(from_dict(FLOW).with_values(values))
    assert left > 0
    assert passing == records
