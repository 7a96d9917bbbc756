"""To which trigger the host takes each frame to belong, and what it is told: by hand, and against
the event engine's host, which keeps a list of its own."""

from __future__ import annotations

import os
from types import SimpleNamespace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from simlink.base import compiled
from simlink.base.instants import NEVER
from simlink.engines.batch import BatchEngine
from simlink.engines.event import EventEngine
from simlink.engines.event.trigger import TriggerTimer
from simlink.figures import tally as tally_module
from simlink.figures.adding import SUMS
from simlink.figures.associating import Association
from simlink.figures.association import waits
from simlink.figures.tally import Tally
from simlink.records import UNREQUESTED, Cause, Fate, FrameBlock
from tests.engines.agreement import short_stretches
from tests.engines.chain import NS, chain
from tests.engines.host_clocked_scenarios import serial_scenarios
from tests.strategies import scenarios

MANY = int(os.environ.get("SIMLINK_MANY") or 1000)

D, M, V, U, C = (
    Fate.DELIVERED, Fate.MISSED_TRIGGER, Fate.OVERRUN, Fate.UNDERRUN, Fate.CORRUPTED,
)  # fmt: skip
N, F, X = Fate.NOT_RECEIVED, Fate.IN_FLIGHT, Fate.DROPPED
#: A trigger that was lost on its way to the converter; its fate is that of any lost frame.
L = "lost"


def records(
    fates,
    *,
    period=1000,
    release=300,
    read=500,
    timeout=None,
    bits=0,
    failed=(),
    errors=(),
    extras=(),
    **values,
):
    """Return hand-made records: trigger k at k periods, released and read so long after it.

    The check of the conversions named in ``failed`` fails; ``errors`` gives what is added to the
    counter of conversions; ``extras`` are frames that no trigger asked for: the conversion that
    each comes after, its release and the end of its read in ns, None where there is none, and what
    its counter says, if the host believes it.

    Returns
    -------
    (Scenario, FrameBlock)
    """
    values = {"conversions": len(fates), "trigger.rate": "1 MHz"} | values
    if bits:
        values["check.sequence_bits"] = bits
    if timeout is not None:
        values["host.timeout"] = f"{timeout} ns"
    scenario = chain(values)
    block = FrameBlock.blank(range(1), 0, len(fates), None)
    for k, fate in enumerate(fates):
        block.due[0, k] = block.trigger[0, k] = k * period * NS
        block.fate[0, k] = N if fate is L else fate
        if fate not in (M, L):
            block.aperture[0, k] = k * period * NS
        if fate in (D, U, C, X):
            block.release[0, k] = (k * period + release) * NS
            block.service[0, k] = block.read_start[0, k] = block.release[0, k]
            block.read_end[0, k] = (k * period + read) * NS
        if timeout is not None:
            block.timed_out[0, k] = fate not in (D, U, C) or release > timeout
    block.check_failed[0, list(failed)] = True
    for k, error in errors:
        block.counter_error[0, k] = error
    if extras:
        block.unrequested = np.zeros(len(extras), dtype=UNREQUESTED)
        for place, (after, release, ends, *counter) in enumerate(extras):
            told = [NEVER if one is None else round(one * NS) for one in (release, ends)]
            block.unrequested[place] = (
                *(0, after, 0, 0, told[0], told[1], told[1], 0, D),
                *(False, *(counter or [-1])),
            )
    return scenario, block


def link(fates, **values):
    """Associate the records of `records`.

    Returns
    -------
    (list of int or None, list of bool, Tally)
        What the host believes, what is told, and the sums.
    """
    scenario, block = records(fates, **values)
    tally = Tally(scenario, range(1), keeps=True)
    tally.add(block)
    (found,) = tally.closed().values()
    believed = [None if one < 0 else one for one in found["believed"][0].tolist()]
    return believed, found["told"][0].tolist(), tally


