"""Computed losses of whole links: against the batch engine, and what is refused."""

from collections import Counter
from itertools import pairwise

import numpy as np
import pytest
from threadpoolctl import threadpool_info, threadpool_limits

from simlink.base.errors import InputError
from simlink.rare.chain import follow
from simlink.rare.exact import exact_loss
from simlink.rare.queue import NoQueueError, queue_of
from simlink.records import Fate
from simlink.running.run import run
from simlink.scenario.loading import from_dict
from simlink.studies.loss import no_chain

#: A link at 1 MHz that overruns a FIFO of 3 now and then.
LINK = {
    "seed": 5,
    "link": {"scheme": "remote_master"},
    "trigger": {"rate": "1 MHz"},
    "frame": {"lanes": 2, "word_bits": 12},
    "converter": {"conversion_time": {"shape": "uniform", "low": "300 ns", "high": "420 ns"}},
    "remote_clock": {"frequency": "50 MHz"},
    "barrier": {
        "forward": {"delay": "12 ns"},
        "return": {
            "delay": "14 ns",
            "channel_skew": {"shape": "uniform", "low": "0 ns", "high": "4 ns"},
            "jitter": {"shape": "uniform", "low": "-1 ns", "high": "1 ns"},
        },
    },
    "fifo": {"depth": 3, "sync_delay": {"shape": "uniform", "low": "5 ns", "high": "15 ns"}},
    "host": {"clock": "80 MHz", "service_latency": {"shape": "exponential", "mean": "350 ns"}},
}


def link(**values):
    """Return the link with other values, keys written with two underscores for a dot."""
    return from_dict(LINK).with_values({key.replace("__", "."): v for key, v in values.items()})


def simulated(scenario, trials=200, conversions=10_000):
    """Return the mean share of overruns of independent units, and its standard error."""
    found = run(
        scenario.with_(trials=trials, conversions=conversions), engine="batch", ledger=False
    )
    shares = found.tally.of_fate(Fate.OVERRUN) / conversions
    return float(shares.mean()), float(shares.std(ddof=1) / np.sqrt(trials))


@pytest.mark.parametrize(
    "values",
    [
        {},
        {"fifo__release_bits": 3},
        {"converter__conversion_time": "350 ns", "trigger__jitter": "0 s"},
        {
            "trigger__jitter": {"shape": "uniform", "low": "-60 ns", "high": "60 ns"},
            "converter__conversion_time": "300 ns",
        },
        {"host__service_latency": {"shape": "gamma", "mean": "450 ns", "sigma": "600 ns"}},
        {
            "barrier__return__style": "packets",
            "barrier__return__packet_bits": 12,
            "barrier__return__overhead_bits": 4,
            "barrier__return__line_rate": "100 Mbit/s",
        },
    ],
    ids=["all", "release", "plain", "jitter", "gamma", "packets"],
)
def test_periodic_triggers_lose_as_the_engine_does(values):
    scenario = link(**values)
    found = exact_loss(scenario)
    share, error = simulated(scenario)
    assert found.low <= found.value <= found.high <= 1.3 * found.low
    assert abs(share - found.value) < 4 * error + 0.01 * found.value


def test_poisson_triggers_lose_as_the_engine_does():
    scenario = link(trigger__pattern="poisson", trigger__rate="900 kHz", fifo__depth=4)
    found = exact_loss(scenario)
    share, error = simulated(scenario)
    assert found.low - 4 * error <= share <= found.high + 4 * error


def test_units_that_differ_are_averaged():
    scenario = link(
        trigger__tolerance={"shape": "uniform", "low": "-3000 ppm", "high": "3000 ppm"}
    ).with_(trials=60)
    alike, apart = exact_loss(link()), exact_loss(scenario, width=0.5)
    assert len(queue_of(scenario).units) == 60
    assert apart.low <= alike.value <= apart.high


def test_boards_that_a_grid_does_not_tell_apart_are_followed_once(monkeypatch):
    followed = []

    def counted(chain, *rest):
        followed.append(chain.steps)
        return follow(chain, *rest)

    monkeypatch.setattr("simlink.rare.exact.follow", counted)
    scenario = link().with_(trials=20)
    assert len(queue_of(scenario).units) == 20
    found = exact_loss(scenario, width=0.5)
    assert max(Counter(followed).values()) < 10
    assert found.low <= exact_loss(link()).value <= found.high


