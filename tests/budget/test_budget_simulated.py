"""Closed form against simulation: the highest clock, the boards that work, errors under jitter."""

from __future__ import annotations

import numpy as np
import pytest

from simlink.base.compiled import compiled
from simlink.base.instants import FAR, NEVER, multiples, period_of
from simlink.budget import budget
from simlink.budget.dual_dirac import error_ratio
from simlink.engines.batch import BatchEngine
from simlink.engines.event import EventEngine
from simlink.link.host_clocked import (
    RIGHT,
    bit_outcome,
    capture_offsets,
    cross_clock,
    valid_at_host,
    valid_until_at_host,
)
from simlink.records import Fate
from tests.budget.budget_cases import (
    SCHEMES,
    budget_of,
    clock_key,
    highest_passing,
    made,
    passes,
    pinned,
    random_parts,
)

PART_SETS = 200


def part_sets(scheme, count, seed):
    """Give random sets of parts that some clock can read, with their budgets."""
    rng = np.random.default_rng(seed)
    found = 0
    while found < count:
        values = random_parts(rng, scheme)
        one = budget_of(values)
        window = one.worst
        if not window.is_open or window.highest is None:
            continue
        if window.lowest is not None and window.lowest > 0.5 * window.highest:
            continue
        found += 1
        yield values, one


@pytest.mark.parametrize("scheme", SCHEMES)
def test_the_highest_clock_is_that_of_the_simulation(scheme):
    """Within one step of 0.1 %, every spread pinned at the worst corner, jitter off."""
    bound_by = set()
    count = PART_SETS // 3 + (scheme == "forwarded_clock") * 2
    for values, one in part_sets(scheme, count, seed=SCHEMES.index(scheme)):
        bound_by.add(one.worst.by)
        corner = pinned(values, one, one.margin(one.worst.by))
        # The closed form of the pinned parts is that of the spread ones at their worst.
        assert budget_of(corner).worst.highest == one.worst.highest
        rung = highest_passing(corner, scheme, one.worst.highest)
        assert rung in (-1, 0), (values, one.worst)
    assert "setup" in bound_by
    assert any("pulse" in name for name in bound_by)
    if scheme == "remote_master":
        assert any("lane to strobe" in name for name in bound_by)


def test_the_lowest_clock_of_a_late_capture_is_that_of_the_simulation():
    """Captured n > 2 half periods after its launch, a bit is gone if the clock is too slow."""
    rng = np.random.default_rng(5)
    tried = 0
    while tried < 12:
        values = random_parts(rng, "forwarded_clock") | {"host.capture": int(rng.integers(3, 6))}
        one = budget_of(values)
        if not one.worst.is_open or one.worst.highest < 1.02 * one.worst.lowest:
            continue
        tried += 1
        assert one.worst.low_by == "hold"
        corner = pinned(values, one, one.margin("hold"))
        limit = one.worst.lowest
        for ratio, good in ((1.001, True), (0.999, False)):
            clock = round(float(limit) * ratio)
            assert passes(made({**corner, "host.clock": f"{clock} Hz"})) == good


def test_a_trained_delay_is_limited_by_the_variation_of_the_round_trip():
    """12 to 20 ns of round trip and a capture at 20 ns: bits of 8 ns and more will do."""
    parts = {
        "converter.data_valid": "6 ns",
        "barrier.forward.delay": "7 ns",
        "barrier.return.delay": "7 ns",
        "host.capture": "20 ns",
    }
    window = budget_of(parts).worst
    # Valid at 20 ns, gone one period after 14 ns: 6 ns of variation.
    assert float(window.highest) == pytest.approx(1e9 / 6)
    for clock, good in (("166 MHz", True), ("167 MHz", False), ("1 MHz", True)):
        assert passes(made(parts | {"host.clock": clock})) == good
    early = budget_of(parts | {"host.capture": "19.5 ns", "host.clock": "20 MHz"})
    assert early.worst.never == ("setup",)
    assert not passes(made(parts | {"host.capture": "19.5 ns"}))
    (refusal,) = early.refusals()
    assert refusal.startswith("setup is 500 ps short at 20 MHz, and no clock cures it: ")


RANDOM = {
    "trials": 60,
    "frame.lanes": 2,
    "converter.data_valid": {"shape": "uniform", "low": "4 ns", "high": "9 ns"},
    "converter.data_hold": "6 ns",
    "barrier.forward.delay": {"shape": "uniform", "low": "10 ns", "high": "14 ns"},
    "barrier.return.delay": {"shape": "uniform", "low": "10 ns", "high": "14 ns"},
    "barrier.forward.part_to_part_skew": {"shape": "normal", "mean": "0 ns", "sigma": "500 ps"},
    "barrier.channel_skew": {"shape": "uniform", "low": "-900 ps", "high": "900 ps"},
    "barrier.pulse_width_distortion": {"shape": "uniform", "low": "-1 ns", "high": "1.5 ns"},
    "host.setup": {"shape": "uniform", "low": "1 ns", "high": "2 ns"},
    "remote_clock.setup": {"shape": "uniform", "low": "1 ns", "high": "2 ns"},
    "remote_clock.tolerance": {"shape": "uniform", "low": "-2 %", "high": "2 %"},
    "seed": 12,
}


