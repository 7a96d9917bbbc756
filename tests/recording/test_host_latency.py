import errno
import os
import threading
import time

import numpy as np
import pytest

from simlink.base.errors import InputError, OutputError
from simlink.commands.results import keep
from simlink.recording import host_latency
from simlink.recording.histogram import format_ns, plot_histogram
from simlink.recording.host_latency import (
    InterruptedRecordingError,
    record,
    summarise,
    write_csv,
)


def read_back(path):
    lines = path.read_text().splitlines()
    comments = [line for line in lines if line.startswith("#")]
    header, *rows = [line for line in lines if not line.startswith("#")]
    return comments, header, [tuple(map(int, row.split(","))) for row in rows]


class FakeMachine:
    """A clock that moves only while the recorder sleeps, late by what a list says."""

    def __init__(self, lateness, step=1):
        self.now = 0
        self.lateness = iter(lateness)
        self.asked = []

    def perf_counter_ns(self):
        return self.now

    def sleep(self, seconds):
        self.asked.append(round(seconds * 1e9))
        self.now += self.asked[-1] + next(self.lateness)


@pytest.fixture
def machine(monkeypatch):
    def build(lateness):
        fake = FakeMachine(lateness)
        monkeypatch.setattr(host_latency, "time", fake)
        return fake

    return build


def test_a_real_recording_has_its_rows_and_its_pace():
    before = time.perf_counter_ns()
    latencies = record(500_000, 200)
    took = time.perf_counter_ns() - before
    assert latencies.dtype == np.int64
    assert latencies.shape == (200,)
    assert (latencies >= 0).all()
    # 200 absolute deadlines: the whole lasts 200 periods and the last lateness, no less.
    assert took >= 200 * 500_000 + latencies[-1]


def test_deadlines_are_absolute(machine):
    fake = machine([30_000, 10_000, 0, 70_000])
    assert record(100_000, 4).tolist() == [30_000, 10_000, 0, 70_000]
    # Each sleep is shorter by the lateness before it: an error is never carried on.
    assert fake.asked == [100_000, 70_000, 90_000, 100_000]


def test_a_stall_is_seen_by_every_deadline_that_it_covers(machine):
    machine([250_000, 5_000])
    assert record(100_000, 4).tolist() == [250_000, 150_000, 50_000, 5_000]


def test_a_wake_up_before_the_deadline_is_no_wake_up(machine):
    fake = machine([-40_000, 7_000])
    assert record(100_000, 1).tolist() == [7_000]
    assert fake.asked == [100_000, 40_000]


def test_drawing_the_progress_is_not_taken_for_latency(machine):
    fake = machine([1_000] * 20)
    told = []

    def draw(done):
        told.append(done)
        fake.now += 230_000_000

    latencies = record(100_000_000, 20, progress=draw)
    assert latencies.tolist() == [1_000] * 20
    assert told
    assert all(told[i] < told[i + 1] for i in range(len(told) - 1))


def test_nothing_is_drawn_while_the_task_is_behind(machine):
    # The stall ends after 9 periods, at 1 s: due for a drawing, but 8 rows are still behind.
    machine([900_000_000] + [0] * 20)
    told = []
    latencies = record(100_000_000, 15, progress=told.append)
    assert latencies[:10].tolist() == [100_000_000 * k for k in range(9, -1, -1)]
    assert min(told) >= 10


def test_ctrl_c_keeps_the_rows_that_were_recorded(machine):
    fake = machine([5_000, 6_000, 7_000])
    sleep, slept = fake.sleep, []

    def sleep_until_stopped(seconds):
        if len(slept) == 3:
            raise KeyboardInterrupt
        slept.append(seconds)
        sleep(seconds)

    fake.sleep = sleep_until_stopped
    with pytest.raises(InterruptedRecordingError) as stop:
        record(100_000, 50)
    assert stop.value.latencies.tolist() == [5_000, 6_000, 7_000]
    assert isinstance(stop.value, KeyboardInterrupt)


def children_of_this_process():
    found = set()
    for entry in os.listdir("/proc"):
        if entry.isdigit():
            try:
                with open(f"/proc/{entry}/stat") as file:
                    parent = int(file.read().rpartition(")")[2].split()[1])
            except OSError:
                continue
            if parent == os.getpid():
                found.add(int(entry))
    return found


