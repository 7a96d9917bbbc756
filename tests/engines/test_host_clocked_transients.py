"""Transients on a link that the host's own clock reads: both engines give the same records.

What each event costs is worked by hand in `test_transients`, and here for what the batch engine
has to remember of it. Of the base scenario's conversion k busy rises at 1010 + 1000 k ns and falls
at 1210, 12 ns later at the host; it is released at 1228, and its clock starts a latency later.
"""

import math
import os
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simlink.base.instants import FAR, NEVER
from simlink.engines.batch import BatchEngine
from simlink.engines.batch.read_upsets import calm
from simlink.engines.batch.read_windows import ReadWindows
from simlink.engines.event import EventEngine
from simlink.link.fate import Fate
from simlink.link.transient import meets
from simlink.records import Cause
from simlink.scenario.loading import from_dict
from tests.engines.agreement import (
    differences,
    differences_across_stretches,
    records_of,
    short_stretches,
    unlike,
    windows_kept,
)
from tests.engines.chain import NS, put
from tests.engines.host_clocked_scenarios import raw_serial_scenarios, serial
from tests.engines.test_checks import CRC_3, PARITY
from tests.engines.test_transients import FORWARD, RETURN, SOURCES, UPSETS, at

#: How many random scenarios are compared; raise it by hand.
MANY = int(os.environ.get("SIMLINK_MANY") or 60)
RETURNED = {"link.scheme": "returned_clock", "host.capture": "whole"}
LOOP = {"trigger.pattern": "after_read", "trigger.rate": None, "trigger.gap": "1 us"}
#: A window of 5 ns at random, one in 20 conversions or so.
RARE = {"kind": "poisson", "rate": "50 kHz", "slew": "80 kV/us", "swing": "400 V"}


