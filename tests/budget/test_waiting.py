"""Whether a frame waits for others, worked by hand, and that none is later than worst if not."""

from __future__ import annotations

import json
from fractions import Fraction

import numpy as np
import pytest

from simlink.budget import budget
from simlink.engines.event import EventEngine
from simlink.pictures.budget_table import table
from simlink.records import Fate
from tests.budget.budget_cases import budget_of, made

NS = 10**6
REMOTE = "remote_master"


def uniform(low, high):
    return {"shape": "uniform", "low": f"{low} ns", "high": f"{high} ns"}


#: A conversion of 500 ns and 5 bits at 20 MHz, 250 ns, at 1 MHz; a service of 300 ns and a read of
#: 250 ns. The last bit is captured after 225 ns: 725 ns to the release, 1275 to the last bit read.
PLAIN = {"link.scheme": REMOTE, "trigger.rate": "1 MHz"}
REPEAT = {"kind": "parity", "on_failure": "repeat", "kept_frames": 2, "repeat_timeout": "9 us"}
LOOP = {
    "link.scheme": REMOTE, "trigger.pattern": "after_read", "trigger.rate": None,
    "trigger.gap": "1 ns", "host.timeout": "725 ns",
}  # fmt: skip
JUST_LATE = {"fifo.sync_delay": "1 ns"}


@pytest.mark.parametrize(
    ("values", "why"),
    [
        (PLAIN, ""),
        # With its read of 250 ns a service may last the whole period of 1 us, and no longer.
        (PLAIN | {"host.service_latency": uniform(0, 750)}, ""),
        (PLAIN | {"host.service_latency": uniform(0, 751)}, "take up to 1.001 us, and releases"),
        # Jitter of the bits, of triggers and conversions brings releases together.
        (PLAIN | {"host.service_latency": "749 ns", "barrier.return.jitter": uniform(0, 2)},
         "may be as close as 998 ns"),
        (PLAIN | {"host.service_latency": "749 ns", "trigger.jitter": uniform(0, 2)},
         "may be as close as 998 ns"),
        # However close triggers come, the converter takes 750 ns for each.
        (PLAIN | {"trigger.pattern": "poisson", "host.service_latency": "500 ns"}, ""),
        (PLAIN | {"trigger.pattern": "poisson", "host.service_latency": "501 ns"},
         "may be as close as 750 ns"),
        (PLAIN | {"host.service_latency": {"shape": "exponential", "mean": "100 ns"}},
         "service latency and read take any time"),
        (PLAIN | {"host.watermark": 2, "fifo.depth": 4}, "the host reads once 2 of them wait"),
        (PLAIN | {"check": REPEAT}, "asked for once more"),
        # A release 1 us after its trigger is one of the instants that let busy fall.
        (PLAIN | {"host.interrupt": "edge", "fifo.sync_delay": "275 ns"}, ""),
        (PLAIN | {"host.interrupt": "edge", "fifo.sync_delay": "276 ns"},
         "released up to 1.001 us after its trigger"),
        (PLAIN | {"host.interrupt": "edge", "fifo.sync_delay": "276 ns",
                  "trigger.source": "remote"}, ""),
        # From the start of the clock to the end of the read 775 ns, and a credit crosses in 225.
        (PLAIN | {"fifo.when_full": "stall", "fifo.depth": 1, "barrier.forward.delay": "225 ns"},
         ""),
        (PLAIN | {"fifo.when_full": "stall", "fifo.depth": 1, "barrier.forward.delay": "226 ns"},
         "wait for a credit"),
        (LOOP, ""),
        (LOOP | JUST_LATE, "host.timeout of 725 ns"),
        (LOOP | {"fifo.when_full": "stall", "barrier.forward.delay": "400 ns",
                 "host.timeout": "2 us"}, ""),
    ],
)  # fmt: skip
def test_it_is_known_whether_a_frame_waits(values, why):
    found = budget_of(values).waiting
    assert (found is None) == (not why)
    assert found is None or why in found.why