def answered(fates, **values):
    """Return which conversion the host takes each extra frame of `records` for, None for none."""
    scenario, block = records(fates, **values)
    association = Association(scenario, keeps=True)
    association.add(block, np.zeros(1, dtype=SUMS), short=True)
    (found,) = association.beliefs.values()
    return [None if one < 0 else one for one in found.tolist()]


def total(tally, name):
    return int(getattr(tally, name).sum())


def test_a_missed_trigger_shifts_one_word_where_the_link_falls_idle():
    """Trigger 1 stays unanswered, so frame 2 is taken for its own; then busy is low, and 3 is 3."""
    believed, told, tally = link([D, M, D, D, D])
    assert believed == [0, None, 1, 3, 4]
    assert told == [False] * 5
    assert total(tally, "misaligned_silent") == total(tally, "lost_silent") == 1
    assert total(tally, "silent") == 2
    assert (total(tally, "damaged"), total(tally, "spells"), total(tally, "longest")) == (2, 1, 2)


@pytest.mark.parametrize("size", [1, 2, 3])
def test_block_by_block_it_is_the_same(size):
    """The numbers, and the run of damaged conversions, go on from one block to the next."""
    fates = [D, M, D, D, D]
    scenario, whole = records(fates)
    tally = Tally(scenario, range(1), keeps=True)
    for first in range(0, len(fates), size):
        tally.add(FrameBlock(range(1), first, whole.records[:, first : first + size]))
    (found,) = tally.closed().values()
    assert found["believed"][0].tolist() == [0, -1, 1, 3, 4]
    assert (total(tally, "damaged"), total(tally, "spells"), total(tally, "longest")) == (2, 1, 2)


def test_a_missed_trigger_shifts_every_later_word_where_nothing_puts_the_host_right():
    believed, _, tally = link([D, M, D, D, M, D], **{"host.realign": "never"})
    assert believed == [0, None, 1, 2, None, 3]
    assert total(tally, "misaligned_silent") == 3
    assert total(tally, "longest") == 5


@pytest.mark.parametrize(("read", "third"), [(1000, 3), (1001, 2)])
def test_a_link_is_idle_only_if_no_trigger_was_sent_since(read, third):
    """At the instant at which the next trigger leaves the read ends first."""
    believed, _, _ = link([D, M, D, D, D], release=900, read=read)
    assert believed == [0, None, 1, third, third + 1]


@pytest.mark.parametrize("release", [499, 500])
def test_a_link_is_idle_only_if_nothing_waits(release):
    """Frame 2 is read at 3500; frame 3 waits then, or is on its way and busy is high."""
    believed, _, _ = link([D, M, D, D, D], release=release, read=1500)
    assert believed == [0, None, 1, 2, 3]


@pytest.mark.parametrize(
    ("timeout", "believed"),
    [(1499, [0, None, 2, 3]), (1500, [0, None, 1, 3])],
)
def test_a_trigger_that_is_given_up_in_time_shifts_nothing(timeout, believed):
    """Frame 2 is read at 2500. Trigger 1 is given up at 2499, or at 2500 and after that read."""
    found, told, tally = link([D, M, D, D], timeout=timeout)
    assert found == believed
    assert told == [False, True, False, False]
    assert total(tally, "lost_told") == 1
    assert total(tally, "lost_silent") == 0


def test_a_frame_that_comes_after_it_was_given_up_is_taken_for_the_next():
    """Released 700 after its trigger, given up after 600, read at 1200: trigger 1 has been sent."""
    believed, told, tally = link(
        [D, D, D], release=700, read=1200, timeout=600, **{"host.realign": "never"}
    )
    assert believed == [1, 2, None]
    assert told == [True] * 3
    assert total(tally, "misaligned_told") == 3
    assert total(tally, "silent") == 0


