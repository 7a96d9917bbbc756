"""Small chains for the tests: a base whose instants are easy to work by hand, and its tables."""

from __future__ import annotations

import copy
from decimal import Decimal

import numpy as np

from simlink.base.instants import NEVER
from simlink.engines.event import EventEngine
from simlink.engines.event.wiring import Chain, blank
from simlink.running.ledger import COLUMNS, INSTANTS, table
from simlink.scenario.loading import from_dict

NS = 10**6

#: One lane of one 4-bit word; every instant a whole nanosecond.
BASE = {
    "conversions": 1,
    "link": {"scheme": "remote_master"},
    "trigger": {"rate": "1 MHz"},
    "frame": {"word_bits": 4},
    "converter": {"conversion_time": "200 ns"},
    "remote_clock": {"frequency": "50 MHz", "start_delay": "5 ns"},
    "barrier": {"forward": {"delay": "10 ns"}, "return": {"delay": "15 ns"}},
    "fifo": {"depth": 2, "sync_delay": "6 ns"},
    "host": {"clock": "25 MHz", "service_latency": "100 ns"},
}

#: Four triggers a microsecond; from 260 on, the readout ends 250 ns after each arrival.
TIGHT = {
    "trigger.rate": "4 MHz",
    "converter.conversion_time": "165 ns",
    "host.clock": "100 MHz",
    "fifo.depth": 4,
}

#: The one row of the base chain but its fate, in ns.
UNTROUBLED = "0 0 0  1000 1010 1210  1240 1300 1306  1406 1566 "


def put(raw, values):
    """Return a copy of raw tables with dotted keys set; None takes a key away."""
    raw = copy.deepcopy(raw)
    for key, value in values.items():
        *above, last = key.split(".")
        table = raw
        for step in above:
            table = table.setdefault(step, {})
        if value is None:
            table.pop(last, None)
        else:
            table[last] = value
    return raw


def chain(values=None, base=BASE, where="."):
    """Return the base scenario with some dotted keys changed."""
    return from_dict(put(base, values or {}), where)


def record(scenario, trial=0, words=True):
    """Run one trial on the event engine and return its records."""
    (block,) = EventEngine().run(scenario, range(trial, trial + 1), words=words)
    return block


def events(scenario, every_edge):
    """Run one trial and return how many events it took, with every edge one or not."""
    made = Chain(scenario, 0, blank(scenario, 0, words=True))
    made.signals.every_edge = every_edge
    made.run()
    assert made.env.peek() == float("inf")
    return next(made.env._eid)


def rows_of(scenario):
    """Return the ledger of trial 0: (conversion, lane, position, 8 instants, fate, short)."""
    found = []
    for row in table(record(scenario)).to_pylist():
        assert tuple(row) == tuple(COLUMNS)
        assert row["trial"] == 0
        assert row["flagged"] is False
        names = ("conversion", "lane", "position", *INSTANTS, "fate", "short_acquisition")
        found.append(tuple(row[name] for name in names))
    return found


def timetable(text, unit=NS):
    """Read a table worked by hand.

    A line is: conversion lane position, then t_trigger t_aperture t_ready t_first_bit t_last_bit
    t_release t_read_start t_read_end in `unit` (``-``: never), then the fate, then ``short`` if
    the acquisition was short. Lines without a digit in front are headings.
    """
    rows = []
    for line in text.splitlines():
        cells = line.split()
        if not cells or not cells[0].isdigit():
            continue
        names, times, rest = cells[:3], cells[3:11], cells[11:]
        instants = [None if one == "-" else Decimal(one) * unit for one in times]
        assert all(one is None or one == one.to_integral_value() for one in instants)
        rows.append(
            (
                *map(int, names),
                *(None if one is None else int(one) for one in instants),
                rest[0],
                rest[1:] == ["short"],
            )
        )
    return rows


def happened(times):
    """Return instants with None where a thing did not happen."""
    return [None if one == NEVER else one for one in np.asarray(times).ravel().tolist()]


def in_ns(entries):
    """Return (ns, signal, value) of trace entries that fall on whole nanoseconds."""
    assert all(time % NS == 0 for time, *_ in entries)
    return [(time // NS, *rest) for time, *rest in entries]


def noting_beliefs(made):
    """Have a chain's host note, of each read, what it takes the frame for; return the notes."""
    found, read = [], made.counts.read

    def noted(idle):
        found.append(read(idle))
        return found[-1]

    made.counts.read = noted
    return found
