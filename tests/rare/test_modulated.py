"""Splitting of a host that stalls, against a chain of its own that holds every frame's state.

Triggers are periodic and both states' latencies exponential, so that the states of the frames
held, oldest first, and of the last conversion (a lost frame has its draw, too) are a Markov chain.
Between two triggers the oldest frame leaves at the rate of its state, which uniformisation counts:
steps at the fastest rate, some of which change nothing, Poisson many in a period (Jensen,
Skandinavisk Aktuarietidskrift 36, 1953, from memory). Every term is a sum of positive ones.
"""

import math
import os
import time
from itertools import product

import numpy as np
import pytest
from scipy import sparse

from simlink.rare.splitting import split_loss
from simlink.studies.size_rare import size_rare
from tests.outside import queues

#: Mean services in periods, and mean numbers of conversions in a row, normal and stalled.
MEANS, STAYS = (0.2, 0.6), (30, 2)


def stalling(depth):
    """Return the scenario."""
    law = {
        "shape": "two_state",
        "normal": queues.exponential(MEANS[0]),
        "stalled": queues.exponential(MEANS[1]),
        "spacing": {"shape": "geometric", "mean": STAYS[0]},
        "length": {"shape": "geometric", "mean": STAYS[1]},
    }
    return queues.queue("periodic", law, depth, conversions=10)


def chain_loss(depth):
    """Return the long-run loss."""
    states = [
        (held, last)
        for many in range(depth + 1)
        for held in product((0, 1), repeat=many)
        for last in (0, 1)
    ]
    index = {state: at for at, state in enumerate(states)}
    rates = [1 / mean for mean in MEANS]
    fastest = max(rates)
    leaves, comes = [], []
    for (held, last), at in index.items():
        share = rates[held[0]] / fastest if held else 0.0
        if held:
            leaves.append((index[held[1:], last], at, share))
        leaves.append((at, at, 1 - share))
        for new in (0, 1):
            goes = 1 / STAYS[last]
            after = (*held, new) if len(held) < depth else held
            comes.append((index[after, new], at, goes if new != last else 1 - goes))

    def matrix(entries):
        to, start, share = zip(*entries, strict=True)
        return sparse.csr_matrix((share, (to, start)), shape=(len(states),) * 2)

    leave, come = matrix(leaves), matrix(comes)
    full = np.array([len(held) == depth for held, _ in states])
    weights = [math.exp(-fastest)]
    while len(weights) < fastest or weights[-1] > 1e-25:
        weights.append(weights[-1] * fastest / len(weights))
    now = np.zeros(len(states))
    now[index[(), 0]] = 1.0
    lost, before = 0.0, -1.0
    while not lost or abs(lost - before) > 1e-9 * lost:
        term = come @ now
        now = weights[0] * term
        for weight in weights[1:]:
            term = leave @ term
            now = now + weight * term
        before, lost = lost, float(now[full].sum())
    return lost


def test_without_stalls_the_chain_is_that_of_one_latency(monkeypatch):
    """D/M/1/2 at 0.5 loses 0.0251130 (by an embedded chain, see the tests of queues)."""
    monkeypatch.setitem(chain_loss.__globals__, "MEANS", (0.5, 0.5))
    assert chain_loss(2) == pytest.approx(0.0251130, abs=5e-8)


def test_splitting_finds_what_the_chain_loses():
    truth = chain_loss(6)
    assert 1e-6 < truth < 1e-5
    found = split_loss(stalling(6), most=8, branches=128)
    error = math.log(found.high / found.low) / 2 / 2.36
    assert abs(math.log(found.value / truth)) < 4 * error
    assert found.error < 0.8


def test_the_depth_for_a_loss_is_that_of_the_chain(monkeypatch):
    """The target lies half way between what two depths lose."""
    for name, few in (("_LOOKED_AT_BY", 64), ("_GUESSED_BY", 64), ("_DEEP", 16)):
        monkeypatch.setattr(f"simlink.studies.size_rare.{name}", few)
    losses = [chain_loss(depth) for depth in (4, 5)]
    target = math.sqrt(losses[0] * losses[1])
    assert 1e-6 < target < 1e-4
    found = size_rare(stalling(4), target)
    assert found.answer == 5
    assert found.settled
    for depth, truth in zip((4, 5), losses, strict=True):
        loss = found.tried[depth].loss
        error = math.log(loss.high / loss.low) / 2 / 2.36
        assert abs(math.log(loss.value / truth)) < 4 * error


@pytest.mark.skipif("SIMLINK_SEEDS" not in os.environ, reason="takes minutes")
def test_the_depth_for_one_in_a_thousand_million_is_that_of_the_chain():
    began, used = time.monotonic(), time.process_time()
    found = size_rare(stalling(4), 1e-9, report=print)
    print(f"{time.monotonic() - began:.0f} s, {time.process_time() - used:.0f} s of a processor")
    depth = found.answer
    above, below = chain_loss(depth - 1), chain_loss(depth)
    print(f"chain: {depth - 1} slots {above:.4g}, {depth} slots {below:.4g}")
    assert below <= 1e-9 < above
