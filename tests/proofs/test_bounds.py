import numpy as np
import pytest

from simlink.engines.batch import BatchEngine
from simlink.proofs import bounds
from simlink.proofs.bounds import RateLatency, TokenBucket
from simlink.proofs.ends import UnboundedError
from simlink.proofs.release import release_bound
from simlink.records import Fate
from simlink.scenario.loading import from_dict


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
        {"host__drain": True, "host__service_latency": "6300 ns"},
        {"host__watermark": 3, "host__service_latency": "2300 ns"},
        {"host__watermark": 2, "host__service_latency": "1590 ns", "fifo__sync_delay": "2 us"},
        {"host__watermark": 2, "host__drain": True, "host__service_latency": "4 us"},
        {"trigger__pattern": "burst", "trigger__burst_length": 7, "trigger__gap": "12 us",
         "host__watermark": 2, "host__service_latency": "2100 ns"},
        {"trigger__pattern": "burst", "trigger__burst_length": 5, "trigger__gap": "9 us",
         "host__drain": True, "host__service_latency": "3100 ns"},
    ],
)  # fmt: skip
def test_a_constant_latency_reaches_the_depth_and_never_exceeds_it(changes):
    tried = scenario(**changes)
    bound = bounds.depth_bound(tried)
    assert bound.depth <= bound.linear
    assert count(tried.with_value("fifo.depth", bound.depth), Fate.OVERRUN) == 0
    if bound.depth > 1:
        assert count(tried.with_value("fifo.depth", bound.depth - 1), Fate.OVERRUN) > 0


def test_a_draining_host_of_one_latency_a_busy_period():
    """18 bits at 20 MHz take 0.9 us: the slots of frames 0 to 9 are taken by 9 us.

    Frame 0 is released after its 18 bits, 0.36 us, and read out 8.9 us after that. Read at
    80 MHz, bit 18 is taken 17.5 x 12.5 ns after the start: (r - 1) x 20 >= 340 - 218.75.
    """
    tried = scenario(
        frame__word_bits=18, host__clock="20 MHz", host__drain=True,
        host__service_latency={"shape": "uniform", "low": "0 us", "high": "8 us"},
    )  # fmt: skip
    assert bounds.depth_bound(tried).depth == 10
    assert release_bound(tried.with_value("host.clock", "80 MHz")) == 8


def test_what_a_credit_takes_counts_as_a_slot():
    """From the start of the clock 150 ns to the last bit and 10 to the release, 620 + 200 read.

    980, and a credit of 20: back just as the clock of frame 1 starts.
    """
    tried = scenario(
        fifo__when_full="stall", host__service_latency="620 ns", barrier__forward={"delay": "20 ns"}
    )
    assert bounds.depth_bound(tried).depth == 1
    assert bounds.depth_bound(tried.with_value("host.service_latency", "620001 ps")).depth == 2


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
        ({"host__service_latency": {"shape": "exponential", "mean": "100 ns"}},
         "the service latency has no upper bound"),
        ({"host__service_latency": "900 ns"},
         "the host lags if every service latency is the longest"),
        ({"host__service_latency": "800001 ps"},
         "the host lags if every service latency is the longest"),
        ({"trigger__pattern": "poisson"}, "Poisson triggers may come arbitrarily close together"),
        ({"host__interrupt": "edge", "trigger__rate": "3 MHz"},
         "frames may wait for an edge: a release may come after the next trigger"),
        ({"host__interrupt": "edge", "trigger__rate": "500 kHz",
          "host__service_latency": "1801 ns"},
         "frames may wait for an edge: more releases than one service reads may come while it "
         "lasts"),
        ({"host__drain": True, "host__clock": "7 MHz"},
         "the host's reads alone take longer than the triggers leave"),
        ({"host__watermark": 2, "host__service_latency": "1700 ns"},
         "the host lags if every service latency is the longest"),
        ({"trigger__pattern": "after_read", "trigger__gap": "1 us", "trigger__rate": None,
          "host__timeout": "359999999 fs"}, "a frame may be released after its timeout"),
    ],
)  # fmt: skip
def test_what_has_no_bound_says_why(changes, why):
    with pytest.raises(UnboundedError, match=f"^{why}$"):
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
    release = release_bound(tried)
    assert 1 < release <= 8
    assert count(tried.with_value("fifo.release_bits", release), Fate.UNDERRUN) == 0
    assert count(tried.with_value("fifo.release_bits", release - 1), Fate.UNDERRUN) > 0


