"""Proven depths and release bits beside every choice of draws from the ends of their laws.

Bursts with time enough to drain between them: the recordings of two laws go through all their
ends, burst by burst, so that one run is an exhaustive enumeration.
"""

import os
from itertools import product

import numpy as np

from simlink.engines.batch import BatchEngine
from simlink.proofs.bounds import depth_bound
from simlink.proofs.release import release_bound
from simlink.running.run import run
from simlink.scenario.loading import from_dict
from tests.proofs.pushed import replaced

MANY = int(os.environ.get("SIMLINK_MANY", "30"))


def uniform(low, high):
    return f"{high} ns" if low == high else {
        "shape": "uniform", "low": f"{low} ns", "high": f"{high} ns",
    }  # fmt: skip


def small(rng):
    """Return a scenario of short bursts whose host keeps up, and its two laws' ends in ns."""
    # Odd, so that frames below a watermark of two stay from one burst to the next.
    length = int(rng.choice([3, 5]))
    conversion = sorted(int(one) for one in rng.integers(150, 300, 2))
    period = int(rng.integers(500, 1500))
    watermark = int(rng.choice([1, 1, 2]))
    reads_on = bool(rng.integers(2))
    most = (2.5 if reads_on else 1.4) * period
    latency = sorted(int(one) for one in rng.uniform(0, most, 2))
    when_full = str(rng.choice(["drop_new", "drop_old", "stall"]))
    raw = {
        "trials": 1,
        "conversions": length,
        "link": {"scheme": "remote_master"},
        "trigger": {
            "pattern": "burst", "rate": f"{10**6 / period:.6f} kHz", "burst_length": length,
            "gap": "40 us",
        },
        "frame": {"word_bits": 8},
        "converter": {"conversion_time": uniform(*conversion)},
        "remote_clock": {"frequency": "50 MHz"},
        "barrier": {"forward": {"delay": "12 ns"}, "return": {"delay": "10 ns"}},
        "fifo": {"depth": 12, "when_full": when_full, "release_bits": int(rng.integers(3, 9))},
        "host": {
            "clock": f"{int(rng.choice([25, 50, 100]))} MHz",
            "service_latency": uniform(*latency), "drain": reads_on, "watermark": watermark,
        },
    }  # fmt: skip
    return from_dict(raw)


def enumerated(scenario, folder):
    """Return the scenario with every choice from the ends of its two laws, one a burst."""
    length = scenario.trigger.burst_length
    laws = {
        "converter.conversion_time": scenario.converter.conversion_time,
        "host.service_latency": scenario.host.service_latency,
    }
    ends = [sorted({round(end) for end in law.support}) for law in laws.values()]
    choices = list(product(product(*ends), repeat=length))
    rows = {
        key: [int(one[which]) for choice in choices for one in choice]
        for which, key in enumerate(laws)
    }
    return replaced(scenario, rows, folder, "every", conversions=length * len(choices))


def outcome(scenario):
    (block,) = BatchEngine().run(scenario, range(1), words=False)
    return block.release, block.fate


def is_full(scenario):
    """Tell whether a frame is refused or discarded, or the remote clock held back."""
    deep = outcome(scenario.with_value("fifo.depth", 64))
    return any((a != b).any() for a, b in zip(outcome(scenario), deep, strict=True))


def test_the_proven_depth_is_the_least_one_nearly_always(tmp_path):
    rng = np.random.default_rng(1)
    over = []
    for case in range(MANY):
        scenario = small(rng)
        proven = depth_bound(scenario).depth
        folder = tmp_path / str(case)
        folder.mkdir()
        every = enumerated(scenario, folder)
        assert not is_full(every.with_value("fifo.depth", proven))
        least = proven
        while least > scenario.host.watermark and not is_full(
            every.with_value("fifo.depth", least - 1)
        ):
            least -= 1
        over.append(proven - least)
    over = np.array(over)
    assert (over == 0).mean() >= 0.9, over
    assert (over <= 1).mean() >= 0.99, over


def test_the_proven_release_is_never_too_early(tmp_path):
    rng = np.random.default_rng(2)
    for case in range(MANY // 2):
        scenario = small(rng)
        proven = release_bound(scenario)
        folder = tmp_path / str(case)
        folder.mkdir()
        every = enumerated(scenario.with_value("fifo.release_bits", proven), folder)
        assert not run(every, ledger=False, workers=1).figures["underrun"].count
