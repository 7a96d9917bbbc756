"""The chain of what arrivals find, worked by hand on grids of a few steps."""

import numpy as np
import pytest

from simlink.rare.chain import Chain, Spacing, follow


def at(step, steps):
    found = np.zeros(steps + 1)
    found[step] = 1.0
    return found


def chain(service, depth, steps, judged=0, released=0, up=True):
    law = np.array(service, dtype=float)
    return Chain(law, depth, Spacing(steps), at(judged, steps), at(released, steps), up)


def test_one_slot_loses_whatever_finds_a_service_under_way():
    # Two steps apart; a service takes 1 step or, with 1 in 4, 3 steps. After a short one the next
    # arrival finds a free slot; after a long one it is refused and the one after it is taken.
    # Of taken ones 1 in 4 costs one more: 0.25 / 1.25 = 0.2.
    found = follow(chain([0, 0.75, 0, 0.25], 1, 2))
    assert found.loss == pytest.approx(0.2, rel=1e-8)
    assert found.settled


def test_a_service_that_ends_at_the_very_arrival_has_freed_its_slot():
    assert follow(chain([0, 0, 1.0], 1, 2)).loss == 0
    # One step longer, and every other frame is refused.
    it = chain([0, 0, 0, 1.0], 1, 2)
    assert [it.step() for _ in range(4)] == [0, 1, 0, 1]


def test_a_later_release_delays_the_first_service_only():
    # Service of 2 steps, arrivals 2 apart, released one step late: each ends one step after the
    # next arrival, for which one slot is not enough and two are.
    it = chain([0, 0, 1.0], 1, 2, released=1)
    assert [it.step() for _ in range(4)] == [0, 1, 0, 1]
    assert follow(chain([0, 0, 1.0], 2, 2, released=1)).loss == 0


def test_a_later_judgement_finds_the_slot_free():
    it = chain([0, 0, 0, 1.0], 1, 2, judged=1, released=1)
    # From the release at 1 the service ends at 4: at 5 the next but one is judged, at 3 the next.
    assert [it.step() for _ in range(4)] == [0, 1, 0, 1]
    it = chain([0, 0, 1.0], 1, 2, judged=1, released=1)
    assert [it.step() for _ in range(4)] == [0, 0, 0, 0]


def test_probabilities_add_up_to_one():
    rng = np.random.default_rng(5)
    for _ in range(20):
        steps, depth = int(rng.integers(1, 6)), int(rng.integers(1, 5))
        law = rng.dirichlet(np.ones(int(rng.integers(2, 15))))
        judged, released = rng.dirichlet(np.ones(steps + 1)), rng.dirichlet(np.ones(steps + 1))
        kept = float(rng.choice([0.0, 0.6]))
        it = Chain(law, depth, Spacing(steps, kept), judged, released, bool(rng.integers(2)))
        for _ in range(12):
            lost = it.step()
            assert 0 <= lost <= 1
            # A long wait may outlast the grid's longest service; nothing else goes astray.
            assert it.empty + it.states.sum() == pytest.approx(1, abs=1e-12)


def test_random_walks_lose_as_the_chain_says():
    # The same rules followed frame by frame, drawn at random: an independent wording.
    rng = np.random.default_rng(11)
    for _ in range(8):
        steps, depth = int(rng.integers(2, 6)), int(rng.integers(1, 4))
        law = rng.dirichlet(np.ones(int(rng.integers(3, 3 * steps))))
        release = int(rng.integers(0, steps + 1))
        many = 40_000
        services = rng.choice(len(law), size=many, p=law)
        free, ends, lost = 0, [], np.zeros(many)
        for k in range(many):
            now = k * steps
            ends = [end for end in ends if end > now]
            if len(ends) >= depth:
                lost[k] = 1
                continue
            free = max(free, now + release) + services[k]
            ends.append(free)
        found = follow(chain(law, depth, steps, released=release)).loss
        batches = lost.reshape(40, -1).mean(axis=1)
        error = batches.std(ddof=1) / np.sqrt(len(batches)) + 1e-9
        assert abs(batches.mean() - found) / error < 4


def test_the_first_arrivals_from_empty_are_averaged():
    it = chain([0, 0, 0, 1.0], 1, 2)
    assert follow(it, first=4).loss == pytest.approx(0.5)
    assert follow(chain([0, 0, 0, 1.0], 1, 2), first=3).loss == pytest.approx(1 / 3)


def test_what_goes_round_in_a_circle_has_its_mean():
    found = follow(chain([0, 0, 0, 1.0], 1, 2))
    assert found.loss == pytest.approx(0.5)
    assert found.settled


def test_what_takes_many_rare_services_is_no_never():
    """A service is as long as 9 of 8 steps once in ten times: 6 slots fill after 48 such in a row,
    or nearly."""
    it = chain([0, 0.3, 0.3, 0.3, 0, 0, 0, 0, 0, 0.1], 6, 8)
    found = follow(it)
    assert found.settled
    assert 1e-50 < found.loss < 1e-30


def test_what_no_services_bring_about_is_never():
    found = follow(chain([0, 0.3, 0.3, 0.3, 0, 0, 0, 0, 0.1], 2, 8))
    assert (found.loss, found.margin) == (0.0, 0.0)
