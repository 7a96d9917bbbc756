"""What holds of every run, tried on random scenarios.

``SIMLINK_MANY=10000 pytest tests/engines/test_conservation.py`` tries more of them.
"""

from __future__ import annotations

import itertools
from collections import Counter
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings

from simlink.base.draws import Column, once
from simlink.base.instants import NEVER
from simlink.records import Fate
from simlink.running.ledger import table
from simlink.scenario.sections import UNSIMULATED
from simlink.scenario.writing import OF_TRANSIENTS, every_key, look_up
from simlink.tracing.trace import trace
from tests import strategies
from tests.conftest import MANY
from tests.engines.chain import chain, record

SECOND = 10**15


@dataclass
class Row:
    """A frame, put together from the rows of its words."""

    index: int
    trigger: int
    aperture: int | None
    ready: int | None
    release: int | None
    start: int | None
    end: int | None
    fate: str
    #: Push times of the first and last bit, by lane, of word after word.
    first: list[list[int]]
    last: list[list[int]]

    @property
    def pushed(self):
        return bool(self.first)

    @property
    def arrival(self):
        return min(lane[0] for lane in self.first)

    @property
    def whole(self):
        return max(lane[-1] for lane in self.last)


def batches(rows, size):
    return [rows[first : first + size] for first in range(0, len(rows), size)]


def frames(scenario, rows):
    """Put the words of a ledger together; every frame's words agree but in their push times."""
    lanes, words = scenario.frame.lanes, scenario.frame.words_per_lane
    found = []
    for group in batches(rows, lanes * words):
        names = ("conversion", "t_trigger", "t_aperture", "t_ready", "t_release")
        names += ("t_read_start", "t_read_end", "fate")
        (shared,) = {tuple(row[name] for name in names) for row in group}
        assert [(row["lane"], row["position"]) for row in group] == list(
            itertools.product(range(lanes), range(words))
        )
        pushes = [[row[name] for row in group] for name in ("t_first_bit", "t_last_bit")]
        there = [one is not None for times in pushes for one in times]
        assert len(set(there)) == 1
        first, last = (batches(times, words) for times in pushes)
        found.append(Row(*shared, *((first, last) if there[0] else ([], []))))
    return found


class Draws:
    """The draws that a run took, made anew."""

    def __init__(self, scenario, trial):
        self.scenario, self.trial = scenario, trial

    def each(self, law, source):
        """Return one draw a conversion."""
        column = Column(law, self.scenario.seed, self.trial, source)
        return column.take(self.scenario.conversions).tolist()

    def unit(self, law, source):
        """Return the draw of a unit."""
        return once(law, self.scenario.seed, self.trial, source)


READ = {"delivered", "underrun", "corrupted"}


def check_words(scenario, rows, block):
    """Triggers x lanes x words = sum over fates; each fate has the instants that it should."""
    sent = int((block.trigger[0] != NEVER).sum())
    fates = Counter(row["fate"] for row in rows)
    assert fates.total() == sent * scenario.frame.lanes * scenario.frame.words_per_lane
    assert sent == scenario.conversions or scenario.trigger.pattern == "after_read"
    for frame in frames(scenario, rows):
        taken = frame.aperture is not None and frame.ready is not None
        released, read = frame.release is not None, frame.start is not None
        assert (frame.end is not None) == read
        assert taken == (frame.fate != "missed_trigger")
        assert read == (frame.fate in READ)
        if frame.fate in READ or frame.fate == "in_flight":
            assert frame.pushed
            assert released
        if frame.fate in ("not_received", "missed_trigger"):
            assert not frame.pushed
        if not frame.pushed:
            assert not released


def fixed_way_out(scenario, draws):
    """Return the fixed part of a trigger's or a credit's crossing, without skew."""
    forward = scenario.barrier.direction("forward")
    delay = draws.unit(forward.delay, "barrier.forward.delay")
    spread = draws.unit(forward.part_to_part_skew, "barrier.forward.spread")
    if "part_to_part_skew" not in forward.delay_covers:
        return delay + spread
    low, high = (round(end) for end in forward.delay.support)
    return sorted((low, delay + spread, high))[1]


