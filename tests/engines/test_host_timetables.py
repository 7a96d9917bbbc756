"""Timetables of the host worked by hand: notice, timeout, loops, watermark, reading all.

The base chain is that of `test_timetables`: a trigger sent at t is released at t + 306 and its
first bit is pushed at t + 240. Times are in ns.
"""

from __future__ import annotations

import pytest

from simlink.base.instants import NEVER
from simlink.engines.batch import BatchEngine
from simlink.engines.event import EventEngine
from simlink.tracing.trace import trace
from tests.engines.chain import NS, TIGHT, UNTROUBLED, chain, in_ns, record, rows_of, timetable

LONG = {"conversions": 4, "fifo.depth": 4, "host.service_latency": "1900 ns"}


def given_up(scenario):
    return record(scenario).timed_out[0].tolist()


# Notice


def test_an_edge_goes_unnoticed_if_the_next_trigger_is_already_sent():
    """Trigger 1 leaves at 500, frame 0 is released at 521: busy stays high.

    Busy falls at 771 with frame 1's release. The service that begins then reads one frame, the
    oldest: 871-911. No edge is left for frame 1.
    """
    scenario = chain(TIGHT | {"conversions": 2, "host.interrupt": "edge"})
    assert rows_of(scenario) == timetable("""
        0 0 0  250 260 425  455 515 521  871 911 delivered
        1 0 0  500 510 675  705 765 771  -   -   in_flight
    """)
    busy = in_ns(trace(scenario, range(2)).of("host.busy"))
    assert busy == [(250, 1), (771, 0)]


def test_a_count_is_noticed_all_the_same():
    """The same triggers: services at 521 and 771."""
    assert rows_of(chain(TIGHT | {"conversions": 2, "host.interrupt": "level"})) == timetable("""
        0 0 0  250 260 425  455 515 521  621 661 delivered
        1 0 0  500 510 675  705 765 771  871 911 delivered
    """)


def test_reading_all_makes_up_for_an_edge_that_went_unnoticed():
    """The service of 771 reads both, back to back."""
    changed = TIGHT | {"conversions": 2, "host.interrupt": "edge", "host.drain": True}
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  250 260 425  455 515 521  871 911 delivered
        1 0 0  500 510 675  705 765 771  911 951 delivered
    """)


def test_an_edge_during_a_service_is_latched_once():
    """A latency of 1000. Frame 0 is served at 1306 and read 2306-2466.

    The edge at 2306 is latched and serves frame 1 at 2466: 3466-3626. The edge at 3306 is
    latched: frame 2 is served at 3626 and read 4626-4786.
    """
    changed = {"conversions": 3, "host.interrupt": "edge", "host.service_latency": "1 us"}
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 1306  2306 2466 delivered
        1 0 0  2000 2010 2210  2240 2300 2306  3466 3626 delivered
        2 0 0  3000 3010 3210  3240 3300 3306  4626 4786 delivered
    """)


def test_two_edges_during_a_service_are_latched_as_one():
    """A latency of 1900. Edges at 2306 and 3306 fall within the service of 1306-3366.

    The one latch serves frame 1 from 3366: read 5266-5426. The edge at 4306 falls within that
    service and serves frame 2 from 5426: 7326-7486. Nothing is left to serve frame 3.
    """
    assert rows_of(chain(LONG | {"host.interrupt": "edge"})) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 1306  3206 3366 delivered
        1 0 0  2000 2010 2210  2240 2300 2306  5266 5426 delivered
        2 0 0  3000 3010 3210  3240 3300 3306  7326 7486 delivered
        3 0 0  4000 4010 4210  4240 4300 4306  -    -    in_flight
    """)


def test_a_latch_waits_for_the_watermark():
    """Watermark 2: the edge of 1306 is kept, and the service begins with frame 1 at 2306."""
    changed = {"conversions": 2, "host.interrupt": "edge", "host.watermark": 2}
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 1306  2406 2566 delivered
        1 0 0  2000 2010 2210  2240 2300 2306  2566 2726 delivered
    """)


