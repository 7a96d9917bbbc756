"""Importance splitting: its mean is right whatever its levels are, and its interval covers."""

import math
import os

import numpy as np
import pytest
from scipy import stats

from simlink.engines.batch.branch_draws import Stage
from simlink.engines.batch.branching import Branches, NoBranchesError, refuse
from simlink.rare import splitting
from simlink.rare.exact import exact_loss
from simlink.rare.rounds import Plan, find_levels, left_of, one_round, spans
from simlink.rare.splitting import PILOT, SplitLoss, first_look, rounds_for, split_loss
from simlink.records import Fate
from simlink.running.run import run
from simlink.scenario.distributions import Exponential, Normal, Uniform
from tests.engines.chain import NS, chain
from tests.outside import queues
from tests.rare.test_exact import link

STALLING = {
    "shape": "two_state",
    "normal": "300 ns",
    "stalled": {"shape": "exponential", "mean": "3 us"},
    "spacing": {"shape": "geometric", "mean": 30},
    "length": {"shape": "uniform", "low": 1, "high": 3},
}
WAITING = {"host__service_latency": {"shape": "exponential", "mean": "700 ns"}}
#: Kinds of hosts and triggers, and levels; what they lose from empty can be simulated.
KINDS = {
    "frame by frame": ({"fifo__depth": 4}, (2, 3)),
    "stalls": ({"host__service_latency": STALLING, "fifo__depth": 5}, (2, 4)),
    "all": ({**WAITING, "host__drain": True, "fifo__depth": 3}, (2,)),
    "watermark": ({**WAITING, "host__watermark": 2, "fifo__depth": 5}, (3, 4)),
    "drop_old": ({"fifo__when_full": "drop_old"}, (2, 3)),
    "stall": ({**WAITING, "fifo__when_full": "stall"}, (2, 3)),
    "poisson": ({"trigger__pattern": "poisson", "fifo__depth": 4}, (2, 3)),
    "burst": (
        {
            **WAITING,
            "trigger__pattern": "burst",
            "trigger__burst_length": 8,
            "trigger__gap": {"shape": "uniform", "low": "3 us", "high": "7 us"},
            "fifo__depth": 5,
        },
        (3, 4),
    ),
    "jitter": (
        {
            "trigger__jitter": {"shape": "uniform", "low": "-60 ns", "high": "60 ns"},
            "converter__conversion_time": "300 ns",
            "trigger__tolerance": {"shape": "uniform", "low": "-3000 ppm", "high": "3000 ppm"},
        },
        (2,),
    ),
    "remote edges": (
        {"host__interrupt": "edge", "trigger__source": "remote", "fifo__depth": 3},
        (2,),
    ),
}


@pytest.mark.parametrize("kind", KINDS)
def test_the_mean_of_rounds_is_what_the_engine_loses(kind):
    values, levels = KINDS[kind]
    scenario, conversions, trials = link(**values), 100, 3000
    plan = Plan(0, conversions, 128, tuple(map(float, levels)))
    rounds = np.array([one_round(scenario, plan, number) for number in range(12)])
    found = run(
        scenario.with_(trials=trials, conversions=conversions), engine="batch", ledger=False
    )
    fates = [Fate.OVERRUN]
    if scenario.fifo.when_full == "stall":
        fates = [Fate.MISSED_TRIGGER, Fate.NOT_RECEIVED]
    shares = sum(found.tally.of_fate(fate) for fate in fates) / conversions
    assert shares.mean() > 0
    error = np.hypot(shares.std(ddof=1) / np.sqrt(trials), rounds.std(ddof=1) / np.sqrt(12))
    assert abs(rounds.mean() - shares.mean()) < 4 * error


def queue(load, depth, seed=3):
    scenario = queues.queue("periodic", queues.exponential(load), depth, conversions=10)
    return scenario.with_(seed=seed)


def test_a_rare_loss_is_that_of_the_chain():
    scenario = queue(0.4, 7)
    truth = exact_loss(scenario)
    assert truth.value < 1e-6
    found = split_loss(scenario, most=16, branches=512)
    error = np.log(found.high / found.low) / 2 / 2.13
    assert abs(np.log(found.value / truth.value)) < 4 * error
    assert found.error < 1


def test_what_is_high_as_the_count_begins_is_not_left_to_plain_chance():
    """It makes half of the loss of few conversions; one round in many would show any of it."""
    scenario = queue(0.4, 10)
    plan = Plan(256, 16, 256, tuple(map(float, range(3, 11))))
    rounds = np.array([one_round(scenario, plan, number) for number in range(40)])
    assert abs(queues.score(rounds / exact_loss(scenario).value, 1.0)) < 4


