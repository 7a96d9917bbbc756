"""Counts of which few are made: zeros, and memory for those alone."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from simlink.base.untouched import untouched


@pytest.mark.parametrize("shape", [(0, 5), (3, 0), (3, 5), (64, 65536)])
def test_it_is_zero_and_can_be_counted_in(shape):
    found = untouched(*shape)
    assert found.shape == shape
    assert found.dtype == np.int64
    assert not found.any()
    found += 1
    assert found.sum() == np.prod(shape)


def resident():
    """Return the bytes of memory that this process holds."""
    pages = int(Path("/proc/self/statm").read_text().split()[1])
    return 4096 * pages


@pytest.mark.skipif(sys.platform != "linux", reason="pages are counted by Linux")
def test_a_count_in_each_row_takes_no_memory_for_the_rows():
    """Of 512 KiB a row a page or two is touched."""
    before = resident()
    found = untouched(64, 65536)
    found[:, 30000:30200] += 1
    assert resident() - before < 4 * 2**20 < found.nbytes / 4