def test_every_release_of_a_remote_timer_is_noticed():
    """No trigger raises busy at the host: releases at 511 and 761 (10 earlier, no crossing)."""
    changed = TIGHT | {"conversions": 2, "host.interrupt": "edge", "trigger.source": "remote"}
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  250 250 415  445 505 511  611 651 delivered
        1 0 0  500 500 665  695 755 761  861 901 delivered
    """)


# Timeout


def test_a_frame_that_was_given_up_is_read_all_the_same():
    """Sent 1000, given up at 1300, released at 1306 and read."""
    scenario = chain({"host.timeout": "300 ns"})
    assert rows_of(scenario) == timetable(UNTROUBLED + "delivered")
    assert given_up(scenario) == [True]
    found = in_ns(trace(scenario).entries)
    host_side = [(at, name) for at, name, _ in found if name in ("host.busy", "host.timeout")]
    assert host_side == [(1000, "host.busy"), (1300, "host.timeout"), (1300, "host.busy")]


@pytest.mark.parametrize(("timeout", "late"), [("305 ns", True), ("306 ns", False)])
def test_a_release_at_the_instant_of_the_timeout_is_in_time(timeout, late):
    """Sent 1000, released 1306."""
    scenario = chain({"host.timeout": timeout})
    assert rows_of(scenario) == timetable(UNTROUBLED + "delivered")
    assert given_up(scenario) == [late]


@pytest.mark.parametrize("engine", [EventEngine, BatchEngine])
@pytest.mark.parametrize(("timeout", "late"), [("2399 ns", True), ("2400 ns", False)])
def test_a_frame_that_is_discarded_ahead_of_its_release_answers_no_trigger(engine, timeout, late):
    """Frame 0 would be released at 2400, well in time, but gives its slot to frame 1 at 2240.

    That one is released at 2300 + 1100: when trigger 0, sent at 1000, has waited for 2400.
    """
    values = {"fifo.depth": 1, "fifo.when_full": "drop_old", "fifo.sync_delay": "1100 ns"}
    scenario = chain(values | {"conversions": 2, "host.timeout": timeout})
    (block,) = engine().run(scenario, range(1), words=False)
    assert block.release[0].tolist() == [NEVER, 3400 * NS]
    assert block.timed_out[0].tolist() == [late, False]


@pytest.mark.parametrize(("timeout", "late"), [("600 ns", [0, 0, 0, 1]), ("400 ns", [0, 1, 0, 1])])
def test_a_later_release_clears_the_busy_of_a_missed_trigger(timeout, late):
    """Sent 250, 500 (missed), 750, 1000 (missed); released 522 and 1022.

    Trigger 1's timeout ends at 1100, after frame 2's release, or at 900, before it. Nothing is
    released after trigger 3.
    """
    changed = TIGHT | {"conversions": 4, "converter.conversion_time": "166 ns"}
    scenario = chain(changed | {"host.timeout": timeout})
    assert given_up(scenario) == [bool(one) for one in late]
    released = [row[8] for row in rows_of(scenario)]
    assert released == [522_000_000, None, 1_022_000_000, None]


def test_a_frame_dropped_before_its_release_is_given_up():
    """Frame 1 finds the only slot taken at 2240: given up at 2500. Frame 0 came in time."""
    changed = {"conversions": 2, "fifo.depth": 1, "host.service_latency": "1900 ns"}
    assert given_up(chain(changed | {"host.timeout": "500 ns"})) == [False, True]


# Loops

LOOP = {
    "conversions": 3,
    "trigger.pattern": "after_read",
    "trigger.rate": None,
    "trigger.gap": "100 ns",
    "host.timeout": "5 us",
}


def test_a_loop_triggers_a_gap_after_each_read():
    """Sent 100, released 406, served, read 506-666; so 766 is next, and every 666 after it."""
    assert rows_of(chain(LOOP)) == timetable("""
        0 0 0  100  110  310   340  400  406   506  666  delivered
        1 0 0  766  776  976   1006 1066 1072  1172 1332 delivered
        2 0 0  1432 1442 1642  1672 1732 1738  1838 1998 delivered
    """)


def test_a_loop_goes_on_a_gap_after_a_timeout():
    """Given up 300 after each trigger, 6 before its release: sent 100, 500, 900.

    Frame 0 is read 506-666 although it was given up, and calls for no trigger of its own.
    """
    scenario = chain(LOOP | {"host.timeout": "300 ns"})
    assert rows_of(scenario) == timetable("""
        0 0 0  100 110 310   340  400  406   506  666  delivered
        1 0 0  500 510 710   740  800  806   906  1066 delivered
        2 0 0  900 910 1110  1140 1200 1206  1306 1466 delivered
    """)
    assert given_up(scenario) == [True, True, True]


def test_a_frame_read_after_it_was_given_up_calls_for_no_trigger():
    """A gap of 1000: sent 1000, given up at 1300, so 2300 is next, though it is read 1406-1566."""
    changed = LOOP | {"conversions": 2, "trigger.gap": "1 us", "host.timeout": "300 ns"}
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 1306  1406 1566 delivered
        1 0 0  2300 2310 2510  2540 2600 2606  2706 2866 delivered
    """)


def test_a_loop_goes_on_after_a_missed_trigger():
    """Given up 100 after each trigger: sent 100, 300, 500.

    Frame 0's readout ends at 395, so trigger 1, arriving at 310, is missed.
    """
    scenario = chain(LOOP | {"host.timeout": "100 ns"})
    assert rows_of(scenario) == timetable("""
        0 0 0  100 110 310  340 400 406  506 666  delivered
        1 0 0  300 -   -    -   -   -    -   -    missed_trigger
        2 0 0  500 510 710  740 800 806  906 1066 delivered
    """)
    assert given_up(scenario) == [True, True, True]


