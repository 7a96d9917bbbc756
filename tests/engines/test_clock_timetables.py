"""Timetables in femtoseconds of clocks whose periods are no whole femtoseconds.

Every edge is rounded once from its exact instant, half to even, and never from the edge before.
The base chain is that of `test_timetables`: a trigger sent at t starts the remote clock at
t + 215 ns; a bit captured at t + c is pushed at t + c + 15 ns.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from simlink.tracing.trace import trace
from tests.engines.chain import chain, happened, record, rows_of, timetable


def test_a_third_of_100_mhz_on_both_sides():
    """33.333333 MHz: 10^15/33333333 = 30 000 000.300 000 003 fs, half of it 15 000 000.15.

    The rising edges lie at 1, 3, 5 and 7 halves: 15 000 000.15, 45 000 000.45, 75 000 000.75
    and 105 000 001.05, so at ...000, ...000, ...001 and ...001. The fourth falling edge, at
    120 000 001.2, is 120 000 001; four periods of a rounded 30 000 000 would lose 1 fs.

    Clock starts at 1 215 000 000. Pushes from 1 245 000 000 to 1 335 000 001, release 6 ns and
    read 100 ns later, from 1 441 000 001, for 120 000 001.
    """
    both = {"remote_clock.frequency": "33.333333 MHz", "host.clock": "33.333333 MHz"}
    scenario = chain(both)
    assert rows_of(scenario) == timetable(
        """
        0 0 0  1000000000 1010000000 1210000000  1245000000 1335000001 1341000001
               1441000001 1561000002 delivered
        """.replace("\n               ", " "),
        unit=1,
    )
    found = trace(scenario)
    edges = [at - 1_215_000_000 for at, _ in found.of("remote.clock")]
    rising = [15_000_000, 45_000_000, 75_000_001, 105_000_001]
    falling = [30_000_000, 60_000_001, 90_000_001, 120_000_001]
    assert edges[0::2] == rising
    assert edges[1::2] == falling
    assert [at - 1_441_000_001 for at, _ in found.of("host.clock")] == edges


def test_three_times_48_khz():
    """144 kHz: 10^15/144000 = 6 944 444 444.44 fs; twice 13 888 888 888.89 is rounded up.

    Three times 20 833 333 333.33, four times 27 777 777 777.78.
    """
    found = record(chain({"conversions": 4, "trigger.rate": "144 kHz"}))
    due = [6_944_444_444, 13_888_888_889, 20_833_333_333, 27_777_777_778]
    assert happened(found.trigger) == due
    assert happened(found.release) == [t + 306_000_000 for t in due]


def test_exact_halves_are_rounded_to_even():
    """A clock crystal's 32.768 kHz = 2^15 Hz has a period of 5^15 = 30 517 578 125 fs, odd.

    Its rising edges are at 15 258 789 062.5 (to 062, even), 45 776 367 187.5 (to 188),
    76 293 945 312.5 (to 312) and 106 811 523 437.5 (to 438).
    """
    scenario = chain({"trigger.rate": "1 kHz", "remote_clock.frequency": "32.768 kHz"})
    start = 10**12 + 215_000_000
    rising = [15_258_789_062, 45_776_367_188, 76_293_945_312, 106_811_523_438]
    assert [at - start for at, level in trace(scenario).of("remote.clock") if level] == rising
    assert [at - start - 15_000_000 for at, _ in trace(scenario).of("fifo.push[0]")] == rising


def test_exact_halves_of_a_trigger():
    """65.536 kHz: 15 258 789 062.5 to even, then 30 517 578 125, 45 776 367 187.5 up to 188."""
    found = record(chain({"conversions": 4, "trigger.rate": "65.536 kHz"}))
    due = [15_258_789_062, 30_517_578_125, 45_776_367_188, 61_035_156_250]
    assert happened(found.trigger) == due


def test_tolerances_are_exact():
    """1 MHz + 100 ppm: 10^9/1.0001 = 999 900 009.999, twice ...1 999 800 019.998.

    50 MHz - 200 ppm = 49.99 MHz: half a period is 10 002 000.400 08 fs; 1, 3, 5, 7 of them are
    10 002 000.4, 30 006 001.2, 50 010 002.0, 70 014 002.8; eight are 80 016 003.2.
    """
    changed = {
        "conversions": 2,
        "trigger.tolerance": "100 ppm",
        "remote_clock.tolerance": "-200 ppm",
    }
    found = record(chain(changed))
    due = [999_900_010, 1_999_800_020]
    assert happened(found.trigger) == due
    start = np.array(due) + 215_000_000
    assert found.first_bit[0, :, 0, 0].tolist() == (start + 10_002_000 + 15_000_000).tolist()
    assert found.last_bit[0, :, 0, 0].tolist() == (start + 70_014_003 + 15_000_000).tolist()


def test_the_last_edge_of_a_slow_clock_decides_a_miss():
    """6.25 MHz - 1 ppm: the fourth falling edge is at 640 ns / 0.999999 = 640 000 640.0006 fs.

    With triggers 1 us apart, 160 ns of conversion and 199.99936 of start delay, the readout ends
    at 1 000 000 000 fs after the arrival: trigger 1 is taken. One femtosecond more and it is not.
    """
    changed = {
        "conversions": 2,
        "converter.conversion_time": "160 ns",
        "remote_clock.frequency": "6.25 MHz",
        "remote_clock.tolerance": "-1 ppm",
    }
    assert round(Fraction(4 * 10**15) / Fraction(6_249_993_75, 100)) == 640_000_640
    on_time = record(chain(changed | {"remote_clock.start_delay": "199999360 fs"}))
    assert happened(on_time.ready)[1] == 2_170_000_000
    too_late = record(chain(changed | {"remote_clock.start_delay": "199999361 fs"}))
    assert happened(too_late.ready)[1] is None


def test_a_line_time_is_rounded_once():
    """4 bits and 3 of overhead at 3 Mbit/s: 7/3 us = 2 333 333 333.33 fs, from the last capture.

    Captured at 1285 ns, pushed at 1 285 000 000 + 2 333 333 333 + 15 000 000.
    """
    changed = {
        "barrier.return.style": "packets",
        "barrier.return.packet_bits": 4,
        "barrier.return.overhead_bits": 3,
        "barrier.return.line_rate": "3 Mbit/s",
    }
    found = record(chain(changed))
    assert happened(found.first_bit) == [3_633_333_333]
    assert happened(found.last_bit) == [3_633_333_333]
