"""NumPy's own draws, compiled: SFC64, its uniform, normal and exponential numbers, bit for bit.

NumPy draws one source of one trial at a time, with a call for each; here all sources of some
trials are drawn in one loop, straight into femtoseconds. The methods are those of NumPy's
generator: the ziggurats of G. Marsaglia and W. W. Tsang (J. Stat. Softw. 5(8), 2000) with tables of
256 strips. `agrees` compares with NumPy once, before anything is drawn this way; where they differ,
or nothing can be compiled, NumPy draws.
"""

from __future__ import annotations

import math
from functools import cache
from typing import Any

import numpy as np

from simlink.base.compiled import compiled, why_plain
from simlink.scenario.distributions import Exponential, Limits, Normal, Simple, Uniform
from simlink.scenario.law import CEILING

#: The shapes that are drawn here, by number.
UNIFORM, NORMAL, EXPONENTIAL, LIMITS = range(4)
#: Of each column: its shape, the whole number added last, the bounds kept to, and the factors.
LAWS = np.dtype(
    [(name, np.int64) for name in ("shape", "origin", "low", "high")]
    + [(name, np.float64) for name in ("scale", "span", "left", "right")]
)
_ONE = np.uint64(1)
_UNIT = 1.0 / 9007199254740992.0


def law_of(law: Simple) -> tuple[Any, ...] | None:
    """Return a law as a row of LAWS, or None if it is not drawn here."""
    low, high = -(2**63), 2**63 - 1
    match law:
        case Uniform():
            return UNIFORM, law.low, low, high, float(law.high - law.low), 0.0, 0.0, 0.0
        case Normal() if 20.0 * law.sigma + abs(law.given_mean) <= CEILING / 2:
            low = low if law.low is None else law.low
            high = high if law.high is None else law.high
            return NORMAL, law.given_mean, low, high, float(law.sigma), 0.0, 0.0, 0.0
        case Exponential() if 100.0 * law.given_mean + abs(law.offset) <= CEILING / 2:
            return EXPONENTIAL, law.offset, low, high, float(law.given_mean), 0.0, 0.0, 0.0
        case Limits() if law.least < law.high:
            span, left = float(law.high - law.least), float(law.typical - law.least)
            return LIMITS, law.least, low, high, 0.0, span, left, float(law.high - law.typical)
    return None


@cache
def tables() -> tuple[Any, ...]:
    """Return the tables of the ziggurats, normal ones first; none where numba has none."""
    # Imported when they are first wanted: it takes longer than a small run.
    try:
        from numba.np.random import _constants as given
    except ImportError:
        return ()
    return (
        given.ki_double, given.wi_double, given.fi_double,
        given.ke_double, given.we_double, given.fe_double,
    )  # fmt: skip


#: Where the tails of the ziggurats begin.
_NORMAL_TAIL, _NORMAL_TAIL_INVERSE = 3.6541528853610087963519472518, 0.27366123732975827203338247596
_EXPONENTIAL_TAIL = 7.69711747013104972


#: SFC64's state: three words and a counter.
State = tuple[Any, Any, Any, Any]


def advanced(state: State) -> tuple[Any, State]:
    """Return SFC64's next 64 bits, and its state after them."""
    a, b, c, counter = state
    found = a + b + counter
    state = (
        b ^ (b >> np.uint64(11)),
        c + (c << np.uint64(3)),
        ((c << np.uint64(24)) | (c >> np.uint64(40))) + found,
        counter + _ONE,
    )
    return found, state


def uniform(state: State) -> tuple[float, State]:
    """Return a number from 0 to below 1."""
    bits, state = advanced(state)
    return float(np.int64(bits >> np.uint64(11))) * _UNIT, state


def exponential(state: State, inside: Any, widths: Any, heights: Any) -> tuple[float, State]:
    """Return a standard exponential number."""
    while True:
        bits, state = advanced(state)
        bits >>= np.uint64(3)
        strip = bits & np.uint64(0xFF)
        bits >>= np.uint64(8)
        value = float(np.int64(bits)) * widths[strip]
        if bits < inside[strip]:
            return value, state
        height, state = uniform(state)
        if strip == 0:
            return _EXPONENTIAL_TAIL - math.log1p(-height), state
        step = heights[strip - _ONE] - heights[strip]
        if step * height + heights[strip] < math.exp(-value):
            return value, state


def normal(state: State, inside: Any, widths: Any, heights: Any) -> tuple[float, State]:
    """Return a standard normal number."""
    while True:
        bits, state = advanced(state)
        strip = bits & np.uint64(0xFF)
        bits >>= np.uint64(8)
        negative = bits & _ONE
        bits = (bits >> _ONE) & np.uint64(0x000FFFFFFFFFFFFF)
        value = float(np.int64(bits)) * widths[strip]
        if negative:
            value = -value
        if bits < inside[strip]:
            return value, state
        if strip == 0:
            return normal_tail(state, (bits >> np.uint64(8)) & _ONE)
        height, state = uniform(state)
        step = heights[strip - _ONE] - heights[strip]
        if step * height + heights[strip] < math.exp(-0.5 * value * value):
            return value, state