def test_a_span_covers_what_the_host_remembers_and_a_full_fifo():
    """When the next stall comes hangs on the last one unless spacings are geometric."""
    counts = {"spacing": {"shape": "geometric", "mean": 900}}
    usual = spans(link(host__service_latency=STALLING), None)
    assert spans(link(host__service_latency=STALLING | counts), None) == usual
    counts = {"spacing": {"shape": "uniform", "low": 900, "high": 900}}
    whole = spans(link(host__service_latency=STALLING | counts), None)
    assert whole.span >= 900
    assert whole.warm >= whole.span
    assert spans(link(fifo__depth=200), None).span >= 800


def test_levels_of_a_deeper_fifo_do_for_a_shallower_one():
    scenario = queue(0.4, 4)
    plan = Plan(1024, 256, 64, (1.0, 3.0, 5.0))
    found = first_look(scenario, branches=64, rounds=3, like=plan)
    assert (found.rounds, found.plan.levels) == (3, (1.0, 3.0))
    own = [one_round(scenario, found.plan, number) for number in range(3)]
    assert found.value == np.mean(own)


def test_the_number_of_rounds_depends_on_the_pilot_alone():
    scenario = queue(0.4, 4)
    pilot = first_look(scenario, branches=64)
    many = rounds_for(pilot, 0.3)
    found = split_loss(scenario, error=0.3, branches=64)
    assert pilot.rounds == PILOT
    assert found.rounds == many
    # Others than the pilot's: any of them would be in both.
    own = [one_round(scenario, pilot.plan, number) for number in range(PILOT, PILOT + many)]
    assert found.value == np.mean(own)
    assert rounds_for(pilot, 0.1) > 4 * many


@pytest.mark.parametrize(
    ("losses", "reach"),
    [
        # Student's with 3 degrees of freedom, from tables.
        ([1, 3, 1, 3], 3.182446 * math.sqrt(4 / 3) / 2 / math.sqrt(4)),
        # Residuals of -1 (nine times) and 9: 2 x 90^2 / (10 / 9 x 5760) = 2.53125 degrees.
        ([1] * 9 + [11], stats.t.ppf(0.975, 2.53125) * math.sqrt(10) / 2 / math.sqrt(10)),
    ],
)
def test_an_interval_knows_less_of_rounds_that_few_decide(monkeypatch, losses, reach):
    monkeypatch.setattr(splitting, "spread", lambda *_, **__: [1e-9 * one for one in losses])
    pilot = first_look(queue(0.4, 4), rounds=len(losses), like=Plan(1024, 256, 64, (1.0,)))
    assert pilot.value == pytest.approx(2e-9)
    assert math.log(pilot.value / pilot.low) == pytest.approx(reach, rel=1e-6)
    assert math.log(pilot.high / pilot.value) == pytest.approx(reach, rel=1e-6)


def test_an_interval_is_wider_for_more_confidence():
    scenario = queue(0.4, 4)
    wide, narrow = (
        split_loss(scenario, confidence=confidence, most=8, branches=64)
        for confidence in (0.99, 0.9)
    )
    assert wide.value == narrow.value
    assert wide.low < narrow.low < narrow.high < wide.high


def test_rounds_are_a_function_of_scenario_and_seed():
    scenario = link(host__drain=True)
    plan = find_levels(scenario, spans(scenario, 50, 64))
    first = [one_round(scenario, plan, number) for number in (0, 1)]
    assert [one_round(scenario, plan, number) for number in (1, 0)] == first[::-1]
    other = one_round(scenario.with_(seed=6), plan, 0)
    assert other != first[0]
    assert first[0] != first[1]


def test_frames_that_wait_for_long_need_longer_rings():
    stalls = {
        "shape": "two_state",
        "normal": "300 ns",
        "stalled": "150 us",
        "spacing": {"shape": "geometric", "mean": 100},
    }
    scenario = link(host__service_latency=stalls)
    plan = Plan(0, 200, 32, (2.0,))
    assert one_round(scenario, plan, 0) > 0


@pytest.mark.parametrize(
    "law",
    [
        Exponential(mean=10**6),
        Uniform(low=0, high=2 * 10**6),
        Normal(mean=10**6, sigma=3 * 10**5, low=0),
    ],
)
def test_what_is_left_of_a_latency_has_its_conditional_law(law):
    """Against plain draws, those that are too short left out."""
    rng = np.random.default_rng(4)
    passed, many = 900_000, 200_000
    raw = np.empty(many)
    law.draw_raw(rng, raw)
    plain = law.from_raw(raw)
    plain = plain[plain > passed]
    found = left_of(law, np.full(many, passed), rng.random(many))
    assert found.min() > passed
    for power in (1, 2):
        ours, theirs = found.astype(float) ** power, plain.astype(float) ** power
        error = np.hypot(ours.std() / np.sqrt(many), theirs.std() / np.sqrt(len(theirs)))
        assert abs(ours.mean() - theirs.mean()) < 4 * error


