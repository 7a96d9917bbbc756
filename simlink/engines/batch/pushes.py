"""The way of a frame's bits or packets to the FIFO: when each comes, in the batch engine.

All of it is compiled as it stands.
"""

from __future__ import annotations

from typing import Any

from simlink.base.instants import FAR, NEVER
from simlink.engines.batch.draws import EDGES
from simlink.engines.batch.rings import draw
from simlink.link.channel import arrives_at
from simlink.link.transport import sent_at


def push(
    law: Any,
    start: int,
    draws: Any,
    place: Any,
    constant: Any,
    at: int,
    lanes: Any,
    offsets: Any,
    line_times: Any,
    takes: Any,
    ahead: Any,
    line_free: Any,
    pushed: Any,
) -> tuple[int, int, int, int]:
    """Send a frame's bits or packets across the return channels, lane by lane.

    Parameters
    ----------
    start : int, fs
        When the frame's clock starts.
    lanes : ndarray of int64, shape (lanes,), fs
        The fixed part of each lane's crossing.
    offsets, line_times, takes : ndarray of int64, shape (symbols,), fs
        Of each symbol: when its last bit is captured, counted from the start; its time on the
        line; when the host takes its first bit, counted from the start of the read.
    ahead, line_free : ndarray of int64, shape (lanes,), fs
        When the symbol before came out, and when the line was free of it; brought up to date.
    pushed : ndarray of int64, shape (lanes, symbols), fs
        Filled with the instants at which symbols come out, where there is room for them.

    Returns
    -------
    first, enough, whole, need : int, fs
        The first bit of any lane, the last lane's release bit, the last bit of all, and the
        earliest start of a read that finds every bit there.
    """
    first, enough, whole, need = FAR, NEVER, NEVER, NEVER
    keeps = len(pushed) > 0
    for lane in range(law.lanes):
        last, free_from, out = ahead[lane], line_free[lane], NEVER
        for symbol in range(law.symbols):
            sent = start + offsets[symbol]
            if law.packets:
                sent = sent_at(sent, free_from, line_times[symbol])
                free_from = sent
            jitter = draw(draws, place, constant, EDGES + lane * law.symbols + symbol, at)
            out = arrives_at(sent, lanes[lane], jitter, last)
            last = out
            if symbol == 0:
                first = min(first, out)
            if symbol == law.release_symbol:
                enough = max(enough, out)
            need = max(need, out - takes[symbol])
            if keeps:
                pushed[lane, symbol] = out
        whole = max(whole, out)
        ahead[lane], line_free[lane] = last, free_from
    return first, enough, whole, need


def keep_words(
    law: Any, firsts: Any, lasts: Any, pushed: Any, first_bit: Any, last_bit: Any
) -> None:
    """Note when each word's own first and last bit is pushed."""
    for lane in range(law.lanes):
        for word in range(law.words):
            first_bit[lane, word] = pushed[lane, firsts[word]]
            last_bit[lane, word] = pushed[lane, lasts[word]]


def move_up(law: Any, last_bits: Any, placed: Any, kept: int, pushed: Any) -> None:
    """Note when bits are pushed that have moved to other places, and which places stay empty."""
    for lane in range(law.lanes):
        for symbol in range(law.symbols):
            place = last_bits[symbol]
            pushed[lane, symbol] = placed[1 + lane, place] if place < kept else NEVER