def check_converter(scenario, found, draws):
    """A trigger is missed if and only if it arrives before the readout ahead has ended.

    Where the readout may be held back, that end is not in the ledger, and only its bound is used.
    """
    forward = scenario.barrier.direction("forward")
    static = fixed_way_out(scenario, draws)
    jitter = draws.each(forward.jitter, "barrier.forward.jitter")
    aperture = draws.each(scenario.converter.aperture_jitter, "converter.aperture_jitter")
    conversion = draws.each(scenario.converter.conversion_time, "converter.conversion_time")
    delay = draws.each(scenario.remote_clock.start_delay, "remote_clock.start_delay")
    off = draws.unit(scenario.remote_clock.tolerance, "remote_clock.tolerance")
    frequency = scenario.remote_clock.frequency.value * (1 + Fraction(off, 10**12))
    readout = round(scenario.bits_per_lane * SECOND / frequency)
    arrived = ended = -(2**63)
    for frame in found:
        crossing = max(static + jitter[frame.index], 0)
        if scenario.trigger.source == "remote":
            crossing = 0
        arrived = max(arrived, frame.trigger + crossing)
        if frame.fate == "missed_trigger":
            assert arrived < ended or scenario.fifo.when_full == "stall"
            continue
        assert arrived >= ended
        assert frame.aperture == arrived + aperture[frame.index]
        assert frame.ready == arrived + conversion[frame.index]
        ended = frame.ready + delay[frame.index] + readout
        if frame.pushed:
            assert frame.arrival > frame.ready + delay[frame.index]


def check_order(scenario, found, draws):
    """Bits of a lane, releases and reads keep their order; nothing comes before its cause."""
    pushed = [frame for frame in found if frame.pushed]
    for lane in range(scenario.frame.lanes):
        times = [
            time
            for frame in pushed
            for pair in zip(frame.first[lane], frame.last[lane], strict=True)
            for time in pair
        ]
        assert times == sorted(times)
    released = [frame for frame in found if frame.release is not None]
    assert [f.release for f in released] == sorted(f.release for f in released)
    sync = draws.each(scenario.fifo.sync_delay, "fifo.sync_delay")
    every = scenario.fifo.release_bits == scenario.bits_per_lane
    for before, frame in zip([None, *released], released, strict=False):
        assert frame.release >= max(lane[0] for lane in frame.first) + sync[frame.index]
        if every:
            own = frame.whole + sync[frame.index]
            assert frame.release >= own
            if before is not None and before.index == frame.index - 1:
                assert frame.release == max(own, before.release)
    read = [frame for frame in found if frame.fate in READ]
    length = round(scenario.bits_per_lane * SECOND / scenario.host.clock.value)
    latency = draws.each(scenario.host.service_latency, "host.service_latency")
    for before, frame in zip([None, *read], read, strict=False):
        assert frame.end == frame.start + length
        assert frame.start >= frame.release
        if before is not None:
            gap = frame.start - before.end
            assert gap >= 0
            # Back to back within a service, else one latency at the least.
            assert gap == 0 or gap >= latency[frame.index]


def check_underruns(scenario, found):
    """A bit that came after it was taken spoils its frame, and nothing else does.

    The ledger has the first and last bit of each word: with words of up to two bits, all.
    """
    size = scenario.frame.word_bits
    for frame in found:
        if frame.fate not in READ:
            continue
        late = False
        for first, last in zip(frame.first, frame.last, strict=True):
            for position in range(scenario.frame.words_per_lane):
                for bit, came in ((0, first[position]), (size - 1, last[position])):
                    half = Fraction(2 * (position * size + bit) + 1, 2)
                    taken = frame.start + round(half * SECOND / scenario.host.clock.value)
                    late = late or came > taken
        if late:
            assert frame.fate == "underrun"
        elif size <= 2:
            assert frame.fate != "underrun"