def normal_tail(state: State, negative: Any) -> tuple[float, State]:
    """Return a normal number from beyond the last strip."""
    while True:
        first, state = uniform(state)
        second, state = uniform(state)
        beyond = -_NORMAL_TAIL_INVERSE * math.log1p(-first)
        depth = -math.log1p(-second)
        if depth + depth > beyond * beyond:
            value = _NORMAL_TAIL + beyond
            return (-value if negative else value), state


def triangular(law: Any, raw: float) -> float:
    """Return what a number from 0 to 1 becomes under the triangular law, less its origin."""
    falling = 1.0 if raw * law.span > law.left else 0.0
    factor = falling * (law.span * (law.right - law.left)) + law.span * law.left
    root = math.sqrt(abs(raw - falling) * factor)
    return abs(root - falling * law.span)


@compiled
def fill(
    from_row: int,
    to_row: int,
    at: int,
    count: int,
    laws: Any,
    columns: Any,
    states: Any,
    tables: Any,
    ring: Any,
) -> None:
    """Draw the next numbers of some columns of some trials.

    Parameters
    ----------
    from_row, to_row : int
        Of the trials, the rows that are drawn.
    at, count : int
        Where in the ring, and how many.
    laws : ndarray of LAWS, shape (drawn,)
    columns : ndarray of int64, shape (drawn,)
        Which column of the ring each is.
    states : ndarray of uint64, shape (T, drawn, 4)
        The generators' states, moved on.
    tables : tuple of ndarray
        As `tables` gives them.
    ring : ndarray of int64, shape (T or 1, columns, size)
        Filled, in base units.
    """
    for t in range(from_row, to_row):
        rows = ring[t % len(ring)]
        for one in range(len(laws)):
            law, kept, out = laws[one], states[t, one], rows[columns[one]]
            shape, scale, origin, low, high = law.shape, law.scale, law.origin, law.low, law.high
            state = (kept[0], kept[1], kept[2], kept[3])
            for place in range(at, at + count):
                if shape == NORMAL:
                    raw, state = normal(state, tables[0], tables[1], tables[2])
                    raw *= scale
                elif shape == EXPONENTIAL:
                    raw, state = exponential(state, tables[3], tables[4], tables[5])
                    raw *= scale
                elif shape == UNIFORM:
                    raw, state = uniform(state)
                    raw *= scale
                else:
                    raw, state = uniform(state)
                    raw = triangular(law, raw)
                drawn = np.int64(np.rint(raw)) + origin
                out[place] = min(max(drawn, low), high)
            kept[0], kept[1], kept[2], kept[3] = state


#: Generators that are moved on side by side, in wide registers, and how far before they are put
#: back. Both are numbers that the compiler knows, so that it can.
SIDE_BY_SIDE, AT_ONCE = 32, 4


@compiled
def skip(states: Any, count: int, room: Any) -> None:
    """Pass over numbers that are made of 64 bits each, as uniform ones are.

    Parameters
    ----------
    states : ndarray of uint64, shape (drawn, 4)
        The generators' states, moved on.
    count : int
        How many of each.
    room : ndarray of uint64, shape (4, SIDE_BY_SIDE)
        Room to work in.
    """
    for first in range(0, len(states), SIDE_BY_SIDE):
        some = states[first : first + SIDE_BY_SIDE]
        for one in range(len(some)):
            for word in range(4):
                room[word, one] = some[one, word]
        for _ in range(count // AT_ONCE):
            for one in range(SIDE_BY_SIDE):
                state = (room[0, one], room[1, one], room[2, one], room[3, one])
                for _ in range(AT_ONCE):
                    _, state = advanced(state)
                room[0, one], room[1, one], room[2, one], room[3, one] = state
        for one in range(len(some)):
            state = (room[0, one], room[1, one], room[2, one], room[3, one])
            for _ in range(count % AT_ONCE):
                _, state = advanced(state)
            some[one, 0], some[one, 1], some[one, 2], some[one, 3] = state


#: Draws of each law that are compared: some come from the tails of both ziggurats.
_COMPARED = 2**15


@cache
def agrees() -> bool:
    """Tell whether numbers can be drawn here, and are NumPy's own."""
    if why_plain() is not None or not tables():
        return False
    some = [
        Uniform(low=0, high=10**9),
        Normal(mean=5, sigma=10**6, low=-(10**6)),
        Exponential(mean=10**6),
        Limits(low=0, typical=10**8, high=10**9),
    ]
    count = _COMPARED
    laws = np.array([law_of(one) for one in some], dtype=LAWS)
    bits = np.random.SFC64(1)
    states = np.repeat(bits.state["state"]["state"][np.newaxis, np.newaxis], len(some), axis=1)
    ring = np.zeros((1, len(some), count), dtype=np.int64)
    fill(0, 1, 0, count, laws, np.arange(len(some)), states.copy(), tables(), ring)
    for row, law in zip(ring[0], some, strict=True):
        raw = np.empty(count)
        law.draw_raw(np.random.Generator(np.random.SFC64(1)), raw)
        if not np.array_equal(law.from_raw(raw), row):
            return False
    return True