@pytest.mark.parametrize("bits", [1, 2, 3])
@pytest.mark.parametrize("realign", ["never", "idle"])
def test_a_counter_tells_of_fewer_losses_in_a_row_than_it_has_values(bits, realign):
    """One loss fewer than it has values is told, and nothing is taken for another."""
    for lost in range(2**bits + 1):
        fates = [D, *[M, V, N][:lost], *[M] * max(lost - 3, 0), D, D]
        believed, told, tally = link(
            fates, period=1000, release=900, read=1001, bits=bits,
            **{"host.realign": realign},
        )  # fmt: skip
        assert len(fates) == lost + 3
        seen = 0 < lost < 2**bits
        shift = lost if lost == 2**bits else 0
        assert believed == [0, *[None] * lost, 1 + lost - shift, 2 + lost - shift]
        assert told == [False, *[seen] * lost, seen, False]
        assert total(tally, "lost_told") == (lost if seen else 0)
        assert total(tally, "lost_silent") == (0 if seen else lost)
        assert total(tally, "misaligned_silent") == (2 if shift else 0)


def test_what_is_lost_at_the_end_is_told_by_no_counter():
    _, told, _ = link([D, M, D, M], bits=2)
    assert told == [False, True, True, False]


SEQUENCE = {"host.realign": "sequence"}


@pytest.mark.parametrize("bits", [1, 2, 3])
def test_the_counter_picks_the_trigger(bits):
    """Missed triggers, lost frames: up to 2^n - 1 in a row shift nothing, 2^n shift all later."""
    for lost in range(2**bits + 1):
        fates = [D, *[M, V, N][:lost], *[M] * max(lost - 3, 0), D, D]
        believed, told, tally = link(fates, release=900, read=1001, bits=bits, **SEQUENCE)
        seen = 0 < lost < 2**bits
        shift = lost if lost == 2**bits else 0
        assert believed == [0, *[None] * lost, 1 + lost - shift, 2 + lost - shift]
        assert told == [False, *[seen] * lost, seen, False]
        assert total(tally, "silent") == (lost + 2 if shift else 0)


@pytest.mark.parametrize("realign", ["never", "idle", "sequence"])
@pytest.mark.parametrize("bits", [1, 2])
def test_an_idle_link_tells_of_triggers_that_never_came(realign, bits):
    """Each frame is read before the next trigger leaves. Of 2^n - 1 triggers that the converter
    never saw, the host's own count tells as it reads the next frame; the counter picks that frame's
    trigger, and an idle link puts the next frame right. Of 2^n nothing tells."""
    for lost in range(1, 2**bits + 1):
        fates = [D, *[L] * lost, D, D]
        believed, told, _ = link(fates, bits=bits, **{"host.realign": realign})
        seen = lost < 2**bits
        assert told == [False, *[seen] * lost, seen, False]
        first = 1 + lost if realign == "sequence" and seen else 1
        then = 2 + lost if first > 1 or realign == "idle" else 2
        assert believed == [0, *[None] * lost, first, then]


def test_a_link_that_is_never_idle_does_not_tell_of_a_trigger_that_never_came():
    """Released 900 and read 1001 after its trigger: the next has left by then, the last one's not.
    So frame 4 alone finds busy low, five triggers sent, and the counter at four."""
    believed, told, tally = link([D, L, D, D, D], release=900, read=1001, bits=3, **SEQUENCE)
    assert believed == [0, None, 1, 2, 4]
    assert told == [False, False, False, False, True]
    assert total(tally, "misaligned_silent") == 2
    # Where the list of triggers is kept by age the counter is of no help for these.
    assert link([D, L, D, D, D], release=900, read=1001, bits=3)[0] == [0, None, 1, 2, 3]


def test_what_was_learnt_of_lost_triggers_is_kept():
    """Trigger 1 never came, 3 was missed: the counter is one behind from then on."""
    believed, told, _ = link([D, L, D, M, D, D], bits=2, **SEQUENCE)
    assert believed == [0, None, 2, None, 4, 5]
    assert told == [False, True, True, True, True, False]


