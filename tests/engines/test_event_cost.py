"""What the event engine spends: steps of the queue, counted, and time against bare SimPy."""

from __future__ import annotations

import pytest

from simlink.engines.event.clockwork import Clockwork
from tests.benchmarks import event_engine
from tests.engines.chain import TIGHT, chain, record


@pytest.fixture
def steps(monkeypatch):
    """Run a scenario; return how many events were taken from the queue."""

    def counted(scenario):
        taken = 0
        real = Clockwork.step

        def step(self):
            nonlocal taken
            real(self)  # raises if nothing is left
            taken += 1

        with monkeypatch.context() as patch:
            patch.setattr(Clockwork, "step", step)
            record(scenario)
        return taken

    return counted


def untroubled(frames, bits, pushes, lanes=1):
    """Return the steps of frames that all come through, each served by itself.

    Three processes start (remote master, reader, trigger timer) and the timer's ends: 4. A
    trigger leaves and arrives, busy rises and falls: 4. The remote clock has two edges a bit,
    and so has the host's, its last being the end of the read. Each lane has its pushes. A frame
    is released and a service begins: 2.
    """
    return 4 + frames * (4 + 2 * bits + lanes * pushes + 2 + 2 * bits)


@pytest.mark.parametrize("bits", [1, 4, 16])
@pytest.mark.parametrize("lanes", [1, 3])
def test_bits(steps, bits, lanes):
    """Every bit of every lane is pushed by itself."""
    changed = {"conversions": 20, "frame.word_bits": bits, "frame.lanes": lanes}
    scenario = chain(changed | {"host.clock": "50 MHz"})
    assert steps(scenario) == untroubled(20, bits, bits, lanes)


def test_a_16_bit_conversion_takes_at_most_6_steps_a_bit(steps):
    """4 + 32 + 16 + 2 + 32 = 86 of the 96 allowed."""
    frames = 200
    changed = {"conversions": frames, "frame.word_bits": 16, "host.clock": "50 MHz"}
    taken = steps(chain(changed))
    assert taken == 4 + 86 * frames
    assert taken <= 6 * 16 * frames


def test_packets(steps):
    """16 bits in packets of 5: 4 pushes a lane."""
    changed = {
        "conversions": 20,
        "frame.lanes": 2,
        "frame.word_bits": 16,
        "barrier.return.style": "packets",
        "barrier.return.packet_bits": 5,
        "barrier.return.line_rate": "100 Mbit/s",
        "host.clock": "50 MHz",
    }
    assert steps(chain(changed)) == untroubled(20, 16, 4, lanes=2)


def test_a_timeout_is_one_step_a_trigger(steps):
    scenario = chain({"conversions": 20, "host.timeout": "500 ns"})
    assert steps(scenario) == untroubled(20, 4, 4) + 20


def test_a_remote_timer_takes_the_same_steps(steps):
    scenario = chain({"conversions": 20, "trigger.source": "remote"})
    assert steps(scenario) == untroubled(20, 4, 4)


def test_a_missed_trigger_is_two_steps(steps):
    """Half of 4 are missed: they leave and arrive."""
    changed = TIGHT | {"conversions": 4, "converter.conversion_time": "166 ns"}
    assert steps(chain(changed)) == untroubled(2, 4, 4) + 2 * 2


def test_a_refused_frame_is_clocked_and_pushed_but_not_released_or_read(steps):
    """2 of 4 frames find the only slot taken (as in the timetable of drop_new)."""
    changed = {"conversions": 4, "fifo.depth": 1, "host.service_latency": "1900 ns"}
    assert steps(chain(changed)) == untroubled(2, 4, 4) + 2 * (4 + 2 * 4 + 4)


def test_reading_all_is_one_step_a_group_more(steps):
    """Groups {0}, {1, 2} and {3}: two services, and a look at what waits after each group."""
    changed = {
        "conversions": 4,
        "fifo.depth": 4,
        "host.service_latency": "1900 ns",
        "host.read_all": True,
    }
    assert steps(chain(changed)) == untroubled(4, 4, 4) - 2 + 3


def test_a_stall_is_a_credit_a_frame_and_a_wake_a_hold_up(steps):
    """Of 5 triggers 3 are taken and 2 missed; two frames are held back (as in its timetable)."""
    changed = {
        "conversions": 5,
        "fifo.depth": 1,
        "fifo.when_full": "stall",
        "host.service_latency": "1900 ns",
    }
    assert steps(chain(changed)) == untroubled(3, 4, 4) + 2 * 2 + 3 + 2


def test_a_loop_has_no_timer_to_start_or_end(steps):
    """A trigger that the host sends after a read is not planned by a process: 2 steps fewer."""
    changed = {
        "conversions": 20,
        "trigger.pattern": "after_read",
        "trigger.rate": None,
        "trigger.gap": "100 ns",
        "host.timeout": "5 us",
    }
    assert steps(chain(changed)) == untroubled(20, 4, 4) - 2 + 20


def test_a_conversion_costs_no_more_than_its_bar_of_bare_timeouts():
    """The best processor time of interleaved repetitions: a busy machine alone does not fail it."""
    bare, converted = event_engine.side_by_side(20, 30_000, 300)
    assert converted >= bare / event_engine.BAR
