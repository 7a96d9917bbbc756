import json

import numpy as np
import pytest

from simlink.base.errors import InputError
from simlink.figures.figure import Figure
from simlink.running import run as runs
from simlink.studies import vary as studies
from simlink.studies.vary import Variation, VariedPoint, vary
from tests.proofs.test_bounds import scenario

LATENCY = {"shape": "exponential", "mean": "700 ns"}


def link(**changes):
    return scenario(trials=12, conversions=200, host__service_latency=LATENCY, **changes)


def test_each_point_is_the_run_of_its_scenario():
    found = vary(link(), {"fifo.depth": [1, 3]})
    for point, depth in zip(found.points, (1, 3), strict=True):
        alone = runs.run(link(fifo__depth=depth), ledger=False)
        assert point.values == (depth,)
        assert point.figures == dict(alone.figures)
    assert set(found.points[0].figures) == set(studies.FIGURES)


@pytest.mark.parametrize("engine", ["batch", "event"])
def test_how_many_workers_are_worth_it_depends_on_the_engine(engine, monkeypatch):
    """Two points of 12 units of 200 conversions."""
    asked = []
    monkeypatch.setattr(studies, "default_workers", lambda *of: asked.append(of) or 1)
    vary(link(), {"fifo.depth": [1, 3]}, engine=engine)
    assert asked == [(engine, 4800)]


def test_points_share_their_draws():
    """A deeper FIFO never loses more, which independent draws would not show."""
    counts = vary(link(), {"fifo.depth": "1..12"}).table["overrun_count"]
    assert (np.diff(counts.astype(int)) <= 0).all()
    assert counts.iloc[0] > 10 * counts.iloc[-1]


def test_the_table_is_tidy():
    found = vary(link(), {"host.clock": "20 MHz, 40 MHz", "fifo.depth": "1..3"})
    table = found.table
    assert len(table) == 6 == found.total
    assert list(table.columns[:4]) == ["host.clock", "host.clock [Hz]", "fifo.depth", "triggers"]
    assert list(table["host.clock"]) == ["20 MHz"] * 3 + ["40 MHz"] * 3
    assert list(table["host.clock [Hz]"]) == [20e6] * 3 + [40e6] * 3
    assert list(table["fifo.depth"]) == [1, 2, 3] * 2
    assert not table.columns.duplicated().any()
    row = table.iloc[0]
    assert row["overrun"] == row["overrun_count"] / row["overrun_of"]
    assert row["overrun_low"] < row["overrun"] < row["overrun_high"]
    assert (table["triggers_count"] == 2400).all()


def test_two_keys_are_changed_at_once():
    """A watermark of 6 fits no FIFO of 4, nor does a depth of 2 a watermark of 4."""
    found = vary(
        link(host__watermark=4).with_value("fifo.depth", 4),
        {"fifo.depth": [8], "host.watermark": [6]},
    )
    assert found.points[0].values == (8, 6)


def test_a_key_may_reach_into_a_shape():
    found = vary(link(), {"host.service_latency.mean": "200 ns..800 ns in 3"})
    lost = found.table["overrun_count"]
    assert lost.iloc[0] < lost.iloc[-1]


def test_release_bits_follow_the_frame_where_they_were_left_out():
    found = vary(link(), {"frame.word_bits": [4, 8]}, "underrun")
    assert [point.figures["underrun"].count for point in found.points] == [0, 0]


@pytest.mark.parametrize(
    ("keys", "figure", "said"),
    [
        ({"fifo.dept": "1..3"}, "overrun", "unknown key"),
        ({"depth": "1..3"}, "overrun", "unknown key"),
        ({"fifo.depth": [2, 0]}, "overrun", "from 1 to"),
        ({"fifo.depth": "2 ns, 3 ns"}, "overrun", "whole number"),
        ({"fifo.depth": []}, "overrun", "at least one"),
        ({"fifo.depth": [1, 2]}, "overruns", 'did you mean "overrun"'),
        ({"host.clock.mean": ["1 MHz"]}, "overrun", "no table"),
        ({}, "overrun", "one or two keys"),
        ({"fifo.depth": "1..50", "frame.word_bits": "1..50"}, "overrun", "points in all"),
    ],
)
def test_what_is_bad_is_told_before_anything_runs(keys, figure, said, monkeypatch):
    monkeypatch.setattr(studies, "run", lambda *args, **kwargs: pytest.fail("ran for nothing"))
    with pytest.raises(InputError, match=said):
        vary(link(), keys, figure)