def test_a_trigger_given_up_is_no_reason_to_count_anew():
    """Trigger 3 was missed and is given up at 3600. As frame 2 is read late, at 3700, the link is
    idle, but the newest trigger was given up: it may have come, so that no count is compared."""
    fates = [D, D, D, M, D, D]
    believed, told, _ = link(fates, read=1700, timeout=600, bits=2, **SEQUENCE)
    assert believed == [0, 1, 2, None, 4, 5]
    assert told == [False, False, False, True, True, False]


def test_a_failed_check_says_nothing_of_the_counter():
    """Frame 1 is dropped: it is taken for the next, and its words are missing. Of the loss ahead
    of a frame that fails, the next good one tells."""
    believed, told, tally = link([D, X, D], failed=[1], errors=[(1, 3)], bits=2, **SEQUENCE)
    assert believed == [0, None, 2]
    assert told == [False, True, False]
    assert (total(tally, "lost_told"), total(tally, "misaligned_told")) == (1, 0)
    believed, told, _ = link([D, M, C, D, D], failed=[2], bits=2, **SEQUENCE)
    assert believed == [0, None, 1, 3, 4]
    assert told == [False, True, True, True, False]


def test_a_frame_read_too_early_says_nothing_of_the_counter():
    """Of a missed trigger ahead of it the frame after it tells; the gap is next to all three."""
    believed, told, _ = link([D, M, U, D, D], bits=2, **SEQUENCE)
    assert believed == [0, None, 1, 3, 4]
    assert told == [False, True, True, True, False]
    assert link([D, D, U, D, D], bits=2, **SEQUENCE)[1] == [False] * 5


def test_a_wrong_counter_is_believed_where_no_check_fails():
    """Frame 1 says 3 for 1: no trigger of that number was sent. Then 2 is due after 3: a gap again.
    An idle link has but one trigger that it can answer. Where the host counts on by age it strikes
    off as many triggers, and has none for frame 1."""
    busy = {"release": 900, "read": 1001, "bits": 2, **SEQUENCE}
    believed, told, _ = link([D, D, D, D], errors=[(1, 2)], **busy)
    assert believed == [0, None, 2, 3]
    assert told == [False, True, True, False]
    believed, told, _ = link([D, D, D, D], errors=[(1, 2)], bits=2, **SEQUENCE)
    assert believed == [0, 1, 2, 3]
    assert told == [False, True, True, False]
    believed, _, _ = link([D, D, D, D], errors=[(1, 2)], bits=2)
    assert believed[1] is None


def test_triggers_that_a_wrong_counter_tells_are_lost_stay_struck_off():
    """Frame 1 says 3 for 1: two would be lost, but trigger 1 alone is unanswered. Then frame 2
    says that 3 and two more are, where 2 alone is unanswered; 3 is in order again."""
    how = {"errors": [(1, 2)], "bits": 2, "host.realign": "never"}
    assert link([D, D, D, D], **how)[0] == [0, None, None, 3]


def test_a_flagged_frame_is_told_of():
    """Wrong words that are used, and a frame of which the check bits alone were hit."""
    believed, told, tally = link([D, C, D, C], failed=[1, 2], **{"check.kind": "parity"})
    assert believed == [0, 1, 2, 3]
    assert told == [False, True, True, False]
    assert (total(tally, "wrong_told"), total(tally, "silent")) == (1, 1)


def test_a_remote_timer_s_conversions_are_counted_by_their_releases():
    """A missed trigger is no release: all later ones are one off, whatever puts others right."""
    remote = {"trigger.source": "remote"}
    assert link([D, M, D, D], **remote)[0] == [0, None, 1, 2]
    assert link([D, M, D, D], bits=1, **remote)[0] == [0, None, 2, 3]


