"""Frames that are asked for once more, since their check failed: hand-worked, and at random.

The chain of `hitting` with a parity bit: trigger k leaves at 1000 (k + 1), all in ns. Busy falls
210 later, the clock starts 5 after that and lasts 100. Bit i is captured 10 + 20 i after its start
and is pushed 15 later; busy falls at the host 6 after the last one, at 1326. The service takes 100
and the read 50, to 1476. A request crosses in 10; with the lanes free the repeated frame starts
then: its last bit is captured 90 later, pushed at 115, released at 121 from the end of the read.
"""

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simlink.base.errors import InputError
from simlink.base.instants import NEVER
from simlink.engines.batch import BatchEngine
from simlink.engines.batch.branching import NoBranchesError, refuse
from simlink.engines.choice import choose
from simlink.engines.event import EventEngine
from simlink.engines.event.wiring import Chain, blank
from simlink.figures.host_view import host_view
from simlink.link.fate import Fate
from simlink.proofs.bounds import depth_bound
from simlink.proofs.ends import HARD, UnboundedError
from simlink.proofs.release import release_bound
from simlink.rare.queue import NoQueueError, queue_of
from simlink.records import RECORD, Cause
from simlink.running.run import run
from simlink.scenario.loading import from_dict
from simlink.tracing.measured import edges_of, measure
from simlink.tracing.trace import trace
from tests.conftest import MANY
from tests.engines.agreement import differences, records_of, unlike
from tests.engines.chain import NS, chain, noting_beliefs, put, record
from tests.engines.host_clocked_scenarios import serial
from tests.engines.test_checks import CHECKED, PARITY, hitting, told
from tests.engines.test_transients import LANES, PACKETS, RETURN, at, raw_upset_scenario
from tests.strategies import FINE, GRIDS

REPEAT = {"check.on_failure": "repeat", "check.kept_frames": 2, "check.repeat_timeout": "1 us"}
DROPS = {"check.on_failure": "drop", "check.kept_frames": None, "check.repeat_timeout": None}
BOTH = {"barrier.forward.slew_immunity": "50 kV/us"}


def asked(patterns, *more, **values):
    """Return a chain whose conversion k has the bits of pattern k inverted, and more events."""
    values = PARITY | REPEAT | {key.replace("__", "."): one for key, one in values.items()}
    scenario = hitting(values, patterns)
    times = [*scenario.transient[0].times]
    made = [f"{time.constant_value} fs" for time in times] + [f"{time} fs" for time in more]
    return scenario.with_values({"transient": [EDGE | {"times": made}]})


#: A window of 5 ns.
EDGE = {"kind": "at", "slew": "80 kV/us", "swing": "400 V"}


@st.composite
def repeating(draw):
    """Draw a random scenario with transients and frames that are asked for once more."""
    raw = draw(raw_upset_scenario(draw(st.sampled_from([FINE, *GRIDS]))))
    values = draw(CHECKED) | {"check.sequence_bits": draw(st.integers(0, 3))}
    if not values["check.sequence_bits"] and "check.kind" not in values:
        values |= PARITY
    if raw["barrier"]["return"].get("style") == "packets":
        values["check.over"] = draw(st.sampled_from(["frame", "packet"]))
    elif raw["fifo"].get("realign") == "never":
        values |= {"barrier.return.strobe": False, "fifo.realign": None, "fifo.realign_gap": None}
    waits = draw(st.sampled_from(["1 ns", "300 ns", "2 us", "20 us"]))
    kept = draw(st.integers(1, 3))
    realign = ["never", "idle", "sequence"] if values["check.sequence_bits"] else ["never", "idle"]
    values |= REPEAT | {"check.repeat_timeout": waits, "check.kept_frames": kept}
    values |= {"host.realign": draw(st.sampled_from(realign)), "barrier.false_edge": None}
    if not draw(st.integers(0, 3)):
        values |= {"transient": None}
    return from_dict(put(raw, values))