@pytest.mark.parametrize(("levels", "said"), [((), "0 levels"), ((2,), "1 level"), ((1, 2), "2 ")])
def test_the_cost_counts_levels_and_rounds(levels, said, monkeypatch):
    pilot = SplitLoss(None, None, None, 0.95, PILOT, Plan(0, 64, 1024, levels), None, ())
    monkeypatch.setattr(splitting, "first_look", lambda *args, **more: pilot)
    monkeypatch.setattr(splitting, "more_rounds", lambda *args, **more: pilot)
    lines = []
    split_loss(link(), most=1, report=lines.append)
    assert lines[0].startswith(said)
    assert "; 1 round in about" in lines[0]


def test_what_cannot_be_branched_is_refused_by_its_key():
    with pytest.raises(NoBranchesError, match=r"host\.interrupt"):
        split_loss(link(host__interrupt="edge"))


def test_gaps_that_hang_together_are_refused_of_bursts_and_not_of_a_loop():
    """A loop draws them one by one, as it does latencies; a burst for all branches at once."""
    gap = STALLING | {"stalled": "9 us", "normal": "3 us"}
    with pytest.raises(NoBranchesError, match=r"trigger\.gap"):
        refuse(
            chain({"trigger.pattern": "burst", "trigger.burst_length": 3, "trigger.gap": gap}),
        )
    loop = {"trigger.pattern": "after_read", "trigger.rate": None, "host.timeout": "50 us"}
    refuse(chain(loop | {"trigger.gap": gap}))


def branches(count):
    """Return some branches of the base chain that begin, their latency exponential."""
    latency = {"shape": "exponential", "mean": "900 ns"}
    made = Branches(chain({"host.service_latency": latency}), range(count), 64, left_of)
    made.begin(Stage(1, 0, "begin"))
    return made


def test_a_latency_that_has_just_passed_is_not_drawn_again():
    """Begun at 0, the read of 160 ns starts at 500 ns; it is looked at around then."""
    made = branches(3)
    state = made.now["state"]
    state["begun"], state["free_at"], state["named"] = 0, 660 * NS, 1
    state["now"] = [500 * NS - 1, 500 * NS, 500 * NS + 1]
    made.now["ends"][:, 0] = 660 * NS
    made._outlast(Stage(1, 0, "one"))
    assert (state["free_at"] == made.now["ends"][:, 0]).all()
    first, *others = state["free_at"].tolist()
    assert first > 660 * NS
    assert others == [660 * NS] * 2


def test_what_branches_remember_are_whole_numbers():
    """Half a minute in fs is beyond what a float tells from the next one."""
    made = branches(1)
    for name, rows in made.now.items():
        for field in rows.dtype.names or ("",):
            kind = rows.dtype[field] if field else rows.dtype
            assert kind.kind in "iub", (name, field)


def test_nothing_lost_has_no_value():
    found = split_loss(queue(0.01, 3).with_values({"host.service_latency": "1 us"}), most=2)
    assert found.value is None


def test_recordings_are_named(tmp_path):
    rows = "\n".join(["latency", *["300"] * 50, "6000"])
    (tmp_path / "host.csv").write_text(rows + "\n")
    law = {
        "shape": "recorded",
        "file": str(tmp_path / "host.csv"),
        "column": "latency",
        "unit": "ns",
    }
    found = split_loss(link(host__service_latency=law), conversions=60, most=4, branches=64)
    assert found.rows_only == ("host.service_latency",)
    assert found.value > 0


MANY = int(os.environ.get("SIMLINK_SEEDS", "0"))


@pytest.mark.skipif(not MANY, reason="SIMLINK_SEEDS says how many seeds are tried")
@pytest.mark.parametrize(("load", "depth"), [(0.4, 6), (0.4, 9), (0.4, 12)])
def test_intervals_cover_the_loss_of_the_chain(load, depth):
    """About 1e-6, 1e-9 and 1e-12; the values themselves average to the loss, too."""
    scenario = queue(load, depth)
    truth = exact_loss(scenario, width=0.01).value
    inside, values = 0, []
    for seed in range(MANY):
        found = split_loss(scenario.with_(seed=seed), error=0.25, branches=256)
        inside += found.low <= truth <= found.high
        values.append(found.value / truth)
    z = queues.score(values, 1.0)
    print(f"{truth:.3g}: {inside} of {MANY} cover; mean {np.mean(values):.3f}, z {z:.2f}")
    assert abs(z) < 4
    error = np.sqrt(0.05 * 0.95 / MANY)
    assert abs(inside / MANY - 0.95) < 4 * error