def test_interrupted_it_keeps_the_finished_points(monkeypatch):
    def run(candidate, **options):
        if candidate.fifo.depth == 3:
            raise KeyboardInterrupt
        return runs.run(candidate, **options)

    monkeypatch.setattr(studies, "run", run)
    found = vary(link(), {"fifo.depth": "1..5"})
    assert found.interrupted
    assert [point.values for point in found.points] == [(1,), (2,)]
    assert len(found.table) == 2
    assert found.plot().lines


def test_progress_counts_points_and_their_trials():
    told = []
    vary(link(), {"fifo.depth": [1, 2]}, progress=lambda *now: told.append(now), workers=1)
    done = [number + share for number, of, share in told]
    assert {of for _, of, _ in told} == {2}
    assert done == sorted(done)
    assert done[-1] == 2


def test_a_line_with_its_interval_and_upper_bounds():
    found = vary(link(), {"fifo.depth": [1, 4, 60]})
    ax = found.plot()
    lines = {line.get_label(): line for line in ax.lines}
    first, last = found.points[0].figures["overrun"], found.points[-1].figures["overrun"]
    assert lines["overrun"].get_ydata()[0] == first.value
    assert list(lines["none seen: below this, by boards"].get_xdata()) == [60]
    assert list(lines["none seen: below this, by boards"].get_ydata()) == [last.high]
    assert any("95 % interval" in label for label in ax.get_legend_handles_labels()[1])


def test_words_stand_side_by_side():
    ax = vary(link(), {"fifo.when_full": "drop_new, drop_old"}).plot()
    assert [one.get_text() for one in ax.get_xticklabels()] == ["drop_new", "drop_old"]


def test_a_map_for_two_keys():
    found = vary(link(), {"host.clock": "20 MHz, 40 MHz", "fifo.depth": [1, 2, 60]})
    ax = found.plot()
    shown = np.ma.filled(ax.images[0].get_array().astype(float), np.nan)
    assert shown.shape == (2, 3)
    assert shown[0, 0] == found.points[0].figures["overrun"].value
    assert np.isnan(shown[1, 2])
    assert len(ax.texts) == 6
    assert found.plot(figure="host_busy_share").get_title(loc="left").startswith("Host busy")


def test_no_cell_of_a_map_reads_as_less_than_its_scale_begins_with():
    """To the one digit that its interval leaves meaning to, 0.347 would be 0.3."""
    values = [0.347, 0.62, 0.964, None]
    shares = [Figure(one, one and one - 0.1, one and one + 0.03, 0.95, 9, 10) for one in values]
    shares[3] = Figure(None, 0.0, 0.393, 0.95, 0, 10)
    keys = {"host.clock": ["20 MHz", "40 MHz"], "fifo.depth": [1, 2]}
    points = [VariedPoint((), "event", {"overrun": share}) for share in shares]
    ax = Variation(link(), keys, "overrun", points).plot()
    assert [text.get_text() for text in ax.texts] == ["0.35", "0.62", "0.96", "below 40 %"]


def test_json_holds_every_point():
    found = vary(link(), {"fifo.depth": [1, 2]})
    kept = json.loads(found.to_json())
    assert kept["keys"] == {"fifo.depth": [1, 2]}
    assert [one["values"] for one in kept["points"]] == [{"fifo.depth": 1}, {"fifo.depth": 2}]
    assert kept["points"][0]["figures"]["overrun"]["count"] > 0
    assert found.to_json() == vary(link(), {"fifo.depth": [1, 2]}).to_json()
