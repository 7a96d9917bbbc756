"""Transients on the batch engine: the same records as the event engine's, or a refusal by name.

What each event costs is worked by hand in `test_transients`; every case there whose scenario the
batch engine takes is run on both engines.
"""

import math
import os

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simlink.base import draws
from simlink.base.compiled import why_plain
from simlink.base.errors import InputError
from simlink.base.instants import NEVER
from simlink.engines.batch import BatchEngine, windows
from simlink.engines.batch.engine import Walk
from simlink.engines.batch.sure import unjudged
from simlink.engines.batch.windows import Late
from simlink.engines.event import EventEngine
from simlink.engines.event.wiring import MOST_CONVERSIONS
from simlink.link.fate import Fate
from simlink.scenario.loading import from_dict
from tests.engines.agreement import (
    differences,
    differences_across_stretches,
    records_of,
    short_stretches,
    unlike,
    windows_kept,
)
from tests.engines.chain import NS, chain, put
from tests.engines.test_transients import (
    FORWARD,
    LANES,
    PACKETS,
    RETURN,
    at,
    raw_upset_scenario,
)
from tests.strategies import FINE, GRIDS

#: How many random scenarios are compared; raise it by hand.
MANY = int(os.environ.get("SIMLINK_MANY") or 20)


CHECKS = [
    {},
    {},
    {"check.kind": "parity"},
    {"check.kind": "crc", "check.width": 3, "check.polynomial": 3, "check.on_failure": "drop"},
    {"check.sequence_bits": 2, "check.on_failure": "flag"},
]


CHECK_KEYS = ("kind", "width", "polynomial", "sequence_bits", "on_failure")


@st.composite
def taken(draw):
    """Draw a random scenario with transients that the batch engine takes."""
    raw = draw(raw_upset_scenario(draw(st.sampled_from([FINE, *GRIDS]))))
    changed = dict(draw(st.sampled_from(CHECKS)))
    way = draw(st.sampled_from(["forward", "both", "return"]))
    law = raw["barrier"].pop("slew_immunity")
    changed[f"barrier.{'' if way == 'both' else f'{way}.'}slew_immunity"] = law
    if raw["barrier"].get("return", {}).get("style") != "packets":
        changed["barrier.return.strobe"] = draw(st.sampled_from([False, False, None]))
    if raw["fifo"].get("when_full") == "stall":
        changed["fifo.credit_refresh"] = draw(st.booleans())
    try:
        found = from_dict(put(raw, changed))
    except InputError:
        # What stands beside the data leaves no gap that parts frames.
        found = from_dict(put(raw, changed | {"fifo.realign": "never", "fifo.realign_gap": None}))
    makes = draw(st.sampled_from([None, None, 1, 0.3]))
    if unjudged(found) is not None:
        found = found.with_values({f"check.{key}": None for key in CHECK_KEYS})
    return found.with_value("barrier.false_edge", makes)


@settings(max_examples=MANY)
@given(taken())
def test_random_transients_give_the_same_records(scenario):
    assert BatchEngine().refuses(scenario) is None
    assert differences(scenario) == []


