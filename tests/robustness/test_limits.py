"""What a valid-looking file costs: within 2 GB and 20 s, or refused by name.

Each is read by a process that has no more (`tests.robustness.limited`).
"""

from __future__ import annotations

import pytest
import tomli_w

from simlink.scenario.checks import MOST_BITS
from tests.robustness.bench import bench
from tests.robustness.limited import simlink_within

RUN = ("run", "s.toml", "--engine", "event")
BUDGET = ("budget", "s.toml")
DIAGRAM = ("diagram", "s.toml", "--out", "d.svg")


def within(folder, values, words):
    """Run a command on the bench supply's scenario with other values; return status, complaint."""
    (folder / "s.toml").write_text(tomli_w.dumps(bench(values)))
    status, _, said = simlink_within(folder, *words)
    return status, said


def test_a_skew_far_below_another_time_costs_no_more(tmp_path):
    # 74 GiB were asked for.
    values = {"barrier.return.channel_skew": "1 ps", "converter.data_valid": "100 us"}
    assert within(tmp_path, values, BUDGET) == (0, "")


def test_a_picture_of_a_long_skew_is_refused_or_a_page(tmp_path):
    status, said = within(tmp_path, {"barrier.return.channel_skew": "1 s"}, DIAGRAM)
    assert status in (0, 2)
    assert len(said.splitlines()) == 1
    assert "more than a page" in said


@pytest.mark.parametrize("words", [RUN, BUDGET, DIAGRAM])
def test_a_frame_of_a_million_bits_is_refused(tmp_path, words):
    # 7.9 GB: there is a generator for each bit and lane.
    frame = {"lanes": 64, "words_per_lane": 256, "word_bits": 64}
    status, said = within(tmp_path, {"frame": frame}, words)
    assert status == 2
    wanted = "64 lanes of 256 words of 64 bits are 1048576 bits; a frame has at most 2048"
    assert said.splitlines()[0].endswith(wanted)


def test_the_largest_frame_is_none_too_large(tmp_path):
    frame = {"lanes": 64, "words_per_lane": 2, "word_bits": 16}
    assert MOST_BITS == 64 * 2 * 16
    # One run of it: a broken limit would have it repeated for causes and cures, however long it is.
    clocks = {"remote_clock.frequency": "40 MHz", "host.clock": "100 MHz"}
    status, said = within(tmp_path, {"frame": frame, "trigger.rate": "1 kHz", **clocks}, RUN)
    assert status in (0, 1), said


def test_a_long_dotted_key_is_refused(tmp_path):
    # 40 kB of it took 1.6 GB.
    (tmp_path / "s.toml").write_text("a." * 20_000 + "a = 1\n")
    status, _, said = simlink_within(tmp_path, *BUDGET)
    assert status == 2
    assert len(said.splitlines()) == 1


@pytest.mark.parametrize(
    ("size", "wanted"),
    [(3 * 2**30, "at most 256 MiB"), (2**22, "line 2: longer than 1 MiB")],
)
def test_a_sparse_recording_is_refused(tmp_path, size, wanted):
    with (tmp_path / "r.csv").open("wb") as file:
        file.write(b"latency_ns\n")
        file.truncate(size)
    table = {"shape": "recorded", "file": "r.csv", "column": "latency_ns", "unit": "ns"}
    status, said = within(tmp_path, {"host.service_latency": table}, BUDGET)
    assert status == 2
    assert wanted in said
    assert len(said.splitlines()) == 1


def test_delays_of_an_hour_cost_no_more(tmp_path):
    wide = {"shape": "uniform", "low": "0 s", "high": "59 s"}
    values = {"barrier.forward.delay": "0.5 h", "fifo.sync_delay": wide, "host.clock": "1 kHz"}
    status, said = within(tmp_path, values, RUN)
    assert status in (0, 1, 2), said