@pytest.mark.parametrize("realign", ["never", "idle"])
def test_a_frame_that_nobody_asked_for_answers_the_oldest_trigger(realign):
    """Read at 800 it answers none, for 1 leaves at 1000; read at 1100 it answers 1, whose own
    frame, read at 1500, is then left over."""
    same = {"host.realign": realign}
    believed, _, tally = link([D, D, D], extras=[(0, 700, 800)], **same)
    assert believed == [0, 1, 2]
    assert (total(tally, "unrequested"), total(tally, "damaged")) == (1, 0)
    believed, told, tally = link([D, D, D], extras=[(0, 700, 1100)], **same)
    assert (believed, told) == ([0, None, 2], [False] * 3)
    assert (total(tally, "unrequested"), total(tally, "misaligned_silent")) == (1, 1)
    # One that is released and never read, and one that the link did not even release, shift none.
    for one in ((0, 700, None), (0, None, None)):
        believed, _, tally = link([D, D, D], extras=[one], **same)
        assert believed == [0, 1, 2]
        assert total(tally, "unrequested") == 1
        assert answered([D, D, D], extras=[one], **same) == [None]


def test_a_frame_that_nobody_asked_for_shifts_all_that_come_after_where_the_link_is_never_idle():
    """Frames are read 1100 after their triggers, so that one more trigger is always unanswered."""
    for realign in ("never", "idle"):
        believed, _, tally = link(
            [D, D, D], release=900, read=1100, extras=[(0, 950, 1150)], **{"host.realign": realign}
        )
        # The last read finds all triggers answered.
        assert believed == [0, 2, None]
        assert total(tally, "misaligned_silent") == 2


@pytest.mark.parametrize(("realign", "last"), [("idle", 3), ("never", 2)])
def test_an_idle_link_puts_the_host_right_after_a_frame_that_nobody_asked_for(realign, last):
    """Trigger 1 is missed, and frame 2 is never read. An extra one is read at 2700: it answers 1,
    and busy is low after it; without that the host goes on with 2."""
    how = {"extras": [(2, 2600, 2700)], "host.realign": realign}
    assert link([D, M, V, D], **how)[0] == [0, None, None, last]
    assert answered([D, M, V, D], **how) == [1]


@pytest.mark.parametrize(
    ("scheme", "release", "third"),
    [
        # Frame 2 is read at 2500: told of the extra one before that, the host is not idle.
        ("remote_master", 2500 - 1e-6, 2),
        ("remote_master", 2500, None),
        # Without a FIFO it knows at the instant itself.
        ("forwarded_clock", 2500, 2),
        ("forwarded_clock", 2500 + 1e-6, None),
    ],
)
def test_a_link_is_idle_only_if_no_frame_that_nobody_asked_for_waits(scheme, release, third):
    """Trigger 1 is missed; frame 2 is taken for its own. The extra one, read at 2600, answers 2 if
    that is still unanswered, and none if the idle link has put the host right."""
    how = {"extras": [(2, release, 2600)], "link.scheme": scheme}
    assert link([D, M, D, D], **how)[0] == [0, None, 1, 3]
    assert answered([D, M, D, D], **how) == [third]


def test_a_second_frame_that_nobody_asked_for_waits_while_the_first_is_read():
    """Triggers 1 and 2 are missed; frame 3 answers 1, and the extra ones 2 and 3."""
    fates = [D, M, M, D, D]
    both = [(3, 3450, 3600), (3, 3460, 3700)]
    assert link(fates, extras=both)[0] == [0, None, None, 1, 4]
    assert answered(fates, extras=both) == [2, 3]
    # The second comes too late to be waited for: the first one finds the link idle after it.
    assert answered(fates, extras=[(3, 3450, 3600), (3, 3650, 3700)]) == [2, None]