def test_a_word_is_mended_and_takes_longer():
    scenario = asked([[], [1], [], []])
    block, outcomes, found = told(scenario)
    assert (block.fate[0] == Fate.DELIVERED).all()
    assert (block.request[0, 1], block.read_end[0, 1]) == (2476 * NS, (2476 + 121 + 50) * NS)
    assert (np.delete(block.request[0], 1) == NEVER).all()
    # The rest is as it is without: the release, and when the first read began.
    plain = record(scenario.with_value("transient", None))
    for name in set(RECORD.names) - {"request", "read_end", "hit"}:
        assert np.array_equal(block.records[name], plain.records[name]), name
    assert not outcomes["told"].any()
    assert outcomes["believed"].tolist() == [0, 1, 2, 3]
    assert outcomes["cause"].tolist() == [Cause.NONE] * 4
    assert (found["repeated"].count, found["mended"].count, found["silent"].count) == (1, 1, 0)
    assert found["dropped"].count == found["lost_told"].count == 0
    assert found["latency_read_largest_seen"].value == pytest.approx(647e-9)


@pytest.mark.parametrize(("wait", "mended"), [("121 ns", False), ("121000001 fs", True)])
def test_the_host_waits_no_longer_than_it_said(wait, mended):
    """At the very instant of its release slots are freed first: the frame comes too late."""
    block, outcomes, found = told(asked([[], [1], []], check__repeat_timeout=wait))
    fate = Fate.DELIVERED if mended else Fate.DROPPED
    assert block.fate[0].tolist() == [0, fate, 0]
    assert block.read_end[0, 1] == (2647 if mended else 2597) * NS
    assert outcomes["told"].tolist() == [False, not mended, False]
    assert outcomes["believed"].tolist() == [0, 1 if mended else -1, 2]
    assert (found["repeated"].count, found["mended"].count) == (1, int(mended))
    assert (found["lost_told"].count, found["silent"].count) == (int(not mended), 0)


@pytest.mark.parametrize(
    ("more", "fate", "is_told"),
    [
        # Bit 0 of the repeated frame is on its lane from 2496 to 2511, bit 1 from 2516 to 2531.
        ([2491 * NS], Fate.DELIVERED, False),
        ([2491 * NS + 1], Fate.DROPPED, True),
        ([2511 * NS - 1], Fate.DROPPED, True),
        ([2511 * NS], Fate.DELIVERED, False),
        # Two wrong bits that the parity passes: nobody is told.
        ([2500 * NS, 2520 * NS], Fate.CORRUPTED, False),
    ],
)
def test_a_repeated_frame_may_be_hit_as_well(more, fate, is_told):
    block, outcomes, found = told(asked([[], [1], []], *more))
    assert block.fate[0].tolist() == [0, fate, 0]
    assert block.read_end[0, 1] == 2647 * NS
    assert outcomes["told"][1] == is_told
    assert outcomes["cause"][1] == (Cause.NONE if fate == Fate.DELIVERED else Cause.DATA)
    assert block.wrong_bits[0, 1] == {Fate.DELIVERED: 0, Fate.DROPPED: 1, Fate.CORRUPTED: 2}[fate]
    assert found["silent"].count == (fate == Fate.CORRUPTED)
    # There is one try.
    assert (block.request[0] != NEVER).sum() == 1


@pytest.mark.parametrize(
    ("time", "lost"),
    [(2471 * NS, 0), (2471 * NS + 1, 1), (2486 * NS - 1, 1), (2486 * NS, 0)],
)
def test_a_request_may_be_lost(time, lost):
    block, outcomes, _ = told(asked([[], [1], []], time, **BOTH))
    assert block.fate[0].tolist() == [0, Fate.DROPPED if lost else 0, 0]
    # Nothing comes within the microsecond.
    assert block.read_end[0, 1] == (3476 if lost else 2647) * NS
    assert outcomes["told"][1] == bool(lost)


