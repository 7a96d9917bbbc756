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
from simlink.base.draws import page_of
from simlink.base.sfc64 import ONE, State, advanced, started_at, uniform
from simlink.scenario.distributions import Exponential, Limits, Normal, Simple, Uniform
from simlink.scenario.law import CEILING

#: The shapes that are drawn here, by number.
UNIFORM, NORMAL, EXPONENTIAL, LIMITS = range(4)
#: Of each column: how many draws come from one seed, its shape, the whole number added last, the
#: bounds kept to, and the factors.
LAWS = np.dtype(
    [(name, np.int64) for name in ("page", "shape", "origin", "low", "high")]
    + [(name, np.float64) for name in ("scale", "span", "left", "right")]
)
#: Of a generator: where its state, the words that seed it and the number of its draws are kept.
_WORDS, _DRAWN, _KEPT = 4, 7, 8


def unbegun(words: Any) -> Any:
    """Return generators of which nothing has been drawn: uint64, shape (..., 8) of (..., 3)."""
    kept = np.zeros((*words.shape[:-1], _KEPT), dtype=np.uint64)
    kept[..., _WORDS:_DRAWN] = words
    return kept


def law_of(law: Simple, stride: int = 1) -> tuple[Any, ...] | None:
    """Return a law as a row of LAWS, or None if it is not drawn here.

    ``stride`` says how often it is drawn for a frame.
    """
    row = _row_of(law)
    return None if row is None else (page_of(stride), *row)


def _row_of(law: Simple) -> tuple[Any, ...] | None:
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


#: The bits of a number that say in which strip it lies, and of a normal one where in it.
_STRIP, _VALUE = np.uint64(0xFF), np.uint64(0x000FFFFFFFFFFFFF)
#: Where the tails of the ziggurats begin.
_NORMAL_TAIL, _NORMAL_TAIL_INVERSE = 3.6541528853610087963519472518, 0.27366123732975827203338247596
_EXPONENTIAL_TAIL = 7.69711747013104972


def exponential(state: State, inside: Any, widths: Any, heights: Any) -> tuple[float, State]:
    """Return a standard exponential number."""
    while True:
        bits, state = advanced(state)
        bits >>= np.uint64(3)
        strip = bits & _STRIP
        bits >>= np.uint64(8)
        value = float(np.int64(bits)) * widths[strip]
        if bits < inside[strip]:
            return value, state
        height, state = uniform(state)
        if strip == 0:
            return _EXPONENTIAL_TAIL - math.log1p(-height), state
        step = heights[strip - ONE] - heights[strip]
        if step * height + heights[strip] < math.exp(-value):
            return value, state


def normal(state: State, inside: Any, widths: Any, heights: Any) -> tuple[float, State]:
    """Return a standard normal number."""
    while True:
        bits, state = advanced(state)
        strip = bits & _STRIP
        bits >>= np.uint64(8)
        negative = bits & ONE
        bits = (bits >> ONE) & _VALUE
        value = float(np.int64(bits)) * widths[strip]
        if negative:
            value = -value
        if bits < inside[strip]:
            return value, state
        if strip == 0:
            return normal_tail(state, (bits >> np.uint64(8)) & ONE)
        height, state = uniform(state)
        step = heights[strip - ONE] - heights[strip]
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


def next_draw(shape: int, scale: float, law: Any, state: State, tables: Any) -> tuple[Any, State]:
    """Return the next draw of a law, less its origin, in base units."""
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
    return np.int64(np.rint(raw)), state


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
    states : ndarray of uint64, shape (T, drawn, 8)
        The generators, as `unbegun` makes them; moved on.
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
            begun, number = at, np.int64(kept[_DRAWN])
            while begun < at + count:
                state = state_at(kept, number, law.page)
                over = min(at + count, begun + law.page - number % law.page)
                for place in range(begun, over):
                    drawn, state = next_draw(shape, scale, law, state, tables)
                    out[place] = min(max(drawn + origin, low), high)
                kept[0], kept[1], kept[2], kept[3] = state
                begun, number = over, number + over - begun
            kept[_DRAWN] = np.uint64(number)


def state_at(kept: Any, number: Any, page: int) -> State:
    """Return the state of a generator before a draw, which begins a page or follows its last."""
    if number % page == 0:
        return started_at(kept[_WORDS:_DRAWN], number // page)
    return kept[0], kept[1], kept[2], kept[3]


@compiled
def draw_ahead(laws: Any, kept: Any, number: int, tables: Any) -> int:
    """Draw a number of a column, and pass over those of its page ahead of it.

    Parameters
    ----------
    laws : ndarray of LAWS, shape (1,)
    kept : ndarray of uint64, shape (8,)
        The generator, as `unbegun` makes it; moved on.
    number : int
        Which one, counted from 0; not one that has been passed over.
    tables : tuple of ndarray
        As `tables` gives them.

    Returns
    -------
    int
        In base units.
    """
    law, inside = laws[0], tables[0]
    begun = max(np.int64(kept[_DRAWN]), number - number % law.page)
    state = state_at(kept, begun, law.page)
    for _ in range(begun, number):
        bits, after = advanced(state)
        if law.shape == UNIFORM or law.shape == LIMITS:
            state = after
        elif law.shape == NORMAL and (bits >> np.uint64(9)) & _VALUE < inside[bits & _STRIP]:
            # Within its strip, as nearly all are: whatever it is, it takes no more bits.
            state = after
        else:
            _, state = next_draw(law.shape, law.scale, law, state, tables)
    drawn, state = next_draw(law.shape, law.scale, law, state, tables)
    kept[0], kept[1], kept[2], kept[3] = state
    kept[_DRAWN] = np.uint64(number + 1)
    return min(max(drawn + law.origin, law.low), law.high)


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
    words = np.random.SeedSequence(1).generate_state(3, np.uint64)
    states = unbegun(np.tile(words, (1, len(some), 1)))
    ring = np.zeros((1, len(some), count), dtype=np.int64)
    fill(0, 1, 0, count, laws, np.arange(len(some)), states, tables(), ring)
    for row, law in zip(ring[0], some, strict=True):
        raw = np.empty(count)
        law.draw_raw(np.random.Generator(np.random.SFC64(1)), raw)
        if not np.array_equal(law.from_raw(raw), row):
            return False
    return True
