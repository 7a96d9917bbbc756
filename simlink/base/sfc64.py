"""SFC64 step by step, as NumPy has it, and draws of a source by their number.

The generator is C. Doty-Humphrey's (PractRand). A draw by its number is the first of a generator
that is seeded with the source's three words, the number added to the last: it takes none of those
before it, as is wanted where few of many draws are asked for. Of whole numbers or arrays of them;
they overflow, as is meant.
"""

from __future__ import annotations

from typing import Any

import numpy as np

ONE = np.uint64(1)
_UNIT = 1.0 / 9007199254740992.0
#: Idle rounds that mix a seed.
_ROUNDS = 12

#: Its state: three words and a counter.
State = tuple[Any, Any, Any, Any]


def advanced(state: State) -> tuple[Any, State]:
    """Return the next 64 bits, and the state after them."""
    a, b, c, counter = state
    found = a + b + counter
    state = (
        b ^ (b >> np.uint64(11)),
        c + (c << np.uint64(3)),
        ((c << np.uint64(24)) | (c >> np.uint64(40))) + found,
        counter + ONE,
    )
    return found, state


def started(a: Any, b: Any, c: Any) -> State:
    """Return the state that three words seed."""
    state = (a, b, c, ONE)
    for _ in range(_ROUNDS):
        _, state = advanced(state)
    return state


def started_at(words: Any, number: Any) -> State:
    """Return the state that three words seed, a number added to the last."""
    return started(words[0], words[1], words[2] + np.uint64(number))


def uniform(state: State) -> tuple[float, State]:
    """Return a number from 0 to below 1."""
    bits, state = advanced(state)
    return float(np.int64(bits >> np.uint64(11))) * _UNIT, state


def numbered(words: Any, number: int) -> float:
    """Return the draw of a number, from 0 to below 1, of the source that three words seed."""
    share, _ = uniform(started_at(words, number))
    return share