@pytest.mark.parametrize(
    ("late", "kept", "fate"),
    [
        # Busy of conversion 2 falls as the request comes, at 3210, and takes its place first.
        (Fraction(824), 1, Fate.DROPPED),
        (Fraction(824), 2, Fate.DELIVERED),
        (824 - Fraction(1, 10**6), 1, Fate.DELIVERED),
    ],
)
def test_a_frame_is_kept_until_newer_ones_take_its_place(late, kept, fate):
    latency = f"{int(late * 10**6)} fs"
    scenario = asked([[], [1], []], host__service_latency=latency, check__kept_frames=kept)
    block, outcomes, _ = told(scenario)
    assert block.request[0, 1] == (2326 + late + 50) * NS
    assert block.fate[0].tolist() == [0, fate, 0]
    assert outcomes["told"][1] == (fate == Fate.DROPPED)
    # The frame behind starts at 3215, and the repeated one after it at 3315; or the repeated one
    # as its request comes, and the frame behind 100 later.
    ahead = late != 824
    start = (2326 + late + 60 + 100) if ahead else Fraction(3215)
    words = record(scenario)
    assert words.last_bit[0, 2, 0, 0] == (start + 70 + 15) * NS
    if fate == Fate.DELIVERED:
        again = (2326 + late + 60) if ahead else Fraction(3315)
        assert block.read_end[0, 1] == (again + 111 + 50) * NS
        assert block.read_end[0, 2] >= block.read_end[0, 1] + 50 * NS


@pytest.mark.parametrize("comes", [True, False])
def test_frames_behind_wait_and_the_slot_is_held(comes):
    """A trigger every 400 ns, two slots. Conversion 1 is triggered at 800 and asked for at 1276.

    Its request comes, and it is read again by 1447; or it is lost, and the host waits until 2276.
    Meanwhile frame 2 takes the other slot, and 3 and 4, of which the first bits are pushed at 1840
    and 2240, find none.
    """
    values = {"conversions": 8, "trigger.rate": "2.5 MHz", "host.clock": "100 MHz"}
    times = [1050 * NS] if comes else [1050 * NS, 1276 * NS]
    block, outcomes, _ = told(chain(at(LANES | BOTH | PARITY | REPEAT | values, *times)))
    assert block.request[0, 1] == 1276 * NS
    fates = [0] * 8 if comes else [0, Fate.DROPPED, 0, Fate.OVERRUN, Fate.OVERRUN, 0, 0, 0]
    assert block.fate[0].tolist() == fates
    assert block.read_end[0, 1] == (1447 if comes else 2276) * NS
    # The next service takes its own latency.
    assert block.read_start[0, 2] == (1626 if comes else 2376) * NS
    if not comes:
        assert block.occupancy_at_arrival[0].tolist() == [0, 0, 1, 2, 2, 0, 0, 0]
    assert outcomes["told"].tolist() == [False] + [not comes] + [False] * 6


def test_its_latency_is_measured_to_the_end_of_the_second_read():
    spans = measure(edges_of(trace(asked([[], [1], []]), range(0, 3))))
    by = {}
    for one in spans:
        if one.conversion == 1:
            by.setdefault(one.symbol, []).append(one.length)
    assert by["t_LAT"] == [647 * NS]
    assert by["t_READ"] == [50 * NS, 50 * NS]
    assert by["t_WAIT"] == [100 * NS]
    # Of every bit that was captured, and of those sent again out of the memory.
    assert by["t_PD,R"] == [15 * NS] * 10


def test_it_costs_a_channel_each_way_and_a_check():
    from simlink.budget.channels import signals

    scenario = chain(PARITY | REPEAT)
    plain = chain(PARITY)
    more = signals(scenario, "remote_master"), signals(plain, "remote_master")
    assert more[0].forward == more[1].forward | {"request": 1}
    assert more[0].back == more[1].back | {"repeat mark": 1}
    packets = chain(PARITY | REPEAT | PACKETS)
    assert "repeat mark" not in signals(packets, "remote_master").back


@pytest.mark.parametrize(
    ("values", "key", "said"),
    [
        ({"check.kind": "none"}, "check.on_failure", "only with check.kind"),
        ({"check.kept_frames": None}, "check.kept_frames", 'missing; on_failure = "repeat" needs'),
        ({"check.repeat_timeout": None}, "check.repeat_timeout", "missing; on_failure"),
        ({"check.on_failure": "drop"}, "check.repeat_timeout", "only with check.on_failure"),
        ({"barrier.return.strobe": True, "fifo.realign": "never"}, "fifo.realign", 'only "gap"'),
    ],
)
def test_what_it_needs(values, key, said):
    with pytest.raises(InputError) as caught:
        chain(LANES | PARITY | REPEAT | values)
    (line,) = [one for one in str(caught.value).splitlines() if f": {key}: " in one]
    assert said in line