def test_jitter_without_bound_leaves_no_release_bound():
    jitter = {"shape": "exponential", "mean": "1 ns"}
    with pytest.raises(UnboundedError, match="return jitter"):
        release_bound(scenario(barrier__return_={"delay": "9 ns", "jitter": jitter}))


@pytest.mark.parametrize(
    ("changes", "depth"),
    [
        # First bits at 0, 1000 ...; released 140 later, for 8 bits at 50 MHz; read 200 each.
        # One after another, 700 + 200: read 0 ends at 1040, with frame 1 there.
        ({}, 2),
        ({"host__service_latency": "600 ns"}, 1),
        # Its slot is free at the instant at which frame 1 comes.
        ({"host__service_latency": "660 ns"}, 1),
        ({"host__service_latency": "660001 ps"}, 2),
        # Reads end at 2840, 3040, 3240 ...: frames 0, 1 and 2 are there at 2000.
        ({"host__drain": True, "host__service_latency": "2500 ns"}, 3),
        # 2660: frame 0 is gone at 3000, at which frame 3 comes; a femtosecond more, and it is not.
        ({"host__drain": True, "host__service_latency": "2660 ns"}, 3),
        ({"host__drain": True, "host__service_latency": "2660001 ps"}, 4),
        # Frames 0 and 1 are released by 1140 and read by 2840 and 3040; frame 2 comes at 2000.
        ({"host__watermark": 2, "host__service_latency": "1500 ns"}, 3),
        # 860: read 0 ends at 2200; 660: at 2000.
        ({"host__watermark": 2, "host__service_latency": "660 ns"}, 2),
        ({"host__watermark": 2, "host__service_latency": "860 ns"}, 3),
        # A lane that is 900 ns later holds the frame as much longer: 1040, read by 2030.
        ({"frame__lanes": 2, "barrier__return_.channel_skew": ["0 ns", "900 ns"],
          "host__service_latency": "790 ns"}, 3),
        ({"host__service_latency": "790 ns"}, 2),
        # Just as long as the triggers leave: frame n is read by 1140 + 1000 n.
        ({"host__service_latency": "800 ns"}, 2),
        ({"host__drain": True, "host__clock": "8 MHz"}, 2),
        # The skew of the only lane moves its first bit as well.
        ({"barrier__return_.channel_skew": {"shape": "uniform", "low": "0 ns", "high": "900 ns"},
          "host__service_latency": "790 ns"}, 2),
        # Triggers of which one may be 300 ns late and the next 300 ns early come 400 ns apart.
        ({"trigger__jitter": {"shape": "uniform", "low": "-300 ns", "high": "300 ns"},
          "host__service_latency": "100 ns"}, 2),
        ({"trigger__jitter": {"shape": "uniform", "low": "-280 ns", "high": "280 ns"},
          "host__service_latency": "100 ns"}, 1),
        # Six come by 5000; reads end at 1640, 3140 and 4640.
        ({"trigger__pattern": "burst", "trigger__burst_length": 6, "trigger__gap": "9 us",
          "host__service_latency": "1300 ns"}, 3),
    ],
)  # fmt: skip
def test_depths_worked_by_hand(changes, depth):
    assert bounds.depth_bound(scenario(**changes)).depth == depth


def test_both_curves_worked_by_hand():
    """Released after 140 ns, 700 + 200 ns each; a pair of a watermark takes 700 + 400."""
    found = bounds.depth_bound(scenario())
    assert (found.arrivals.burst, found.arrivals.rate) == (1, 1e6)
    assert found.server.rate == pytest.approx(1 / 900e-9)
    assert found.server.latency == pytest.approx(1040e-9)
    assert found.linear == pytest.approx(1 + 1e6 * 1040e-9)
    found = bounds.depth_bound(scenario(host__watermark=2))
    assert found.arrivals.burst == 2
    assert found.server.rate == pytest.approx(2 / 1100e-9)
    assert found.linear == pytest.approx(2 + 1e6 * 1040e-9)
    found = bounds.depth_bound(scenario(host__drain=True))
    assert found.server.rate == pytest.approx(1 / 200e-9)
    assert found.linear == pytest.approx(1 + 1e6 * 1040e-9)