@pytest.mark.skipif(not os.path.isdir("/proc/self"), reason="counts processes in /proc")
def test_the_load_runs_during_the_recording_and_never_after_it():
    before = children_of_this_process()
    during = set()

    def look():
        time.sleep(0.05)
        for _ in range(200):
            during.update(children_of_this_process() - before)
            if len(during) == 2:
                return
            time.sleep(0.01)

    watcher = threading.Thread(target=look)
    watcher.start()
    latencies = record(1_000_000, 600, load=2)
    watcher.join()
    assert len(latencies) == 600
    assert len(during) == 2
    assert not children_of_this_process() & during


@pytest.mark.parametrize(
    ("period", "count", "load", "key"),
    [
        (9_999, 1, 0, "period_ns"),
        (10_000_000_001, 1, 0, "period_ns"),
        (1e6, 1, 0, "period_ns"),
        (True, 1, 0, "period_ns"),
        (1_000_000, 0, 0, "count"),
        (1_000_000, -5, 0, "count"),
        (1_000_000, 10_000_001, 0, "count"),
        (1_000_000, 1, -1, "load"),
        (1_000_000, 1, 257, "load"),
        (1_000_000, 1, float("nan"), "load"),
    ],
)
def test_a_parameter_out_of_range_is_refused(period, count, load, key):
    with pytest.raises(InputError) as told:
        record(period, count, load)
    assert told.value.key == key


def test_quantiles_are_rows_and_too_few_rows_give_none():
    latencies = np.arange(1, 1001, dtype=np.int64)[::-1].copy()
    summary = summarise(latencies, period_ns=990)
    assert (summary.median, summary.p99, summary.p999) == (500, 990, 999)
    assert (summary.count, summary.largest_seen, summary.missed_periods) == (1000, 1000, 10)
    assert summarise(latencies[:999]).p999 is None
    assert summarise(latencies[:100]).p99 is not None
    assert summarise(latencies[:99]).p99 is None
    assert summarise(latencies).missed_periods is None
    assert summarise(np.array([7])).median == 7


@pytest.mark.parametrize("bad", [[], [[1, 2]], [3, -1]])
def test_a_recording_that_is_none_is_refused(bad):
    with pytest.raises(InputError):
        summarise(np.array(bad, dtype=np.int64))


def test_the_table_reads_back_exactly(tmp_path):
    latencies = np.array([0, 17, 2**53 + 1, 4], dtype=np.int64)
    path = tmp_path / "host.csv"
    write_csv(path, latencies, period_ns=1_000_000, load=3, command="simlink host-latency\n--x")
    comments, header, rows = read_back(path)
    assert header == "index,latency_ns"
    assert rows == list(enumerate(latencies.tolist()))
    text = "\n".join(comments)
    for said in ("date: 2", "machine: ", "period: 1000000 ns", "load: 3 ", "caution: A desktop's"):
        assert said in text
    assert "command: simlink host-latency --x" in text
    assert "interrupted" not in text
    import platform

    assert platform.machine() in text
    assert not platform.node() or f" {platform.node()}" not in text


def test_a_recording_cut_short_says_so(tmp_path):
    path = tmp_path / "host.csv"
    write_csv(path, np.array([1, 2]), period_ns=1_000_000, asked=50)
    assert "# interrupted: 2 of 50 wake-ups recorded" in read_back(path)[0]


def test_the_recorded_shape_replays_the_table(tmp_path):
    from simlink.scenario.loading import loads
    from simlink.scenario.starter import render

    latencies = np.array([1_200, 950, 31_000, 0, 4_000], dtype=np.int64)
    write_csv(tmp_path / "host.csv", latencies, period_ns=1_000_000)
    text = render({"service-latency": str(tmp_path / "host.csv")}, tmp_path)
    scenario = loads(text, base=tmp_path)
    sampler = scenario.host.service_latency.sampler(lambda name: np.random.default_rng(1))
    taken = sampler.take(10)
    start = latencies.tolist().index(taken[0] // 10**6)
    expected = np.roll(np.tile(latencies, 2), -start) * 10**6
    assert taken.tolist() == expected.tolist()


def test_a_table_is_replaced_whole_or_left_alone(tmp_path, monkeypatch):
    path = tmp_path / "host.csv"
    write_csv(path, np.array([1]), period_ns=1_000_000)
    write_csv(path, np.array([2, 3]), period_ns=1_000_000)
    assert read_back(path)[2] == [(0, 2), (1, 3)]
    before = path.read_bytes()

    def full(descriptor):
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OutputError) as told:
        write_csv(path, np.array([9]), period_ns=1_000_000)
    assert "No space left" in str(told.value)
    assert "\n" not in str(told.value)
    assert path.read_bytes() == before
    assert [entry.name for entry in tmp_path.iterdir()] == ["host.csv"]