@pytest.mark.parametrize("scheme", ["forwarded_clock", "returned_clock"])
def test_a_converter_that_the_host_clocks_keeps_no_frame(scheme):
    with pytest.raises(InputError, match="keeps no frame to send again"):
        serial(PARITY | REPEAT | {"link.scheme": scheme})


@settings(max_examples=max(1, MANY // 50))
@given(repeating())
def test_the_engines_agree(scenario):
    """The batch engine leaves to the event engine each trial in which an event may hit a frame."""
    said = BatchEngine().refuses(scenario)
    if said is not None:
        assert choose("auto", scenario)[0].name == "event"
        return
    assert differences(scenario) == []


@pytest.mark.parametrize("style", [{"barrier.return.strobe": False}, {}, PACKETS])
def test_only_trials_that_an_event_may_hit_are_left_to_the_event_engine(style, monkeypatch):
    rare = {"kind": "poisson", "rate": "30 kHz", "slew": "80 kV/us", "swing": "400 V"}
    values = RETURN | PARITY | REPEAT | {"conversions": 40, "trials": 180, "transient": [rare]}
    scenario = chain(values | style)
    whole, run_whole = [], EventEngine.run

    def noted(self, scenario, trials, **options):
        whole.extend(trials)
        return run_whole(self, scenario, trials, **options)

    expected = records_of(EventEngine(), scenario)
    monkeypatch.setattr(EventEngine, "run", noted)
    found = records_of(BatchEngine(), scenario)
    assert unlike(found, expected) == []
    asked_in = np.flatnonzero((expected["request"] != NEVER).any(axis=1)).tolist()
    assert asked_in
    assert set(asked_in) <= set(whole)
    assert len(whole) < 90


def test_the_batch_engine_refuses_what_needs_more_than_that_by_name():
    values = {"barrier.return.jitter": {"shape": "normal", "mean": "0 ps", "sigma": "3 ns"}}
    said = BatchEngine().refuses(chain(PARITY | REPEAT | values))
    assert said is not None
    assert "it judges no check" in said


def test_what_is_computed_or_proven_without_it_refuses_it():
    scenario = chain(LANES | PARITY | REPEAT)
    with pytest.raises(NoQueueError, match=r"check\.on_failure: got repeat; flag or drop"):
        queue_of(scenario)
    with pytest.raises(NoBranchesError, match=r"check\.on_failure: got repeat; flag or drop"):
        refuse(scenario)
    for proof in (depth_bound, release_bound):
        with pytest.raises(UnboundedError, match="asked for once more"):
            proof(scenario, HARD)
    # The same without it is proven.
    assert depth_bound(scenario.with_values(DROPS), HARD).depth <= scenario.fifo.depth


def test_packets_are_repeated_too():
    """Two packets of 1 + 2 + 1 bits: the second one's data inverted, and the repeated one whole."""
    values = PACKETS | PARITY | REPEAT | {"check.over": "packet", "conversions": 200}
    source = {"kind": "locked", "offset": "349 ns", "slew": "80 kV/us", "swing": "80 V"}
    block, outcomes, found = told(chain(values | {"transient": [source]}))
    assert (block.fate[0] == Fate.DELIVERED).all()
    assert 0 < found["repeated"].count == found["mended"].count < 200
    assert not outcomes["told"].any()
    drops = record(chain(values | DROPS | {"transient": [source]}))
    assert np.array_equal(drops.fate[0] == Fate.DROPPED, block.request[0] != NEVER)


def test_a_repeated_frame_that_ends_short_is_never_released():
    """A strobe of it is lost, so that its last place stays empty, and the host waits in vain."""
    values = {**RETURN, "conversions": 3, "host.clock": "100 MHz"} | PARITY | REPEAT
    # Strobe and lanes are upset alike: bit 1 of conversion 1 alone is hit between two strobes.
    plain = chain(at(values, 2251 * NS, swing=80))
    block = record(plain)
    if block.request[0, 1] == NEVER:
        pytest.fail("the first frame has to fail its check")
    start = int(block.request[0, 1]) + 10 * NS
    # Of the repeated frame the strobe of bit 0 is on its way from 20 to 35 after its start.
    twice = record(chain(at(values, 2251 * NS, start + 26 * NS, swing=80)))
    assert block.fate[0, 1] == Fate.DELIVERED
    assert twice.fate[0, 1] == Fate.DROPPED
    assert twice.read_end[0, 1] == block.request[0, 1] + 1000 * NS
    assert (twice.fate[0, 2], block.fate[0, 2]) == (Fate.DELIVERED, Fate.DELIVERED)


def checked(scenario):
    """Check what holds of any run; return its records."""
    block = blank(scenario, 0, words=True)
    made = Chain(scenario, 0, block)
    beliefs = noting_beliefs(made)
    made.run()
    sent = block.trigger[0] != NEVER
    assert (block.fate[0][sent] >= 0).all()
    assert (block.fate[0][~sent] == Fate.NOT_SENT).all()
    watched = blank(scenario, 0, words=True)
    every = Chain(scenario, 0, watched)
    every.signals.every_edge = True
    every.run()
    assert watched.same_as(block)
    was_asked = block.request[0] != NEVER
    fates = set(block.fate[0][was_asked].tolist())
    assert fates <= {Fate.DELIVERED, Fate.CORRUPTED, Fate.DROPPED, Fate.UNDERRUN}
    # Whatever is dropped was asked for; whatever fails its check, too.
    assert was_asked[block.fate[0] == Fate.DROPPED].all()
    assert not block.check_failed[0][was_asked & (block.fate[0] == Fate.DELIVERED)].any()
    wait = scenario.check.repeat_timeout.constant_value
    taken = (block.read_end[0] - block.request[0])[was_asked]
    again = int(Chain(scenario, 0, blank(scenario, 0, words=True)).trial.host_falling[-1])
    assert ((taken > 0) & (taken < wait + again) | (taken == wait)).all()
    # The host is told of what it does not use.
    view = host_view(scenario, block)[0]
    assert view["told"][block.fate[0] == Fate.DROPPED].all()
    # Without a counter the host's own counts say the same of what it believes.
    if not scenario.check.sequence_bits and block.unrequested is not None:
        ends = block.read_end[0]
        order = [int(k) for k in np.argsort(ends, kind="stable") if ends[k] != NEVER]
        if not len(block.unrequested):
            used = [k for k in order if block.fate[0, k] != Fate.DROPPED]
            seen = dict(zip(order, beliefs, strict=True))
            expected = [-1 if seen[k] is None else seen[k] for k in used]
            assert [int(view["believed"][k]) for k in used] == expected
    return block


@settings(max_examples=max(1, MANY // 25))
@given(repeating())
def test_random_scenarios(scenario):
    block = checked(scenario)
    # Up to the first request all is as if the host only dropped what fails.
    drops = scenario.with_values(DROPS)
    plain = blank(drops, 0, words=True)
    Chain(drops, 0, plain).run()
    if not (block.request[0] != NEVER).any():
        assert plain.same_as(block)
    else:
        first = int(np.argmax(block.request[0] != NEVER))
        assert plain.fate[0, first] == Fate.DROPPED
        assert plain.read_end[0, first] == block.request[0, first]


def test_a_run_of_it_and_its_ledger(tmp_path):
    scenario = asked([[], [1], []])
    found = run(scenario, workers=1)
    ledger = found.ledger
    assert ledger["t_request"].isna().tolist() == [True, False, True]
    assert "t_request" not in run(chain({"conversions": 3}), workers=1).ledger
    for engine in ("event", "batch"):
        again = run(scenario, workers=1, engine=engine)
        assert again.figures["mended"].count == 1
        assert again.ledger.equals(ledger)