@pytest.mark.parametrize("scheme", ["forwarded_clock", "returned_clock"])
def test_where_the_host_reads_a_frame_waits_if_its_trigger_came_too_soon(scheme):
    """500 ns of conversion, up to 475 of a service and half a clock period, 25 ns, fill 1 us."""
    values = {"link.scheme": scheme, "trigger.rate": "1 MHz", "conversions": 300}
    one = budget_of(values | {"host.service_latency": uniform(0, 475)})
    assert one.waiting is None
    assert latest(one.scenario) <= sum(piece.largest for piece in one.latency)
    found = budget_of(values | {"host.service_latency": uniform(0, 476)})
    assert found.waiting.why == (
        "the host's clock may come for a conversion up to 1.001 us after its trigger, and the "
        "next trigger may come 1 us after it"
    )
    assert found.waited == (False, True)
    # In a loop the next frame comes early only if the host has given one up: released at 501 ns.
    loop = LOOP | {"link.scheme": scheme, "fifo.sync_delay": "1 ns"}
    assert budget_of(loop | {"host.timeout": "501 ns"}).waiting is None
    assert "host.timeout of 500 ns" in budget_of(loop | {"host.timeout": "500 ns"}).waiting.why


def latest(scenario):
    """Return the longest time from a trigger to the end of a read, in fs."""
    longest = 0
    for block in EventEngine().run(scenario, range(scenario.trials), words=False):
        read = np.isin(block.fate, (Fate.DELIVERED, Fate.UNDERRUN, Fate.CORRUPTED))
        longest = max(longest, int((block.read_end - block.trigger)[read].max()))
    return longest


@pytest.mark.parametrize("most", [750, 900])
def test_no_frame_is_later_than_the_worst_unless_frames_may_wait(most):
    """Each frame may wait for a read of one that had a service of 900 ns, not of 750."""
    values = {"host.service_latency": uniform(0, most), "conversions": 300, "trials": 2}
    one = budget_of(PLAIN | values)
    worst = sum(piece.largest for piece in one.latency)
    assert worst == (975 + most) * NS
    assert (latest(one.scenario) > worst) == (one.waiting is not None)


def test_a_latency_that_leaves_a_wait_aside_is_not_given_as_the_worst():
    """300 ns on average leave none at the means; 751 at the most and 250 exceed 1 us."""
    scenario = made(PLAIN | {"host.service_latency": uniform(0, 751)})
    found = budget(scenario, trials=1)
    text = " ".join(table(found).split())
    assert "latency to the last bit, worst" in text
    assert "1.726 us + wait" in text
    assert (
        "+ wait: such a latency is that of a frame that waits for no other. Here frames may wait: "
        "of the forwarded clock, the host's clock may come for a conversion up to 1.276 us after "
        "its trigger, and the next trigger may come 1 us after it; of the returned clock, the "
        "host's clock may come for a conversion up to 1.276 us after its trigger, and the next "
        "trigger may come 1 us after it; of the remote master, service latency and read "
        "take up to 1.001 us, and releases may be as close as 1 us. A run tells how long." in text
    )
    said = json.loads(found.to_json())["schemes"][REMOTE]["latency"]
    assert said["worst"] is None
    assert said["nominal"] == said["without_wait"]["nominal"] == pytest.approx(1350.5e-9)
    assert said["without_wait"]["worst"] == pytest.approx(1726e-9)
    assert said["frames_may_wait"].startswith("service latency and read take up to 1.001 us")


def test_a_watermark_waits_at_the_means_too():
    found = budget(made(PLAIN | {"host.watermark": 2, "fifo.depth": 4}), trials=1)
    text = table(found)
    assert text.count("1.275 us + wait") == 2
    # Where the host's clock reads, nothing waits.
    assert text.count("1.05 us + wait") == 0
    said = found[REMOTE].to_dict()["latency"]
    assert said["nominal"] is None
    assert said["worst"] is None


def test_where_no_frame_waits_nothing_is_said_of_it():
    found = budget(made(PLAIN), trials=1)
    assert "wait" not in table(found)
    said = found[REMOTE].to_dict()["latency"]
    assert said["frames_may_wait"] is None
    assert said["worst"] == said["without_wait"]["worst"] == float(Fraction(1275, 10**9))


def test_that_common_mode_events_are_left_aside_is_said_where_there_are_some():
    event = {"kind": "at", "times": ["1 us"], "slew": "60 kV/us", "swing": "400 V"}
    told = "Common-mode events are left aside."
    assert told not in table(budget(made(PLAIN), trials=1))
    text = table(budget(made(PLAIN | {"transient": [event]}), trials=1))
    assert told in " ".join(text.split())