@pytest.mark.parametrize(
    ("scheme", "clock", "capture"),
    [
        ("forwarded_clock", "16 MHz", "half"),
        ("forwarded_clock", "30 MHz", "whole"),
        ("forwarded_clock", "47 MHz", 3),
        ("returned_clock", "53 MHz", "half"),
        ("returned_clock", "107 MHz", "whole"),
        ("remote_master", "63 MHz", "half"),
        ("remote_master", "126 MHz", "whole"),
    ],
)
def test_the_units_that_work_are_those_of_the_simulation(scheme, clock, capture):
    """Unit by unit: what the budget says of trial k is what the engine makes of it."""
    section = "remote_clock" if scheme == "remote_master" else "host"
    values = {**RANDOM, "link.scheme": scheme, clock_key(scheme): clock}
    values[f"{section}.capture"] = capture
    if scheme == "remote_master":
        values |= {
            "barrier.return.style": "packets",
            "barrier.return.packet_bits": 4,
            "barrier.return.line_rate": "1 Gbit/s",
        }
    assert_units_agree(made(values))


@pytest.mark.parametrize(
    ("scheme", "capture", "low", "high"),
    [
        ("forwarded_clock", "whole", 40, 60),
        ("returned_clock", "half", 40, 60),
        ("returned_clock", "whole", 64, 84),
        ("remote_master", "half", 15, 35),
    ],
)
def test_the_units_whose_first_bit_is_late_are_those_of_the_simulation(scheme, capture, low, high):
    """A host that comes at once may capture bit 0 before it is valid."""
    values = {**RANDOM, "link.scheme": scheme, "host.capture": capture}
    values |= {
        "converter.msb_valid": {"shape": "uniform", "low": f"{low} ns", "high": f"{high} ns"},
        "host.service_latency": "0 ns",
        "remote_clock.setup": "2 ns",
    }
    one = assert_units_agree(made(values))
    lost = {
        margin.name for margin in one.margins if one.built.left(margin, one.clock, 0.5).min() < 0
    }
    assert lost == {"first bit"}


STROBED = RANDOM | {
    "link.scheme": "remote_master",
    "trials": 1000,
    "remote_clock.frequency": "63 MHz",
    "barrier.channel_skew": {"shape": "normal", "mean": "0 ns", "sigma": "3 ns"},
    "barrier.return.min_pulse": {"shape": "uniform", "low": "4 ns", "high": "7.5 ns"},
    "converter.data_valid": "4 ns",
    "remote_clock.setup": "2 ns",
}


@pytest.mark.parametrize("capture", ["half", "whole"])
@pytest.mark.parametrize("jitter", ["0 s", {"shape": "uniform", "low": "-1 fs", "high": "1 fs"}])
@pytest.mark.parametrize(
    "lanes", ["drawn", ["7.5 ns", "-7.3 ns"]], ids=["skews drawn", "skews given"]
)
def test_the_units_whose_strobe_takes_every_bit_are_those_of_the_simulation(capture, jitter, lanes):
    """Of 1000 boards so many work, says the budget, and the run delivers the frames of just those.

    With a jitter of a femtosecond the batch engine has to judge some of them bit by bit.
    """
    values = STROBED | {"remote_clock.capture": capture, "barrier.return.jitter": jitter}
    if lanes != "drawn":
        values["barrier.return.channel_skew"] = lanes
    scenario = made(values)
    one = budget(scenario, trials=1000)["remote_master"]
    kept = np.ones(1000, dtype=bool)
    for margin in one.margins:
        kept &= one.built.left(margin, one.clock, 1e-12) >= 0
    blocks = BatchEngine().run(scenario, range(1000), words=False)
    seen = np.concatenate([(block.fate == Fate.DELIVERED).all(axis=1) for block in blocks])
    assert kept.tolist() == seen.tolist()
    assert one.yields.working == seen.sum()
    assert 0.1 < seen.mean() < 0.9
    free = made(values | {"barrier.return.strobe": False})
    for block in BatchEngine().run(free, range(1000), words=False):
        assert (block.fate == Fate.DELIVERED).all()


def assert_units_agree(scenario):
    """Check the budget's units against those of the engine, one by one."""
    scheme = scenario.link.scheme
    one = budget(scenario, trials=scenario.trials)[scheme]
    kept = np.ones(scenario.trials, dtype=bool)
    for margin in one.margins:
        kept &= one.built.left(margin, one.clock, 1e-12) >= 0
    seen = [
        bool((block.fate == Fate.DELIVERED).all())
        for block in EventEngine().run(scenario, range(scenario.trials), words=False)
    ]
    assert kept.tolist() == seen
    assert 0.1 < np.mean(seen) < 0.9
    assert one.yields.working == sum(seen)
    return one


JITTERY = {
    "converter.data_valid": "9 ns",
    "barrier.forward.delay": "14 ns",
    "barrier.return.delay": "14 ns",
    "barrier.forward.jitter": {"shape": "normal", "mean": "0 ps", "sigma": "300 ps"},
    "barrier.return.jitter": {"shape": "normal", "mean": "0 ps", "sigma": "400 ps"},
    "host.setup": "3 ns",
}