def test_a_loop_that_never_reaches_its_watermark_stops():
    """Frame 0 is released in time, so it is never given up, and is never read either."""
    assert rows_of(chain(LOOP | {"host.watermark": 2})) == timetable("""
        0 0 0  100 110 310  340 400 406  - - in_flight
    """)


# Groups


def test_a_watermark_reads_its_frames_back_to_back_after_one_latency():
    """Two wait at 2306; read from 2406, 160 each. Frame 2 waits alone, for ever."""
    assert rows_of(chain({"conversions": 3, "host.watermark": 2})) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 1306  2406 2566 delivered
        1 0 0  2000 2010 2210  2240 2300 2306  2566 2726 delivered
        2 0 0  3000 3010 3210  3240 3300 3306  -    -    in_flight
    """)


def test_reading_all_adds_what_was_released_by_the_end_of_the_last_read():
    """Frame 0 is read 3206-3366. Frames 1 (2306) and 2 (3306) follow: 3366, 3526, 3686.

    Frame 3 is released at 4306 to an idle host and read 6206-6366.
    """
    assert rows_of(chain(LONG | {"host.drain": True})) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 1306  3206 3366 delivered
        1 0 0  2000 2010 2210  2240 2300 2306  3366 3526 delivered
        2 0 0  3000 3010 3210  3240 3300 3306  3526 3686 delivered
        3 0 0  4000 4010 4210  4240 4300 4306  6206 6366 delivered
    """)


def test_reading_all_adds_what_is_released_at_the_end_of_the_last_read():
    """A latency of 1840: frame 0 is read 3146-3306, and frame 2 is released at 3306."""
    changed = LONG | {
        "conversions": 3,
        "host.service_latency": "1840 ns",
        "host.drain": True,
    }
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 1306  3146 3306 delivered
        1 0 0  2000 2010 2210  2240 2300 2306  3306 3466 delivered
        2 0 0  3000 3010 3210  3240 3300 3306  3466 3626 delivered
    """)


def test_reading_all_begins_at_the_watermark_and_goes_on_below_it():
    """Watermark 2, latency 900: served at 2306, frames 0 and 1 read 3206-3526.

    Frame 2, released at 3306, is read on: 3526-3686. Frame 3 waits alone.
    """
    changed = LONG | {
        "host.watermark": 2,
        "host.service_latency": "900 ns",
        "host.drain": True,
    }
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 1306  3206 3366 delivered
        1 0 0  2000 2010 2210  2240 2300 2306  3366 3526 delivered
        2 0 0  3000 3010 3210  3240 3300 3306  3526 3686 delivered
        3 0 0  4000 4010 4210  4240 4300 4306  -    -    in_flight
    """)


def test_a_service_takes_the_latency_of_its_first_frame(recording):
    """Latencies 1300, 10, 200, 20 and reading all.

    Frame 0 is read 2606-2766 and frame 1 (2306) follows with no latency: 2766-2926. Frame 2 is
    served at 3306 and read 3506-3666; frame 3 at 4306 and 4326.
    """
    changed = LONG | {
        "host.service_latency": recording([1300, 10, 200, 20]),
        "host.drain": True,
    }
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 1306  2606 2766 delivered
        1 0 0  2000 2010 2210  2240 2300 2306  2766 2926 delivered
        2 0 0  3000 3010 3210  3240 3300 3306  3506 3666 delivered
        3 0 0  4000 4010 4210  4240 4300 4306  4326 4486 delivered
    """)


def test_a_group_takes_the_latency_of_its_first_frame(recording):
    """Two wait at 2306; frame 0's latency is 100, frame 1's 900."""
    changed = {
        "conversions": 2,
        "host.watermark": 2,
        "host.service_latency": recording([100, 900]),
    }
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  1000 1010 1210  1240 1300 1306  2406 2566 delivered
        1 0 0  2000 2010 2210  2240 2300 2306  2566 2726 delivered
    """)


def test_draws_belong_to_conversions_even_if_those_are_missed(recording):
    """Latencies 100, 1, 200, 2: frame 2's is the third, though trigger 1 was missed."""
    changed = TIGHT | {
        "conversions": 3,
        "converter.conversion_time": "166 ns",
        "host.service_latency": recording([100, 1, 200, 2]),
    }
    assert rows_of(chain(changed)) == timetable("""
        0 0 0  250 260 426  456 516  522   622  662  delivered
        1 0 0  500 -   -    -   -    -     -    -    missed_trigger
        2 0 0  750 760 926  956 1016 1022  1222 1262 delivered
    """)
