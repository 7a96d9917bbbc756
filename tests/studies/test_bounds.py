import numpy as np
import pytest

from simlink.engines.batch import BatchEngine
from simlink.records import Fate
from simlink.scenario.loading import from_dict
from simlink.studies import bounds
from simlink.studies.bounds import RateLatency, TokenBucket, UnboundedError


def scenario(**changes):
    raw = {
        "trials": 8,
        "conversions": 400,
        "link": {"scheme": "remote_master"},
        "trigger": {"rate": "1 MHz"},
        "frame": {"word_bits": 8},
        "converter": {"conversion_time": "200 ns"},
        "remote_clock": {"frequency": "50 MHz"},
        "barrier": {"return": {"delay": "10 ns"}},
        "fifo": {"depth": 4},
        "host": {"clock": "40 MHz", "service_latency": "700 ns"},
    }
    return from_dict(raw).with_values(
        {key.replace("__", ".").replace("return_", "return"): v for key, v in changes.items()}
    )


def count(tried, fate):
    blocks = BatchEngine().run(tried, range(tried.trials), words=False)
    return sum(int((block.fate == fate).sum()) for block in blocks)


def test_token_bucket_into_rate_latency():
    # Le Boudec and Thiran, LNCS 2050, theorems 1.4.1 and 1.4.2 (from memory):
    # b 2, r 1, R 2, T 1: backlog b + r T = 3, delay T + b / R = 2.
    arrivals, server = TokenBucket(2, 1), RateLatency(2, 1)
    assert bounds.backlog(arrivals, server) == 3
    assert bounds.delay(arrivals, server) == 2
    assert bounds.backlog(TokenBucket(2, 3), server) == np.inf
    assert bounds.delay(TokenBucket(2, 3), server) == np.inf


def test_the_greedy_source_reaches_both():
    arrivals, server = TokenBucket(2, 1), RateLatency(2, 1)
    time = np.linspace(0, 10, 10001)
    came = arrivals.burst + arrivals.rate * time
    served = np.minimum(came, server.rate * np.maximum(time - server.latency, 0))
    assert (came - served).max() == pytest.approx(bounds.backlog(arrivals, server))
    gone = np.interp(came[:2000], server.rate * np.maximum(time - server.latency, 0), time)
    assert (gone - time[:2000]).max() == pytest.approx(bounds.delay(arrivals, server), abs=2e-3)


@pytest.mark.parametrize(
    "changes",
    [
        {},
        {"host__service_latency": "100 ns"},
        {"host__service_latency": "790 ns", "fifo__sync_delay": "2500 ns"},
        {"trigger__pattern": "burst", "trigger__burst_length": 6, "trigger__gap": "9 us",
         "host__service_latency": "1300 ns"},
        {"trigger__pattern": "burst", "trigger__burst_length": 9, "trigger__gap": "900 ns",
         "host__service_latency": "700 ns"},
        {"barrier__return_.style": "packets", "barrier__return_.packet_bits": 3,
         "barrier__return_.line_rate": "80 Mbit/s", "fifo__sync_delay": "2 us"},
    ],
)  # fmt: skip
def test_a_constant_latency_reaches_the_depth_and_never_exceeds_it(changes):
    tried = scenario(**changes)
    bound = bounds.depth_bound(tried)
    assert bound.depth <= bound.linear
    assert count(tried.with_value("fifo.depth", bound.depth), Fate.OVERRUN) == 0
    if bound.depth > 1:
        assert count(tried.with_value("fifo.depth", bound.depth - 1), Fate.OVERRUN) > 0


@pytest.mark.parametrize("seed", range(5))
def test_bounded_chance_never_exceeds_the_depth(seed):
    tried = scenario(
        seed=seed,
        host__service_latency={"shape": "uniform", "low": "0 ns", "high": "780 ns"},
        trigger__jitter={"shape": "uniform", "low": "-300 ns", "high": "300 ns"},
        trigger__tolerance={"shape": "uniform", "low": "-100 ppm", "high": "100 ppm"},
        barrier__return_={
            "delay": "30 ns",
            "jitter": {"shape": "normal", "mean": "0 ns", "sigma": "2 ns"},
        },
    )
    bound = bounds.depth_bound(tried)
    assert count(tried.with_value("fifo.depth", bound.depth), Fate.OVERRUN) == 0


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"host__service_latency": {"shape": "exponential", "mean": "100 ns"}}, "latency has no"),
        ({"host__service_latency": "900 ns"}, "host lags"),
        ({"trigger__pattern": "poisson"}, "Poisson"),
        ({"host__watermark": 2}, "watermark"),
        ({"trigger__pattern": "after_read", "trigger__gap": "1 us", "trigger__rate": None,
          "host__timeout": "90 us"}, "wait for the host"),
    ],
)  # fmt: skip
def test_what_has_no_bound_says_why(changes, why):
    with pytest.raises(UnboundedError, match=why):
        bounds.depth_bound(scenario(**changes))


@pytest.mark.parametrize(
    "changes",
    [
        {"host__service_latency": "0 ns", "host__clock": "200 MHz"},
        {"host__service_latency": "40 ns", "host__clock": "90 MHz"},
        {"host__service_latency": "0 ns", "host__clock": "200 MHz",
         "barrier__return_.style": "packets", "barrier__return_.packet_bits": 3,
         "barrier__return_.line_rate": "80 Mbit/s"},
    ],
)  # fmt: skip
def test_the_release_bound_is_the_first_that_never_underruns(changes):
    tried = scenario(**changes)
    release = bounds.release_bound(tried)
    assert 1 < release <= 8
    assert count(tried.with_value("fifo.release_bits", release), Fate.UNDERRUN) == 0
    assert count(tried.with_value("fifo.release_bits", release - 1), Fate.UNDERRUN) > 0


def test_jitter_without_bound_leaves_no_release_bound():
    jitter = {"shape": "exponential", "mean": "1 ns"}
    with pytest.raises(UnboundedError, match="return jitter"):
        bounds.release_bound(scenario(barrier__return_={"delay": "9 ns", "jitter": jitter}))