def check_slots(scenario, found, block, draws):
    """Walk through the arrivals and keep count of the slots, from the ledger alone."""
    depth, policy = scenario.fifo.depth, scenario.fifo.when_full
    held, evicted = [], 0
    for frame in sorted((f for f in found if f.pushed), key=lambda f: (f.arrival, f.index)):
        now = frame.arrival
        held = [one for one in held if one.end is None or one.end > now]
        assert block.occupancy_at_arrival[0, frame.index] == len(held)
        if len(held) == depth:
            assert policy == "drop_old"
            victim = next(one for one in held if one.fate == "overrun")
            older = held[: held.index(victim)]
            assert all(one.start is not None for one in older)
            assert victim.whole <= now
            held.remove(victim)
            evicted += 1
        held.append(frame)
        assert len(held) <= depth
    lost = [frame for frame in found if frame.fate == "overrun"]
    assert sum(frame.pushed for frame in lost) == evicted
    assert all(
        block.occupancy_at_arrival[0, frame.index] == depth for frame in lost if not frame.pushed
    )
    if policy == "stall":
        assert not lost
        back = fixed_way_out(scenario, draws)
        started = [frame for frame in found if frame.pushed]
        for freed, frame in zip(started, started[depth:], strict=False):
            assert frame.arrival > freed.end + max(back, 0)


def check_timeouts(scenario, found, block, draws):
    """A conversion is given up if and only if it, or a later one, is not released in time."""
    timeout = scenario.host.timeout
    if timeout is None:
        assert not block.timed_out.any()
        return
    for frame in found:
        until = frame.trigger + timeout.constant_value
        in_time = any(
            one.release is not None and one.release <= until for one in found[frame.index :]
        )
        assert block.timed_out[0, frame.index] == (not in_time)
    if scenario.trigger.pattern == "after_read":
        gaps = draws.each(scenario.trigger.gap, "trigger.gap")
        jitter = draws.each(scenario.trigger.jitter, "trigger.jitter")
        for before, frame in itertools.pairwise(found):
            over = before.end
            if block.timed_out[0, before.index]:
                over = before.trigger + timeout.constant_value
            due = over + gaps[frame.index]
            assert frame.trigger == max(due + jitter[frame.index], over)


@settings(max_examples=MANY)
@given(strategies.scenarios())
def test_every_word_has_one_fate_and_every_instant_its_order(scenario):
    for trial in range(scenario.trials):
        block = record(scenario, trial)
        rows = table(block).to_pylist()
        found = frames(scenario, rows)
        draws = Draws(scenario, trial)
        check_words(scenario, rows, block)
        check_converter(scenario, found, draws)
        check_order(scenario, found, draws)
        check_underruns(scenario, found)
        check_slots(scenario, found, block, draws)
        check_timeouts(scenario, found, block, draws)