def test_bounds_are_made_no_closer_than_a_target_asks():
    grids = []
    scenario = link(fifo__depth=8, host__service_latency={"shape": "exponential", "mean": "240 ns"})
    close = exact_loss(scenario, progress=grids.append)
    needed = len(grids)
    for target in (1e-3, 1e-30):
        grids.clear()
        found = exact_loss(scenario, target=target, progress=grids.append)
        assert found.low <= close.low <= close.high <= found.high
        assert len(grids) == 2 < needed
        assert not found.low <= target < found.high
    # As close as usual where they do not tell.
    assert exact_loss(scenario, target=close.value) == close


def test_a_deeper_fifo_and_a_slower_rate_lose_less():
    losses = [exact_loss(link(fifo__depth=depth)).value for depth in (2, 3, 4)]
    assert all(later < 0.6 * sooner for sooner, later in pairwise(losses))
    assert exact_loss(link(trigger__rate="800 kHz")).high < losses[0]


def test_products_keep_to_one_thread_and_give_the_others_back():
    def threads(*_):
        return {one["num_threads"] for one in threadpool_info() if one["user_api"] == "blas"}

    seen = []
    with threadpool_limits(2, "blas"):
        exact_loss(link(fifo__depth=1), width=0.5, progress=lambda _: seen.append(threads()))
        assert threads() == {2}
    assert seen
    assert all(one == {1} for one in seen)


@pytest.mark.parametrize(
    ("values", "key"),
    [
        (
            {"trigger__pattern": "burst", "trigger__burst_length": 3, "trigger__gap": "9 us"},
            "trigger.pattern",
        ),
        ({"fifo__when_full": "drop_old"}, "fifo.when_full"),
        ({"host__drain": True}, "host.drain"),
        ({"host__watermark": 2}, "host.watermark"),
        ({"host__interrupt": "edge"}, "host.interrupt"),
        ({"trigger__jitter": {"shape": "exponential", "mean": "2 ns"}}, "trigger.jitter"),
        ({"converter__conversion_time": "900 ns"}, "converter.conversion_time"),
        ({"fifo__sync_delay": "800 ns"}, "fifo.release_bits"),
        ({"fifo__depth": 65}, "fifo.depth"),
    ],
)
def test_what_is_no_such_queue_is_refused_by_its_key(values, key):
    with pytest.raises(NoQueueError) as refused:
        exact_loss(link(**values))
    assert f": {key}: " in str(refused.value)
    assert "to be computed" in str(refused.value)


def uniform(low, high):
    return {"shape": "uniform", "low": low, "high": high}


@pytest.mark.parametrize(
    ("values", "said"),
    [
        ({"host__drain": True}, "host.drain = true"),
        ({"barrier__slew_immunity": "50 kV/us", "transient": [
            {"kind": "poisson", "rate": "9 Hz", "slew": "80 kV/us", "swing": "400 V"}]},
         "transients that can upset a channel"),
        # 420 ns and 12 cycles of 20 ns are taken of 1000; 600 ns of jitter and the 120 by which
        # conversions differ come on top.
        ({"trigger__jitter": uniform("-300 ns", "300 ns")},
         "laws that move a frame by up to 720 ns, trigger.jitter the most, where the longest "
         "conversion and its readout leave 340 ns of the period"),
        ({"converter__conversion_time": "900 ns"},
         "a converter that may still be busy when the next trigger comes"),
        ({"trigger__jitter": {"shape": "exponential", "mean": "2 ns"}},
         "trigger.jitter without bound"),
        ({"trigger__jitter": uniform("-1 ns", "1 ns"), "trigger__pattern": "poisson"},
         "Poisson triggers with trigger.jitter"),
        ({"fifo__sync_delay": "800 ns"},
         "a release that may come after the next frame's first bit"),
    ],
)  # fmt: skip
def test_a_sentence_says_what_keeps_the_chain_away(values, said):
    assert no_chain(link(**values)) == f"no chain follows {said}"


def test_there_is_nothing_to_compute_without_a_fifo():
    with pytest.raises(InputError, match=r"link\.scheme: got forwarded_clock; remote_master"):
        queue_of(link(link__scheme="forwarded_clock"))