def test_the_counter_of_a_frame_that_nobody_asked_for_tells_of_a_loss_ahead_of_it():
    """Frame 1 is gone, number 2 is one that nobody asked for. Its one bit shows 0 where 1 is due,
    and the idle link says that it is one more than was sent."""
    busy = {"release": 900, "read": 1001, "bits": 1, "errors": [(2, 1), (3, 1)]}
    one = (1, 1700, 1900, 0)
    believed, told, _ = link([D, V, D, D], extras=[one], **busy)
    assert (believed, told) == ([0, None, 2, 3], [False, True, False, False])
    # One whose counter is not believed is taken to be number 1: then frame 2 says that one is lost,
    # and the idle link at the end that the counts do not agree.
    told = link([D, V, D, D], extras=[one[:3]], **busy)[1]
    assert told == [False, True, True, True]


def test_a_false_trigger_stands_for_one_that_is_lost():
    """Nothing tells: the numbers are those of the triggers sent."""
    values = {"bits": 2, "errors": [(2, 1 ^ 2), (3, 2 ^ 3)], "extras": [(1, 1500, 1700, 1)]}
    believed, told, tally = link([D, L, D, D], **values)
    assert (believed, told) == ([0, None, 2, 3], [False] * 4)
    assert answered([D, L, D, D], **values) == [1]
    assert (total(tally, "lost_silent"), total(tally, "unrequested")) == (1, 1)


@pytest.mark.parametrize(("realign", "second"), [("idle", None), ("sequence", 1)])
def test_a_frame_that_nobody_asked_for_is_taken_to_be_the_next_if_its_check_fails(realign, second):
    """Frame 1 then says 1 where 2 is due: as if three had been lost. What was not sent is not
    struck off."""
    values = {"bits": 2, "extras": [(0, 600, 700)], "host.realign": realign}
    believed, told, tally = link([D, D, D], **values)
    assert (believed, told) == ([0, second, 2], [False, True, False])
    assert total(tally, "misaligned_silent") == 0


def test_the_counts_are_compared_once_no_frame_that_nobody_asked_for_waits():
    """Trigger 1 is lost. As frame 2, of number 1, has been read, another one waits, of number 2:
    then as many have come as were sent."""
    values = {"bits": 2, "errors": [(3, 2 ^ 3)]}
    believed, told, _ = link([D, L, D, D], extras=[(2, 2400, 2600, 2)], **values)
    assert (believed, told) == ([0, None, 1, 3], [False] * 4)
    # Released as late as that it is not waited for, and the lost one is told of, then it itself.
    told = link([D, L, D, D], extras=[(2, 2500, 2600, 2)], **values)[1]
    assert told == [False, True, True, False]


def test_a_release_that_nobody_asked_for_counts_with_a_remote_timer():
    """The extra one, released at 700, is taken for conversion 1, and all later ones are one off."""
    remote = {"trigger.source": "remote"}
    assert link([D, D, D], extras=[(0, 700, 800)], **remote)[0] == [0, 2, 3]
    assert answered([D, D, D], extras=[(0, 700, 800)], **remote) == [1]
    # Released and never read: the idle link tells that there was one more.
    assert link([D, D, D], extras=[(0, 700, None)], **remote)[0] == [0, 1, 3]


def test_causes():
    """Of three frames never received the first was not sampled, the second took a slot, and the
    last was held back for want of one; only the frame that began and ended short is told of."""
    tally = Tally(chain({"conversions": 10, "fifo.when_full": "stall"}), range(1), keeps=True)
    block = FrameBlock.blank(range(1), 0, 10, None)
    block.trigger[0] = np.arange(10)
    block.fate[0] = [D, M, V, U, C, N, F, N, N, C]
    block.aperture[0, 7:] = 8
    block.occupancy_at_arrival[0, 7] = 0
    block.hit[0, 9] = (1 << Cause.DATA) + (1 << Cause.SLIP)
    tally.add(block)
    (found,) = tally.closed().values()
    none, full, late = Cause.NONE, Cause.FULL, Cause.LATE
    assert found["cause"][0].tolist() == [
        none, Cause.OCCUPIED, full, late, Cause.TIMING, Cause.TRIGGER, none, Cause.STROBE, full,
        Cause.SLIP,
    ]  # fmt: skip
    assert np.flatnonzero(found["told"][0]).tolist() == [7]