@settings(max_examples=max(MANY // 5, 100))
@given(strategies.scenarios(conversions=20, trials=1))
def test_a_trace_tells_the_same_story(scenario):
    plain = record(scenario)
    found = trace(scenario, range(scenario.conversions))
    assert found.record.same_as(plain)
    times = [time for time, *_ in found.entries]
    assert times == sorted(times)
    level = 0
    for _, signal, value in found.entries:
        if signal == "fifo.overrun":
            assert level == scenario.fifo.depth
        elif signal == "fifo.level":
            assert 0 <= value <= scenario.fifo.depth
            level = value
    for clock in ("host.clock", "remote.clock", "remote.busy", "host.busy", "host.service"):
        values = [value for _, value in found.of(clock)]
        assert values == [1, 0] * (len(values) // 2) + [1] * (len(values) % 2)
    read = int((plain.read_start[0] != NEVER).sum())
    admitted = int((plain.first_bit[0, :, 0, 0] != NEVER).sum())
    for lane in range(scenario.frame.lanes):
        assert len(found.of(f"host.capture[{lane}]")) == read * scenario.bits_per_lane
        assert len(found.of(f"fifo.push[{lane}]")) == admitted * scenario.bits_per_lane


def test_the_random_scenarios_cover_every_parameter():
    """Every key is set, every choice is made, every law is used; fates come about, but for two
    that are rare: ``not_received``, and a loop that sends no more, which has a test of its own;
    and but for ``dropped``, since no frame carries a check."""
    keys, laws, fates, choices = set(), set(), set(), set()

    def shapes(value):
        if isinstance(value, dict):
            if isinstance(value.get("shape"), str):
                laws.add(value["shape"])
            for inner in value.values():
                shapes(inner)
        elif isinstance(value, list):
            for inner in value:
                shapes(inner)

    @settings(max_examples=500, database=None)
    @given(strategies.scenarios())
    def collect(scenario):
        raw = scenario._raw
        keys.update(key for key in every_key() if look_up(raw, key) is not None)
        shapes(raw)
        fates.update(record(scenario, words=False).fate.ravel().tolist())
        for key in ("trigger.pattern", "trigger.source", "barrier.return.style"):
            choices.add(look_up(raw, key))
        for key in ("fifo.when_full", "host.interrupt", "remote_clock.capture"):
            choices.add(look_up(raw, key))
        choices.add(f"lanes {scenario.frame.lanes}")
        choices.add(f"words {scenario.frame.words_per_lane}")
        choices.add(f"bits {scenario.frame.word_bits}")
        choices.add(f"read all {scenario.host.drain}")

    collect()
    unsimulated = {key for key, taken in UNSIMULATED.items() if not taken}
    # The two other schemes alone have a capture at the host; neither a waveform dump nor what is
    # required, nor what stands at the inputs, changes a record; what carries checks is drawn in
    # test_checks.
    # What the host believes changes no record either, nor does what the fault line tells it.
    left = set(every_key()) - keys - unsimulated - {"host.capture", "host.realign"}
    # Nothing depends on these without a transient.
    left -= {*OF_TRANSIENTS, *(key for key in left if key.endswith("slew_immunity"))}
    apart = ("dump", "names", "require", "analog", "check", "fault")
    assert {key for key in left if key.partition(".")[0] not in apart} == set()
    every_law = {"uniform", "normal", "exponential", "lognormal", "gamma", "limits"}
    assert laws >= every_law | {"mixture", "two_state", "recorded", "geometric"}
    assert fates >= set(Fate) - {Fate.NOT_RECEIVED, Fate.NOT_SENT, Fate.DROPPED}
    assert choices >= {"periodic", "poisson", "burst", "after_read", "host", "remote"}
    assert choices >= {"bits", "packets", "drop_new", "drop_old", "stall", "level", "edge"}
    assert choices >= {"half", "whole", "read all True", "read all False"}
    assert choices >= {f"bits {n}" for n in range(1, 7)}
    assert choices >= {f"{what} {n}" for what in ("lanes", "words") for n in range(1, 4)}


@pytest.mark.parametrize("strategy", ["fine", "coarse"])
def test_random_scenarios_of_each_kind_have_ties_or_not(strategy):
    """A check of the strategies: coarse times are whole steps, and fine ones are not."""
    on_grid = []

    @settings(max_examples=50, database=None)
    @given(getattr(strategies, strategy)(conversions=5, trials=1))
    def collect(scenario):
        block = record(scenario)
        times = [block.trigger, block.aperture, block.ready, block.release, block.read_end]
        kept = np.concatenate([one[one != NEVER] for one in times])
        on_grid.append(bool((kept % 10**6 == 0).all()))

    collect()
    assert all(on_grid) if strategy == "coarse" else sum(on_grid) < len(on_grid) / 2


def test_a_loop_that_waits_for_a_second_frame_sends_no_more():
    """Frame 0 waits below the watermark of 2, and no trigger leaves before it has been read."""
    loop = {
        "conversions": 3,
        "trigger.pattern": "after_read",
        "trigger.rate": None,
        "trigger.gap": "100 ns",
        "host.timeout": "5 us",
        "host.watermark": 2,
    }
    found = record(chain(loop))
    assert found.fate[0].tolist() == [Fate.IN_FLIGHT, Fate.NOT_SENT, Fate.NOT_SENT]
    assert (found.trigger[0, 1:] == NEVER).all()
