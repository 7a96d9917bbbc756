"""Where a trial stands between two conversions, and what is noted of frames under way.

All of it is plain numbers in NumPy records that the compiled loops change in place and that can
be copied, so that a stretch can be run again from where it began.
"""

from __future__ import annotations

import numpy as np

from simlink.base.instants import FAR, NEVER


def _whole(*names: str) -> list[tuple[str, type]]:
    return [(name, np.int64) for name in names]


#: What a scenario says, the same for all its trials. ``certain``: whether nothing that is still to
#: come can change how a frame that has a slot is read. ``timeout`` is NEVER where there is none;
#: ``symbols`` are the bits or packets of a lane. ``data_bits``: the bits of a lane that are its
#: words'. ``upset_parts``: how likely a symbol that meets a window is hit; ``crosses``: whether a
#: trigger may be; ``upset_back``: whether bits of a remote master may be. ``leaves``: whether what
#: hits a frame is left to the event engine; ``strobes``: whether a strobe may be hit; ``gap``: what
#: ends a frame then; ``refreshes``: whether credits that were lost are given back. ``header``,
#: ``overhead``: line bits of a packet ahead of its data, and all beside it; ``line_parts``: how
#: likely a line bit is inverted that meets a window. ``all_drawn``: whether jitter of each bit or
#: packet is; ``low``, ``high``: its bounds, where it is not. ``earliest``: what a trigger leaves
#: after it is due at the least, NEVER if it has no bound.
LAW = np.dtype(
    _whole(
        "loops", "timeout", "depth", "when_full", "watermark", "drain", "by_edge",
        "read_time", "bits", "lanes", "symbols", "packets", "release_symbol", "fixed",
        "may_underrun", "certain", "keeps_words", "words", "word_bits", "returns", "by_rise",
        "data_bits", "upset_parts", "upset_back", "all_drawn", "low", "high",
        "earliest", "crosses", "leaves", "refreshes", "strobes", "gap", "release_bits", "header",
        "overhead", "line_parts", "judges", "random",
    )
)  # fmt: skip

#: Of a trial that a remote master reads into a FIFO.
#:
#: last_arrival, readout_end, ready_before: when the last trigger arrived, when the last readout
#: ended, when the last sample's busy fell. last_release: of the last frame that got a slot. now:
#: when the last frame's first bit came. head, tail: the frames that wait, counted. named, freed:
#: frames that services have named, and of them those whose slots are free again. admitted: frames
#: that a credit was used for. free_at: when the host falls idle, or fixes its next group.
#: continues: whether it reads on then. begun: its last service. latch: the first fall of busy
#: since, of frames that are gone. held: a master that no credit will ever reach. gone: a host that
#: will never come again. alive, cue: whether the trigger loop goes on, and what it waits for.
#: low: the oldest conversion that may still change. strobe: when its last edge came out. next: the
#: conversion that it goes on with, where it stopped for want of something; wants: up to when it
#: wants the windows to be known. lost: credits that were lost on their way. credited: when the last
#: one was sent. closing: up to when the last frame that ends short takes its slot, at the latest.
#: short: the first conversion that a packet of a later one will end, -1 if there is none.
REMOTE = np.dtype(
    _whole(
        "last_arrival", "readout_end", "ready_before", "last_release", "now", "head", "tail",
        "named", "freed", "admitted", "free_at", "continues", "begun", "latch", "held", "gone",
        "alive", "cue", "low", "strobe", "next", "wants", "lost", "credited", "closing", "short",
    )
)  # fmt: skip

#: Of a trial that the host's own clock reads.
#:
#: newest, ready, release: the last trigger taken (-1 before the first), when its busy falls, when
#: it will be released (FAR once it has been). arrival: when it arrived. first, last, end: of its
#: read, the clock's first and last edge at the converter and when the host is done; FAR, NEVER and
#: FAR until the read has started. pending: the newest release that the host has not served (-1 for
#: none), with its instants. serving, begun, starts, free: whether a service has begun whose read
#: has not, when it began, when its read starts, when the read before ended. busy, released, clock,
#: returned: when the last busy edge, release, clock edge and returned clock edge came out.
#: clock_accepted: whether the converter takes the clock of the last read, as far as is known.
#: busy_from: the oldest conversion whose busy may still be on its way. high: since when the host
#: sees busy high without a fall on its way, FAR if it does not. next: the conversion to come.
#: hurt: the last one of whose read a transient hit anything, -1 before the first. since, opens:
#: as in `read_upsets.calm`.
HOST_CLOCKED = np.dtype(
    _whole(
        "last_arrival", "now", "newest", "arrival", "ready", "release", "first", "last", "end",
        "pending", "pending_ready", "pending_release", "serving", "begun", "starts", "free",
        "busy", "released", "clock", "returned", "clock_accepted", "busy_from", "alive", "cue",
        "low", "high", "next", "hurt", "since", "opens",
    )
)  # fmt: skip

#: Of a frame under way: when it is to be released, the earliest start of a read that finds every
#: bit there, when its last bit is pushed, when busy rises and falls at the host, whether a bit is
#: wrong, whether busy falls with its release.
NOTE = np.dtype(
    [
        *_whole("planned", "need", "whole", "rise", "fall"),
        ("wrong", np.bool_),
        ("edge", np.bool_),
    ],
    align=True,
)

_FRESH = {
    "now": NEVER, "last_arrival": NEVER, "readout_end": NEVER, "ready_before": NEVER,
    "last_release": NEVER, "free_at": NEVER, "begun": NEVER, "latch": FAR, "alive": 1,
    "newest": -1, "arrival": NEVER, "ready": NEVER, "release": FAR, "first": FAR, "last": NEVER,
    "end": FAR, "pending": -1, "pending_ready": NEVER, "pending_release": NEVER, "starts": NEVER,
    "free": NEVER, "busy": NEVER, "released": NEVER, "clock": NEVER, "returned": NEVER,
    "strobe": NEVER, "credited": NEVER, "high": FAR, "hurt": -1, "closing": NEVER, "short": -1,
}  # fmt: skip


def refresh(state: np.ndarray) -> None:
    """Set trials to where nothing has happened yet."""
    for name in state.dtype.names or ():
        state[name] = _FRESH.get(name, 0)