WINDOWS = st.lists(st.integers(0, 300), max_size=8, unique=True).map(
    lambda edges: (sorted(edges)[0 : len(edges) // 2 * 2 : 2], sorted(edges)[1::2])
)


@settings(max_examples=400)
@given(WINDOWS, WINDOWS, st.lists(st.tuples(st.integers(0, 320), st.integers(0, 90)), max_size=30))
def test_what_is_calm_meets_no_window_of_either_direction(going, coming, symbols):
    """Whatever order symbols come in; and of two that meet none, one behind the other, the second
    is calm if no window opens before it comes."""
    stands = SimpleNamespace(since=FAR, opens=NEVER)
    for sent, lasts in symbols:
        comes = sent + lasts
        found = calm(stands, going, coming, sent, comes)
        met = any(meets(*some, sent, comes) for some in (going, coming))
        assert not (found and met)
        opens = [
            start
            for starts, ends in (going, coming)
            for start, end in zip(starts, ends, strict=True)
            if end > stands.since
        ]
        assert stands.since <= sent
        assert found == (comes < min(opens, default=FAR))


@st.composite
def upset_scenarios(draw):
    """Draw a random scenario of either scheme, with transients."""
    raw = draw(raw_serial_scenarios())
    loops = raw["trigger"].get("pattern") == "after_read"
    sources = [one for one in SOURCES if not (loops and one["kind"] == "locked")]
    chosen = draw(st.lists(st.sampled_from(sources), min_size=1, max_size=3))
    values = UPSETS | {"transient": chosen, "barrier.upset": draw(st.sampled_from([1, 1, 0.5]))}
    values["barrier.false_edge"] = draw(st.sampled_from([None, None, 1, 0.3]))
    way = draw(st.sampled_from(["", "", "forward.", "return."]))
    values[f"barrier.{way}slew_immunity"] = values.pop("barrier.slew_immunity")
    return from_dict(put(raw, values))


@settings(max_examples=MANY)
@given(upset_scenarios())
def test_random_transients_give_the_same_records(scenario):
    assert BatchEngine().refuses(scenario) is None
    assert differences(scenario) == []


@settings(max_examples=max(1, MANY // 2))
@given(upset_scenarios())
def test_random_transients_give_the_same_records_across_stretches(scenario):
    assert differences_across_stretches(scenario) == []


@st.composite
def checked(draw):
    """Draw a scenario with checks in which nothing but a transient makes a bit wrong."""
    values = draw(st.sampled_from([{}, RETURNED])) | draw(st.sampled_from([CRC_3, PARITY, {}]))
    values |= {
        "conversions": 40,
        "frame.lanes": draw(st.integers(1, 2)),
        "frame.content": draw(st.sampled_from(["counter", "random"])),
        "check.sequence_bits": draw(st.integers(1, 3)),
        "check.on_failure": draw(st.sampled_from(["flag", "drop"])),
        "host.clock": draw(st.sampled_from(["20 MHz", "25 MHz"])),
        "host.capture": "whole",
        "host.service_latency": {"shape": "exponential", "mean": "200 ns"},
        "transient": draw(st.lists(st.sampled_from(SOURCES), min_size=1, max_size=2)),
        "barrier.upset": draw(st.sampled_from([1, 0.5, 0.2])),
    }
    return serial(UPSETS | values)


@settings(max_examples=max(1, MANY // 2))
@given(checked())
def test_random_transients_make_checks_fail_alike(scenario):
    assert BatchEngine().refuses(scenario) is None
    assert differences(scenario) == []
    assert differences_across_stretches(scenario) == []


def test_a_host_that_saw_no_fall_of_busy_waits_for_the_next_one():
    # A latency after conversion 0's release busy 1 would be low, and conversion 1 read at 2428. Its
    # fall, from 2210 to 2222, is lost: the host waits, and is released by conversion 2 at 3228.
    values = RETURN | {"conversions": 3, "host.service_latency": "1200 ns", "host.timeout": "1 us"}
    plain, found = (
        records_of(BatchEngine(), serial(values | more)) for more in ({}, at({}, 2215 * NS))
    )
    assert plain["read_start"][0].tolist() == [NEVER, 2428 * NS, 4428 * NS]
    assert found["fate"][0].tolist() == [Fate.OVERRUN, Fate.OVERRUN, Fate.DELIVERED]
    assert found["release"][0].tolist() == [1228 * NS, NEVER, 3228 * NS]
    assert found["read_start"][0].tolist() == [NEVER, NEVER, 4428 * NS]
    assert found["hit"][0].tolist() == [0, 1 << Cause.BUSY, 0]
    assert found["timed_out"][0].tolist() == [False, True, False]
    assert differences(serial(at(values, 2215 * NS))) == []


@pytest.mark.parametrize(
    ("way", "time", "fate"),
    [
        # A window is 5 ns wide. The trigger crosses from 1000 to 1010 ns.
        (FORWARD, 995 * NS, Fate.DELIVERED),
        (FORWARD, 995 * NS + 1, Fate.NOT_RECEIVED),
        (FORWARD, 1010 * NS - 1, Fate.NOT_RECEIVED),
        (FORWARD, 1010 * NS, Fate.DELIVERED),
        # Clock pulse i from its rise, 1338 + 20 i, to its fall's arrival, 1358 + 20 i; what the
        # last one takes away has been captured.
        (FORWARD, 1333 * NS, Fate.DELIVERED),
        (FORWARD, 1333 * NS + 1, Fate.CORRUPTED),
        (FORWARD, 1378 * NS - 1, Fate.CORRUPTED),
        (FORWARD, 1378 * NS, Fate.DELIVERED),
        # Busy's rise from 1010 to 1022, its fall from 1210; bit 0 from 1212 to 1224.
        (RETURN, 1005 * NS, Fate.DELIVERED),
        (RETURN, 1005 * NS + 1, Fate.IN_FLIGHT),
        (RETURN, 1022 * NS - 1, Fate.IN_FLIGHT),
        (RETURN, 1022 * NS, Fate.DELIVERED),
        (RETURN, 1205 * NS + 1, Fate.IN_FLIGHT),
        (RETURN, 1222 * NS - 1, Fate.IN_FLIGHT),
        (RETURN, 1222 * NS, Fate.CORRUPTED),
        (RETURN, 1224 * NS, Fate.DELIVERED),
    ],
)
def test_one_event_a_femtosecond_either_side(way, time, fate):
    scenario = serial(at(way, time))
    assert records_of(BatchEngine(), scenario)["fate"].tolist() == [[fate]]
    assert differences(scenario) == []


def test_a_lost_pulse_makes_later_bits_the_ones_before():
    # Without pulse 0 bits a b c are read as a a b; a window of 1 ns meets no other pulse.
    source = {"kind": "locked", "offset": "345 ns", "slew": "80 kV/us", "swing": "80 V"}
    scenario = serial(FORWARD | {"conversions": 8, "transient": [source]})
    found = records_of(BatchEngine(), scenario)
    assert (found["fate"] == Fate.CORRUPTED).all()
    assert (found["hit"] == 1 << Cause.CLOCK).all()
    assert found["wrong_bits"][0].tolist() == [bin((k ^ k >> 1) & 3).count("1") for k in range(8)]
    assert differences(scenario) == []


def test_a_lost_pulse_passes_the_check_where_it_happens_to_fit():
    # With a parity bit, a b c p is read as a a b c: even parity needs a + a + b = c.
    source = {"kind": "locked", "offset": "345 ns", "slew": "80 kV/us", "swing": "80 V"}
    values = FORWARD | PARITY | {"check.on_failure": "drop", "conversions": 8}
    scenario = serial(values | {"transient": [source]})
    found = records_of(BatchEngine(), scenario)
    fails = [bool((k ^ k >> 1) & 1) for k in range(8)]
    assert found["check_failed"][0].tolist() == fails
    assert (found["fate"][0] == np.where(fails, Fate.DROPPED, Fate.CORRUPTED)).all()
    assert differences(scenario) == []


@pytest.mark.parametrize(
    ("way", "fates", "expected"),
    [
        # The trigger's crossing of 10 ns and the window's 5; if it was not hit, the first two clock
        # pulses' 40 ns and 5.
        (FORWARD, [Fate.NOT_RECEIVED], lambda hit: hit(15)),
        (FORWARD, [Fate.CORRUPTED], lambda hit: (1 - hit(15)) * hit(45)),
        # Rise and fall of busy, 12 ns each, and twice 5.
        (RETURN, [Fate.OVERRUN, Fate.IN_FLIGHT], lambda hit: hit(34)),
    ],
)
def test_poisson_events_harm_as_often_as_the_vulnerable_time_says(way, fates, expected):
    values = {"conversions": 50_000, "trials": 4, "transient": [RARE], **way}
    found = records_of(BatchEngine(), serial(values), words=False)["fate"]
    share = expected(lambda ns: -math.expm1(-50e3 * ns * 1e-9))
    n = found.size
    z = (np.isin(found, fates).sum() - n * share) / math.sqrt(n * share * (1 - share))
    assert abs(z) < 4


@pytest.mark.parametrize("scheme", [{}, RETURNED])
def test_a_loop_stops_where_it_has_to_know_more(scheme, monkeypatch):
    # A lost trigger costs a timeout of a hundred turns.
    values = {"conversions": 1500, "host.timeout": "200 us", "transient": [RARE], **LOOP, **scheme}
    values |= {"barrier.slew_immunity": "50 kV/us", "host.service_latency": "100 ns"}
    asked = []
    plain = ReadWindows._look_ahead

    def noting(self, *words):
        asked.append(self._ahead)
        plain(self, *words)

    monkeypatch.setattr(ReadWindows, "_look_ahead", noting)
    assert differences(serial(values)) == []
    assert len(asked) > 3
    fates = records_of(BatchEngine(), serial(values))["fate"]
    assert (fates == Fate.NOT_RECEIVED).sum() > 0


@pytest.mark.parametrize("values", [{}, RETURNED, LOOP | {"host.timeout": "5 us"}])
def test_half_of_the_symbols_that_windows_meet_are_hit_alike_in_both_engines(values):
    rare = {"transient": [RARE | {"rate": "8 kHz", "swing": "8 kV"}], "barrier.upset": 0.5}
    values = values | rare | {"conversions": 1500, "trials": 4, "barrier.slew_immunity": "50 kV/us"}
    scenario = serial(values | {"host.service_latency": "100 ns"})
    with short_stretches(longest=16):
        found = records_of(BatchEngine(), scenario)
    # Some 48 windows of 100 ns: some of what they meet is hit, the rest spared.
    assert (found["hit"] > 0).sum() + (found["fate"] == Fate.NOT_RECEIVED).sum() > 2
    assert unlike(found, records_of(EventEngine(), scenario)) == []


def test_an_immunity_above_every_slew_changes_no_record():
    values = RETURNED | {"conversions": 3000, "trials": 2, "transient": [RARE]}
    plain = records_of(BatchEngine(), serial(values | {"transient": None}))
    immune = values | {"barrier.slew_immunity": "80 kV/us"}
    assert unlike(records_of(BatchEngine(), serial(immune)), plain) == []


def test_windows_of_a_long_trial_are_let_go():
    kept = windows_kept(serial({"conversions": 40_000, "transient": [RARE], **FORWARD}))
    # Some 2000 events; of those that are kept a few hundred at most have been worked out together.
    assert max(kept) < 800