def beliefs(monkeypatch, scenario):
    """Return the event engine's records, and what its host itself believes by conversion."""
    found = {}
    has_read = TriggerTimer.has_read

    def noted(self, frame):
        found[self.trial.number, frame.index] = frame.believed
        has_read(self, frame)

    with monkeypatch.context() as patch:
        patch.setattr(TriggerTimer, "has_read", noted)
        blocks = list(EventEngine().run(scenario, range(scenario.trials), words=False))
    return blocks, found


def checked(scenario):
    monkeypatch = pytest.MonkeyPatch()
    blocks, known = beliefs(monkeypatch, scenario)
    if any((np.diff(block.trigger[block.trigger != NEVER]) < 0).any() for block in blocks):
        return  # The event engine's host keeps its list in the order in which triggers leave.
    with short_stretches():
        hasty = list(BatchEngine().run(scenario, range(scenario.trials), words=False))
    for found in (blocks, hasty):
        tally = Tally(scenario, range(scenario.trials), keeps=True)
        for block in found:
            tally.add(block)
        kept = tally.closed()
        for trials, outcomes in kept.items():
            for row, trial in enumerate(trials):
                for k, believed in enumerate(outcomes["believed"][row].tolist()):
                    record = blocks[trial].records[0, k]
                    expected = known.get((trial, k)) if record["read_end"] != NEVER else None
                    assert (None if believed < 0 else believed) == expected, (trial, k)
        lost = sum(tally.of_fate(fate) for fate in (M, V, N))
        assert np.array_equal(lost, tally.lost_told + tally.lost_silent)


REALIGN = st.sampled_from(["never", "idle"])


@settings(max_examples=max(1, MANY // 50))
@given(scenarios(), REALIGN)
def test_it_is_what_the_event_engine_s_host_believes(scenario, realign):
    checked(scenario.with_value("host.realign", realign))


@settings(max_examples=max(1, MANY // 50))
@given(serial_scenarios(), REALIGN)
def test_it_is_what_a_host_believes_that_clocks_the_converter(scenario, realign):
    checked(scenario.with_value("host.realign", realign))


@pytest.mark.skipif(compiled.why_plain() is not None, reason="nothing is compiled")
@pytest.mark.parametrize(("timeout", "bits"), [(None, 0), ("3 us", 0), (None, 2), ("3 us", 2)])
def test_compiled_it_is_the_same(timeout, bits, monkeypatch):
    """A link that loses a part of its frames, in blocks of fewer conversions than a trial has."""
    values = {"conversions": 20_000, "trials": 2, "fifo.depth": 1, "host.timeout": timeout}
    values["host.service_latency"] = {"shape": "exponential", "mean": "700 ns"}
    if bits:
        values |= {"check.sequence_bits": bits, "host.realign": "sequence"}
    scenario = chain(values)
    found = []
    for short in (10**9, 0):
        monkeypatch.setattr(tally_module, "SHORT", short)
        tally = Tally(scenario, range(2), keeps=True)
        for block in BatchEngine().run(scenario, range(2), words=False):
            tally.add(block)
        assert total(tally, "lost_told" if bits else "misaligned_silent") > 0
        found.append((tally.sums, [one.tobytes() for one in tally.closed().values()]))
    assert found[0][0].tobytes() == found[1][0].tobytes()
    assert found[0][1] == found[1][1]


def test_of_frames_that_nobody_asked_for_none_is_looked_at_beyond_the_first_told_of_later():
    """Else a long run takes a time that grows with the square of their number."""
    one = SimpleNamespace(trial=0, after=3, release=50)
    assert waits(SimpleNamespace(fifo=True), [one, None], 0, 0, 2, 51)
    assert not waits(SimpleNamespace(fifo=True), [one, None], 0, 0, 2, 50)