def test_a_host_that_reads_on_may_start_at_the_release():
    """Bits come 20 ns apart, and are taken 2.5 + 5 i ns after the start, 37.5 ns the last.

    After a latency of 500 ns all are there from the first on. Read on at the release of bit 7
    the last comes 20 ns later; of bit 6, 40 ns later. Frame 1 is released 539 ns after frame 0,
    whose read ends at 540.
    """
    quick = {"host__service_latency": "500 ns", "host__clock": "200 MHz"}
    assert release_bound(scenario(**quick)) == 1
    reads_on = scenario(**quick, host__drain=True)
    assert release_bound(reads_on) == 7
    close = reads_on.with_value("trigger.rate", "1855288 Hz")
    assert count(close.with_value("fifo.release_bits", 7), Fate.UNDERRUN) == 0
    assert count(close.with_value("fifo.release_bits", 6), Fate.UNDERRUN) > 0


def test_a_release_at_the_last_instant_is_proven():
    """Bit 8 is there 20 ns after the release of bit 7: taken at 2.5 + 35 = 37.5 if at once.

    At 400 MHz it is taken at 18.75, so that 1.25 ns of latency are just enough.
    """
    fast = {"host__clock": "400 MHz"}
    enough = scenario(host__service_latency="1250 ps", **fast)
    assert release_bound(enough) == 7
    assert release_bound(scenario(host__service_latency="1249 ps", **fast)) == 8


@pytest.mark.parametrize(
    ("changes", "fits"),
    [
        # The host: 700 + 200 ns.
        ({"trigger__rate": "1111 kHz"}, True),
        ({"trigger__rate": "1111 kHz", "fifo__depth": 1}, False),
        # The converter: 840 + 160 ns of 1 us, and an acquisition that no trigger is missed for.
        ({"converter__conversion_time": "840 ns", "host__service_latency": "9 ns"}, True),
        ({"converter__conversion_time": "840001 ps", "host__service_latency": "9 ns"}, False),
        ({"converter__acquisition_time": "900 ns"}, True),
        # The one trigger 10 ns late, the next 10 ns early; each crosses by itself.
        ({"converter__conversion_time": "820 ns", "host__service_latency": "9 ns",
          "trigger__jitter": {"shape": "uniform", "low": "-10 ns", "high": "10 ns"}}, True),
        ({"converter__conversion_time": "821 ns", "host__service_latency": "9 ns",
          "trigger__jitter": {"shape": "uniform", "low": "-10 ns", "high": "10 ns"}}, False),
        # 1 % slow: 161.6 ns.
        ({"converter__conversion_time": "838 ns", "host__service_latency": "9 ns",
          "remote_clock__tolerance": "-1 %"}, True),
        ({"converter__conversion_time": "839 ns", "host__service_latency": "9 ns",
          "remote_clock__tolerance": "-1 %"}, False),
    ],
)  # fmt: skip
def test_a_rate_that_loses_nothing(changes, fits):
    tried = scenario(**changes)
    assert bounds.keeps_rate(tried) == fits
    if fits:
        assert count(tried, Fate.MISSED_TRIGGER) + count(tried, Fate.OVERRUN) == 0


@pytest.mark.parametrize(
    ("changes", "why"),
    [
        ({"link__scheme": "forwarded_clock"}, "each frame waits for the host's clock"),
        ({"trigger__rate": "1112 kHz"}, "the host lags if every service latency is the longest"),
        (
            {"converter__conversion_time": {"shape": "exponential", "mean": "9 ns"}},
            "the conversion has no upper bound",
        ),
    ],
)
def test_a_rate_that_nothing_can_be_proven_of(changes, why):
    with pytest.raises(UnboundedError, match=f"^{why}$"):
        bounds.keeps_rate(scenario(**changes))


def test_nothing_is_proven_where_a_transient_may_take_a_symbol():
    burst = {"kind": "poisson", "rate": "1 kHz", "slew": "90 kV/us", "swing": "400 V"}
    tried = scenario(barrier__slew_immunity="50 kV/us", transient=[burst])
    for proof in (bounds.depth_bound, bounds.keeps_rate, release_bound):
        with pytest.raises(UnboundedError, match="transients"):
            proof(tried)