@compiled
def judged(edges, captures, clock, data, returned, parts, by, room, wrong):
    """Read frames by the rules, edge by edge; by: 0 its own clock, 1 and 2 the returned one's."""
    forward, back, data_valid, data_hold, setup = parts
    bits = len(edges) // 2
    for frame in range(len(clock)):
        arriving, coming = clock[frame], returned[frame]
        sent, there = room[0], room[1]
        for edge in range(2 * bits):
            sent[edge] = edges[edge]
        cross_clock(sent, 2 * bits, forward, 0, arriving, 0, NEVER)
        for edge in range(2 * bits):
            there[edge] = sent[edge]
        if by:
            cross_clock(there, 2 * bits, back, 0, coming, 0, NEVER)
        # Bit 0 has been on the line for long.
        valid, before = valid_at_host(-(10**9), back, 0, data[frame, 0], NEVER), FAR
        until = NEVER
        for bit in range(bits):
            launch, off = sent[2 * bit + 1], data[frame, bit + 1]
            until = valid_until_at_host(launch + data_hold, back, 0, off, until)
            after = FAR
            if bit + 1 < bits:
                after = valid_at_host(launch + data_valid, back, 0, off, valid)
            captured = there[2 * bit + by - 1] if by else captures[bit]
            outcome = bit_outcome(captured, setup, 0, valid, until, before, after)
            wrong[frame, bit] = outcome != RIGHT
            before, valid = until, after


def wrong_bits(scenario, frames, seed):
    """Count wrong bits by the rules of a host-clocked read, with drawn jitter: (wrong, judged)."""
    rng = np.random.default_rng(seed)
    bits, period = 16, period_of(scenario.host.clock.value)
    barrier, capture = scenario.barrier, scenario.host.capture.half_periods

    def jitter(way, size):
        sigma = barrier.direction(way).jitter.sigma
        return np.rint(rng.normal(0, sigma, (frames, size))).astype(np.int64)

    parts = (
        *(barrier.direction(way).delay.constant_value for way in ("forward", "return")),
        scenario.converter.data_valid.constant_value,
        scenario.converter.data_hold.constant_value,
        scenario.host.setup.constant_value,
    )
    wrong = np.zeros((frames, bits), dtype=np.bool_)
    clock, data = jitter("forward", 2 * bits), jitter("return", bits + 1)
    judged(
        multiples(1, 2 * bits, period / 2),
        capture_offsets(scenario.host.clock.value, bits, capture, None),
        clock,
        data,
        jitter("return", 2 * bits),
        parts,
        capture if scenario.link.scheme == "returned_clock" else 0,
        np.empty((2, 2 * bits), dtype=np.int64),
        wrong,
    )
    return int(wrong[:, 1:].sum()), wrong[:, 1:].size


@pytest.mark.parametrize(
    ("scheme", "capture"),
    [("forwarded_clock", "whole"), ("returned_clock", "half"), ("returned_clock", "whole")],
)
@pytest.mark.parametrize(("deviations", "frames"), [(2.33, 4000), (3.3, 30_000), (4.1, 120_000)])
def test_bit_errors_under_gaussian_jitter(scheme, capture, deviations, frames):
    """Wrong bits by their timing, at 1e-2, 5e-4 and 2e-5, against erfc of the margin."""
    values = JITTERY | {"link.scheme": scheme, "host.capture": capture}
    # So that no hold is near: the capture of the whole period leans on it.
    values["converter.data_hold"] = "8 ns"
    setup = budget_of(values).margin("setup")
    interval = float(setup.nominal) + deviations * setup.rms_jitter
    clock = round(float(setup.periods) * 1e15 / interval)
    scenario = made(values | {"host.clock": f"{clock} Hz"})
    margin = budget(scenario, trials=1)[scheme].margin("setup")
    expected = error_ratio(float(margin.left(scenario.host.clock.value)), margin.rms_jitter)
    assert 1e-5 < expected < 1.1e-2
    wrong, judged = wrong_bits(scenario, frames, seed=71)
    assert judged * expected > 30
    assert abs(wrong - judged * expected) < 4 * np.sqrt(judged * expected * (1 - expected))


def test_bit_errors_in_the_event_engine():
    """A frame of sixteen bits has fifteen launched ones, each with errors of its own."""
    values = JITTERY | {"host.capture": "whole", "frame.word_bits": 16, "conversions": 600}
    scenario = made(values | {"host.clock": "24.3 MHz", "seed": 3})
    margin = budget(scenario, trials=1)["forwarded_clock"].margin("setup")
    ratio = error_ratio(float(margin.left(scenario.host.clock.value)), margin.rms_jitter)
    assert 5e-3 < ratio < 2e-2
    expected = 1 - (1 - ratio) ** 15
    (block,) = EventEngine().run(scenario, range(1), words=False)
    wrong = int((block.fate == Fate.CORRUPTED).sum())
    assert abs(wrong - 600 * expected) < 4 * np.sqrt(600 * expected * (1 - expected))