def test_ctrl_c_while_writing_leaves_nothing_half_written(tmp_path, monkeypatch):
    def stop(descriptor):
        raise KeyboardInterrupt

    monkeypatch.setattr(os, "fsync", stop)
    with pytest.raises(KeyboardInterrupt):
        write_csv(tmp_path / "host.csv", np.array([9]), period_ns=1_000_000)
    assert list(tmp_path.iterdir()) == []


def test_a_table_is_as_readable_as_any_other_file(tmp_path):
    write_csv(tmp_path / "host.csv", np.array([9]), period_ns=1_000_000)
    (tmp_path / "other").write_text("")
    assert (tmp_path / "host.csv").stat().st_mode == (tmp_path / "other").stat().st_mode


@pytest.mark.parametrize(
    ("nanoseconds", "text"),
    [
        (0, "0 s"),
        (999, "999 ns"),
        (1_000, "1 us"),
        (53_240, "53.2 us"),
        (99_960, "100 us"),
        (999_600, "1 ms"),
        (999_400, "999 us"),
        (2_500_000_000, "2.5 s"),
    ],
)
def test_a_time_has_at_most_three_digits(nanoseconds, text):
    assert format_ns(nanoseconds) == text


def recording():
    rng = np.random.default_rng(4)
    return (50_000 + rng.exponential(8_000, 5_000)).astype(np.int64)


def test_the_histogram_holds_every_wake_up_and_marks_the_quantiles():
    latencies = recording()
    latencies[77] = 3_000_000
    ax = plot_histogram(latencies)
    bars = ax.containers[0]
    assert sum(bar.get_height() for bar in bars) == len(latencies)
    # The one late wake-up has a bar that can be seen.
    last = max(bars, key=lambda bar: bar.get_x())
    assert last.get_x() <= 3_000 <= last.get_x() + last.get_width()
    assert last.get_height() == 1 > ax.get_ylim()[0]
    assert ax.get_yscale() == "log"
    summary = summarise(latencies)
    marks = {line.get_label().rsplit(" ", 2)[0]: line.get_xdata()[0] for line in ax.get_lines()}
    assert marks == {
        "median": summary.median / 1e3,
        "99 %": summary.p99 / 1e3,
        "99.9 %": summary.p999 / 1e3,
        "largest seen": 3_000.0,
    }
    assert len({line.get_color() for line in ax.get_lines()}) == 4
    assert len({line.get_linestyle() + str(line._dash_pattern) for line in ax.get_lines()}) == 4
    assert "µs" in ax.get_xlabel()
    assert "count" in ax.get_ylabel()
    assert "5000" in ax.get_title(loc="left")


@pytest.mark.parametrize("values", [[0], [7], [5, 5, 5], [0, 10**10], [51_000, 52_000]])
def test_the_histogram_of_any_recording_can_be_drawn(values, tmp_path):
    ax = plot_histogram(np.array(values, dtype=np.int64))
    assert sum(bar.get_height() for bar in ax.containers[0]) == len(values)
    keep(tmp_path, "h", ax)


def test_the_histogram_is_drawn_where_it_is_told_to_without_global_state():
    import sys

    from matplotlib.figure import Figure

    ax = Figure().add_subplot()
    assert plot_histogram(recording(), ax=ax) is ax
    assert (
        "matplotlib.pyplot" not in sys.modules or not sys.modules["matplotlib.pyplot"].get_fignums()
    )


def test_the_same_recording_gives_the_same_pictures(tmp_path):
    for name in ("a", "b"):
        keep(tmp_path, name, plot_histogram(recording()))
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()
    assert (tmp_path / "a.png").read_bytes().startswith(b"\x89PNG")
    assert b"<svg" in (tmp_path / "a.svg").read_bytes()
