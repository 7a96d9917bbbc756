"""Both engines give the same records of a forwarded and of a returned clock."""

import os

import numpy as np
import pytest
from hypothesis import given, settings

from simlink.engines.batch import BatchEngine, columns, engine, serial
from simlink.engines.event import EventEngine
from simlink.records import Fate
from tests.engines.chain import chain
from tests.engines.serial_scenarios import serial_scenarios
from tests.engines.test_equivalence import differences, joined

#: How many random scenarios are compared; raise it by hand.
MANY = max(600, int(os.environ.get("SIMLINK_MANY", "0")))


@settings(max_examples=MANY)
@given(serial_scenarios())
def test_the_engines_agree(scenario):
    assert BatchEngine().refuses(scenario) is None
    assert differences(scenario) == []


@settings(max_examples=MANY // 2)
@given(serial_scenarios())
def test_the_engines_agree_across_the_batch_engine_s_blocks(scenario):
    """Blocks of 5 conversions, 2 trials and 7 draws, so that runs of 40 cross many of them."""
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(serial, "ROWS", 5)
        patch.setattr(engine, "TRIALS", 2)
        patch.setattr(columns, "_DRAWN", 7)
        trials = range(scenario.trials)
        events = joined(list(EventEngine().run(scenario, trials, words=True)), axis=0)
        chunks = {}
        for block in BatchEngine().run(scenario, trials, words=True):
            chunks.setdefault(block.trials, []).append(block)
        assert max(len(blocks) for blocks in chunks.values()) >= -(-scenario.conversions // 5)
        parts = [joined(blocks, axis=1) for blocks in chunks.values()]
    for name, expected in events.items():
        whole = np.concatenate([part[name] for part in parts], axis=0)
        assert np.array_equal(whole, expected), name


#: 8-bit words read by 25 MHz; 2 us from trigger to trigger and a read of less than 1 us.
UNTROUBLED = {
    "conversions": 200,
    "trials": 4,
    "trigger.rate": "500 kHz",
    "frame.word_bits": 8,
    "remote_clock.start_delay": None,
    "fifo.depth": None,
    "host.capture": "whole",
    "host.service_latency": {"shape": "uniform", "low": "100 ns", "high": "300 ns"},
}
JITTER = {"shape": "normal", "mean": "0 ps", "sigma": "200 ps"}
#: Stalls that outlast the next trigger, once in a hundred services or so.
STALLS = {
    "shape": "two_state",
    "normal": "100 ns",
    "stalled": {"shape": "uniform", "low": "100 ns", "high": "4 us"},
    "spacing": {"shape": "geometric", "mean": 150},
    "length": 1,
}


def counted(monkeypatch):
    """Count the trials taken trigger by trigger, block by block."""
    found = []
    plain = serial.Serial._undisturbed

    def counting(self, block, upto):
        undisturbed = plain(self, block, upto)
        quick = 0 if undisturbed is None else int(undisturbed.sum())
        found.append((quick, self.count))
        return undisturbed

    monkeypatch.setattr(serial.Serial, "_undisturbed", counting)
    return found


@pytest.mark.parametrize("scheme", ["forwarded_clock", "returned_clock"])
@pytest.mark.parametrize("jitter", [None, JITTER])
def test_reads_that_nothing_disturbs_are_done_by_the_block(monkeypatch, scheme, jitter):
    values = {"link.scheme": scheme, "barrier.forward.jitter": jitter}
    scenario = chain(UNTROUBLED | values | {"barrier.return.jitter": jitter})
    found = counted(monkeypatch)
    assert differences(scenario) == []
    assert all(quick == count for quick, count in found)
    assert sum(count for _, count in found) == 4 * -(-200 // serial.ROWS)


@pytest.mark.parametrize("jitter", [None, JITTER])
def test_trials_rest_again_after_a_disturbance(monkeypatch, jitter):
    """Some trials go trigger by trigger through a block, others do not, and then they change."""
    values = {"link.scheme": "returned_clock", "conversions": 1000, "host.timeout": "700 ns"}
    values |= {"barrier.return.jitter": jitter, "host.service_latency": STALLS}
    scenario = chain(UNTROUBLED | values)
    found = counted(monkeypatch)
    assert differences(scenario) == []
    assert len({quick for quick, _ in found}) > 2
    assert found[-1][0] + found[-2][0] > 0


@pytest.mark.parametrize(
    "values",
    [
        {"link.scheme": "forwarded_clock"},
        {"link.scheme": "returned_clock"},
        {"link.scheme": "remote_master", "host.capture": None, "fifo.when_full": "drop_new"},
        {"link.scheme": "remote_master", "host.capture": None, "fifo.when_full": "drop_old"},
    ],
)
def test_the_longest_trials(values):
    """Instants up to 8000 s; 2.5 h is the limit."""
    long = {"trigger.rate": "0.00125 Hz", "conversions": 10, "trials": 1}
    scenario = chain(UNTROUBLED | long | values)
    assert differences(scenario) == []
    (block,) = BatchEngine().run(scenario, range(1), words=False)
    assert (block.fate == Fate.DELIVERED).all()


@pytest.mark.parametrize("pattern", ["periodic", "after_read"])
def test_no_scenario_of_these_schemes_is_refused(pattern):
    """Not even one whose clock pulses may be swallowed, or whose triggers wait for the host."""
    values = {"link.scheme": "returned_clock", "barrier.return.jitter": JITTER, "conversions": 20}
    values |= {"barrier.min_pulse": "20 ns", "trigger.pattern": pattern}
    if pattern == "after_read":
        values |= {"trigger.rate": None, "trigger.gap": "1 us", "host.timeout": "5 us"}
    scenario = chain(UNTROUBLED | values)
    assert BatchEngine().refuses(scenario) is None
    assert differences(scenario) == []
    fates = np.concatenate(
        [block.fate for block in BatchEngine().run(scenario, range(4), words=False)], axis=None
    )
    # Half a period is 20 ns: about every other pulse comes back too short.
    assert (fates == Fate.CORRUPTED).all()


def test_few_trials_side_by_side_where_much_is_drawn():
    assert serial.beside(chain(UNTROUBLED | {"link.scheme": "returned_clock"}), 512) == 512
    values = {"link.scheme": "returned_clock", "barrier.return.jitter": JITTER}
    # A conversion draws 16 edges of the returned clock, 8 + 1 of the lane and 2 of busy.
    assert serial.beside(chain(UNTROUBLED | values), 512) == serial.DRAWS // 27
