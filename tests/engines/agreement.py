"""Joins what engines hand over and tells where they differ; forces the batch engine to hurry."""

from __future__ import annotations

from contextlib import contextmanager

import numpy as np
import pytest

from simlink.engines.batch import BatchEngine, departures, engine
from simlink.engines.event import EventEngine
from simlink.link.transient import Upsets
from simlink.records import RECORD, UNREQUESTED

BITS = ("first_bit", "last_bit")


def joined(blocks):
    """Return the records of blocks by column, trials by conversions; each has to be there once."""
    trials = range(min(one.trials.start for one in blocks), max(one.trials.stop for one in blocks))
    parts = {}
    for block in blocks:
        parts.setdefault(block.trials, []).append(block)
    assert sum(map(len, parts)) == len(trials)
    found = {}
    for name in (*RECORD.names, *BITS):
        rows = []
        for which in sorted(parts, key=lambda one: one.start):
            upto = 0
            for block in parts[which]:
                assert block.first == upto
                upto += block.count
            values = [getattr(block, name) for block in parts[which]]
            if values[0] is not None:
                rows.append(np.concatenate(values, axis=1))
        if rows:
            found[name] = np.concatenate(rows)
    extras = [one.unrequested for one in blocks if one.unrequested is not None]
    extras = np.concatenate([np.zeros(0, dtype=UNREQUESTED), *extras])
    found["unrequested"] = extras[np.argsort(extras["trial"], kind="stable")]
    return found


def records_of(engine, scenario, words=True):
    """Run all trials on an engine and return the records by column."""
    return joined(list(engine.run(scenario, range(scenario.trials), words=words)))


def unlike(found, expected):
    """Return what differs between two runs' records: column, first place, both values."""
    assert found.keys() == expected.keys()
    differing = []
    for name, values in expected.items():
        if found[name].shape != values.shape:
            differing.append((name, (), found[name].shape, values.shape))
            continue
        places = np.argwhere(found[name] != values)
        if len(places):
            place = tuple(places[0].tolist())
            differing.append((name, place, found[name][place], values[place]))
    return differing


def differences(scenario):
    """Return what differs between the engines: column, first place, batch, event."""
    return unlike(records_of(BatchEngine(), scenario), records_of(EventEngine(), scenario))


@contextmanager
def short_stretches(longest=4, trials=2, numbers=0):
    """Let stretches be ``longest`` conversions, with units for so many trials drawn together.

    Rings then begin with two stretches, and are widened by whatever waits longer. One trial is
    walked at a time, but as many as ``numbers`` allow where they end within the first stretch.

    Yields
    ------
    list of str
        What was done: "step" for a stretch, "widen" for rings made longer, "leave" for a trial left
        to the event engine.
    """
    done = []

    def noting(name):
        plain = getattr(engine.Walk, name)

        def noted(self, *words):
            done.append(name.removeprefix("_"))
            return plain(self, *words)

        return noted

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(engine, "LONGEST", longest)
        patch.setattr(engine, "SHORTEST", min(longest, engine.SHORTEST))
        patch.setattr(engine, "NUMBERS", numbers)
        patch.setattr(engine, "TRIALS", trials)
        patch.setattr(departures, "_AHEAD", 3)
        for name in ("_step", "widen", "leave"):
            patch.setattr(engine.Walk, name, noting(name))
        yield done


def differences_across_stretches(scenario):
    """Return what differs when stretches have 4 conversions, one or two trials, and 8 places.

    Runs of 40 conversions then cross many of them.
    """
    with short_stretches() as done:
        found = differences(scenario)
    if "leave" not in done:
        assert done.count("step") == scenario.trials * -(-scenario.conversions // 4)
    return found


def windows_kept(scenario):
    """Return how many upset windows of a trial are kept, each time that more are asked for.

    It runs on the batch engine in stretches of 64 conversions.
    """
    kept = []
    plain = Upsets.since

    def noting(self, way, low, until):
        found = plain(self, way, low, until)
        kept.append(len(self.windows(way, until)[0]))
        return found

    with short_stretches(longest=64), pytest.MonkeyPatch.context() as patch:
        patch.setattr(Upsets, "since", noting)
        records_of(BatchEngine(), scenario, words=False)
    return kept