@settings(max_examples=max(1, MANY // 2))
@given(taken())
def test_random_transients_give_the_same_records_across_stretches(scenario):
    assert differences_across_stretches(scenario) == []


@pytest.mark.parametrize(
    ("way", "time", "fate", "wrong"),
    [
        # The trigger crosses from 1000 to 1010 ns; a window is 5 ns wide.
        (FORWARD, 995 * NS, Fate.DELIVERED, 0),
        (FORWARD, 995 * NS + 1, Fate.NOT_RECEIVED, 0),
        (FORWARD, 1010 * NS - 1, Fate.NOT_RECEIVED, 0),
        (FORWARD, 1010 * NS, Fate.DELIVERED, 0),
        # Bit i is on its lane from 1225 + 20 i to 1240 + 20 i ns.
        (LANES, 1220 * NS, Fate.DELIVERED, 0),
        (LANES, 1220 * NS + 1, Fate.CORRUPTED, 1),
        (LANES, 1240 * NS - 1, Fate.CORRUPTED, 1),
        (LANES, 1240 * NS, Fate.DELIVERED, 0),
        (LANES, 1300 * NS - 1, Fate.CORRUPTED, 1),
        (LANES, 1300 * NS, Fate.DELIVERED, 0),
    ],
)
@pytest.mark.parametrize("words", [False, True])
def test_one_event_a_femtosecond_either_side(way, time, fate, wrong, words):
    found = records_of(BatchEngine(), chain(at(way, time)), words)
    assert (found["fate"][0, 0], found["wrong_bits"][0, 0]) == (fate, wrong)


def test_a_bit_that_came_after_its_frame_was_read_is_not_counted():
    # Read at 200 MHz one nanosecond after the first of its bits, from 1241 to 1261 ns, while the
    # bits come at 1240, 1260, 1280 and 1300: two of them are there when the read ends.
    hasty = {
        "fifo.release_bits": 1,
        "fifo.sync_delay": "0 ns",
        "host.clock": "200 MHz",
        "host.service_latency": "1 ns",
    }
    scenario = chain(at(LANES | hasty, 1220 * NS + 1, swing=8000))
    found = records_of(BatchEngine(), scenario)
    assert (found["fate"][0, 0], found["wrong_bits"][0, 0]) == (Fate.UNDERRUN, 2)
    assert differences(scenario) == []


def test_room_for_inverted_bits_is_made_as_often_as_it_takes(monkeypatch):
    """Each event lasts for the whole frame, and its four bits are all that there is room for."""
    monkeypatch.setattr("simlink.engines.batch.harms._ROOM", 0)
    times = [(1200 + 1000 * frame) * NS for frame in range(5)]
    scenario = chain({"conversions": 6, "trials": 3} | at(LANES, *times, swing=8000))
    found = records_of(BatchEngine(), scenario)
    assert found["wrong_bits"].tolist() == 3 * [[4, 4, 4, 4, 4, 0]]
    assert unlike(found, records_of(EventEngine(), scenario)) == []


#: One event in 50 conversions or so.
RARE = {"kind": "poisson", "rate": "20 kHz", "slew": "80 kV/us", "swing": "400 V"}


@pytest.mark.parametrize(
    ("way", "fate", "vulnerable"),
    [
        # A trigger's crossing of 10 ns and the window's 5 ns.
        (FORWARD, Fate.NOT_RECEIVED, 15),
        # Each bit's 15 ns and the window's 5, 20 ns apart: four of them join to 80 ns.
        (LANES, Fate.CORRUPTED, 80),
    ],
)
def test_poisson_events_harm_as_often_as_the_vulnerable_time_says(way, fate, vulnerable):
    values = {"conversions": 50_000, "trials": 8, "transient": [RARE], **way}
    fates = records_of(BatchEngine(), chain(values), words=False)["fate"]
    expected = -math.expm1(-20e3 * vulnerable * 1e-9)
    n = fates.size
    z = ((fates == fate).sum() - n * expected) / math.sqrt(n * expected * (1 - expected))
    assert abs(z) < 4
    # Conservation.
    assert np.isin(fates, [Fate.DELIVERED, fate]).all()


def test_an_immunity_above_every_slew_changes_no_record():
    values = {"conversions": 3000, "trials": 2, "transient": [RARE], "barrier.return.strobe": False}
    plain = records_of(BatchEngine(), chain(values | {"transient": None}))
    immune = values | {"barrier.slew_immunity": "80 kV/us"}
    assert unlike(records_of(BatchEngine(), chain(immune)), plain) == []


@pytest.mark.parametrize(
    ("values", "what"),
    [
        (FORWARD | {"barrier.false_edge": 0.5, "conversions": MOST_CONVERSIONS + 1}, "in memory"),
        (RETURN | {"conversions": MOST_CONVERSIONS + 1}, "in memory"),
    ],
)
def test_what_it_does_not_do_is_named(values, what):
    assert what in BatchEngine().refuses(chain(at(values, 1000 * NS)))


#: A lost strobe moves all later bits for good; a frame is released though it lacks a packet.
LEFT = [RETURN | {"fifo.realign": "never"}, RETURN | PACKETS | {"fifo.release_bits": 1}]


def left_of(scenario, monkeypatch):
    """Return the trials that are left to the event engine, once all records are as it has them."""
    left = []
    plain = Walk.leave

    def noting(self, row):
        left.append(self.units.trials[self.rows][row])
        plain(self, row)

    monkeypatch.setattr(Walk, "leave", noting)
    assert differences(scenario) == []
    return left


@pytest.mark.parametrize("values", LEFT)
def test_only_trials_with_a_frame_that_is_hit_are_left_to_the_event_engine(values, monkeypatch):
    # One event in 50 conversions, and a frame is on its way for 80 to 120 ns of 1000.
    scenario = chain({"conversions": 40, "trials": 180, "transient": [RARE]} | values)
    assert 0 < len(left_of(scenario, monkeypatch)) < 60


JITTER = {"shape": "normal", "mean": "0 s", "sigma": "0.4 ns"}
NARROW = {"shape": "uniform", "low": "-1 ns", "high": "1 ns"}
KEPT = {
    "a strobe": {},
    "packets": PACKETS,
    # A strobe that is lost leaves a gap of the two periods that end a frame, more or less.
    "jitter": {"barrier.return.jitter": JITTER},
    "jitter of every edge": {"barrier.return.jitter": JITTER | {"sigma": "2 ns"}},
    "jitter of every bit": {
        "barrier.return.strobe": False,
        "barrier.return.jitter": JITTER | {"sigma": "2 ns"},
    },
    "an early release": {"fifo.release_bits": 3},
    "a release ahead of the last bit, of bits that jitter": {
        "fifo.release_bits": 7,
        "frame.lanes": 2,
        "barrier.return.jitter": NARROW,
    },
    "the oldest goes": {"fifo.when_full": "drop_old", "fifo.depth": 1},
    "credits": {"fifo.when_full": "stall"},
    "a loop": {
        "trigger.pattern": "after_read",
        "trigger.rate": None,
        "trigger.gap": "500 ns",
        "host.timeout": "5 us",
    },
}


@pytest.mark.parametrize("values", KEPT.values(), ids=KEPT)
def test_frames_that_are_hit_stay_here(values, monkeypatch):
    often = RARE | {"rate": "200 kHz"}
    bits = {"frame.word_bits": 8, "trigger.rate": "500 kHz", "remote_clock.start_delay": "200 ns"}
    scenario = chain(bits | {"conversions": 400, "transient": [often], **RETURN} | values)
    found = records_of(BatchEngine(), scenario)
    assert np.count_nonzero(found["hit"]) > 5
    assert left_of(scenario, monkeypatch) == []


def test_trials_after_one_that_was_left_early_have_all_their_triggers():
    # Of a trial that was left nobody asks for later due times, which the next trial shares.
    rare = RARE | {"rate": "150 kHz"}
    scenario = chain({"conversions": 60, "trials": 6, "transient": [rare], **LEFT[0]})
    with short_stretches() as done:
        found = records_of(BatchEngine(), scenario)
    assert 0 < done.count("leave") < 6
    assert unlike(found, records_of(EventEngine(), scenario)) == []


def test_bits_are_drawn_again_only_where_a_window_makes_them_matter(monkeypatch):
    """A bit's jitter is wanted where an edge of a window lies within it, and of no other frame.

    It is 2 ns wide, bits lie 20 ns apart, and an event has two edges: of one in 10 or so.
    """
    made = []
    plain = Late.__init__

    def noting(self, scenario):
        plain(self, scenario)
        made.append(self)

    monkeypatch.setattr(Late, "__init__", noting)
    jitter = {"shape": "normal", "mean": "0 s", "sigma": "0.4 ns", "low": "-1 ns", "high": "1 ns"}
    values = {"conversions": 50_000, "transient": [RARE], "barrier.return.jitter": jitter, **LANES}
    blocks = records_of(BatchEngine(), chain(values), words=False)
    events = 50_000 / 50
    harmed = (blocks["wrong_bits"] > 0).sum()
    (late,) = made
    # Frames have 4 bits: 80 of 1000 ns.
    assert 0 < late.wanted < 0.3 * harmed < 0.3 * 0.2 * events
    # No more is drawn than each bit's own stream up to the last that is wanted, and, compiled, on
    # the way to each no more than a page.
    assert late.made <= 4 * 50_000
    assert why_plain() is not None or late.made <= late.wanted * draws.PAGE


@pytest.mark.parametrize("compiled", [True, False])
def test_of_each_late_draw_only_its_page_is_drawn_on_the_way(compiled, monkeypatch):
    if not compiled:
        monkeypatch.setattr(windows, "agrees", lambda: False)
    elif why_plain() is not None:
        pytest.skip("nothing can be compiled")
    monkeypatch.setattr(draws, "PAGE", 64)
    jitter = {"shape": "normal", "mean": "0 s", "sigma": "0.4 ns"}
    scenario = chain({"transient": [RARE], "barrier.return.jitter": jitter, **LANES})
    late = Late(scenario)
    late.open(range(2))
    source = "barrier.return.jitter lane 0"
    expected = draws.Column(scenario.barrier.return_.jitter, 1, 1, source, 4, 2).take(400)
    for index in (3, 4, 70, 380):
        late.asked[0, 0], late.asked[1] = 1, (2, index)
        late.draw(1)
        assert late.drawn[1, 2].tolist() == [expected[index], index]
    # 0 to 3, 4, 64 to 70 and 320 to 380; or all.
    assert (late.wanted, late.made) == (4, 4 + 1 + 7 + 61 if compiled else 381)


@pytest.mark.parametrize("engine", [EventEngine, BatchEngine])
def test_a_part_does_not_take_the_place_of_its_own_frame_once_that_is_served(engine):
    """Bit i comes at 1240 + 20 i ns and its strobe 10 ns later; that of bit 2, sent at 1275, is
    lost. The first two are released at 1266 to a host that waits and serves them at once. A gap of
    25 ns ends them at 1295, and bit 3, at 1300, finds the one slot taken and its frame served."""
    values = {"fifo.depth": 1, "fifo.when_full": "drop_old", "fifo.release_bits": 2}
    scenario = chain(at(RETURN | values | {"fifo.realign_gap": "25 ns"}, 1276 * NS))
    found = records_of(engine(), scenario)
    assert found["release"][0, 0] == found["service"][0, 0] == 1266 * NS
    assert (found["read_start"][0, 0], found["fate"][0, 0]) == (1366 * NS, Fate.CORRUPTED)
    (part,) = found["unrequested"]
    assert (part["after"], part["fate"], part["release"]) == (0, Fate.OVERRUN, NEVER)


@pytest.mark.parametrize("engine", [EventEngine, BatchEngine])
def test_a_part_gives_its_slot_back_while_its_own_frame_is_being_read(engine):
    """As above, with two slots: bit 3 takes the second for a gap. The read of the first two lasts
    from 1366 to 2366; frame 1, which comes at 2240, finds that slot alone taken."""
    values = {"fifo.release_bits": 2, "fifo.realign_gap": "25 ns", "host.clock": "4 MHz"}
    scenario = chain(at(RETURN | values | {"conversions": 2}, 1276 * NS))
    found = records_of(engine(), scenario)
    (part,) = found["unrequested"]
    assert (part["after"], part["fate"]) == (0, Fate.NOT_RECEIVED)
    assert found["read_start"][0].tolist() == [1366 * NS, 2466 * NS]
    assert found["occupancy_at_arrival"][0].tolist() == [0, 1]


#: Of strobes that are judged edge by edge, bits that are hit, packets and reads by the host.
PAGED = [
    {"barrier.return.strobe": True},
    {"barrier.return.strobe": True, "fifo.release_bits": 2, "fifo.depth": 8},
    {"barrier.return.strobe": False},
    PACKETS,
    {"link.scheme": "forwarded_clock", "host.capture": "whole"},
    {"link.scheme": "returned_clock", "host.capture": "whole"},
]


@pytest.mark.parametrize("values", PAGED)
@pytest.mark.parametrize("sigma", ["0.4 ns", "3 ns"])
@pytest.mark.parametrize("bounded", [True, False])
def test_records_agree_over_many_pages(values, sigma, bounded, monkeypatch):
    monkeypatch.setattr(draws, "PAGE", 8)
    jitter = {"shape": "normal", "mean": "0 s", "sigma": sigma}
    if bounded:
        jitter |= {"low": "-2 ns", "high": "2 ns"}
    values = values | {"barrier.return.jitter": jitter, "barrier.forward.jitter": jitter}
    values |= {"conversions": 60, "trials": 3, "transient": [RARE | {"rate": "1.5 MHz"}]}
    scenario = chain(values | {"barrier.slew_immunity": "50 kV/us"})
    assert BatchEngine().refuses(scenario) is None
    expected = records_of(EventEngine(), scenario)
    assert unlike(records_of(BatchEngine(), scenario), expected) == []
    with short_stretches():
        assert unlike(records_of(BatchEngine(), scenario), expected) == []
    assert (expected["hit"] > 0).sum() > 10


def test_windows_of_a_long_trial_are_let_go():
    kept = windows_kept(chain({"conversions": 200_000, "transient": [RARE], **FORWARD}))
    # Some 4,000 events; those of a source are worked out up to 512 at a time.
    assert 7 <= len(kept) < 20
    assert max(kept) < 600
