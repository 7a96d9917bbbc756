"""What the compiled loops are told of a scenario: its law, and how long frames last by it."""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from simlink.base.instants import NEVER, Times
from simlink.engines.batch.judging import is_plain
from simlink.engines.batch.returns import Symbols
from simlink.engines.batch.state import LAW
from simlink.engines.batch.windows import earliest, hits_trigger, leaves
from simlink.link.fifo import WhenFull
from simlink.link.strobe import realign_gap
from simlink.link.transient import may_upset, upset_parts
from simlink.link.transport import SHARE_INVERTED
from simlink.link.unit import Units
from simlink.scenario.distributions import reach
from simlink.scenario.schema import Scenario


def law_of(scenario: Scenario, units: Units, words: bool, symbols: Symbols | None) -> Any:
    """Return the law of a scenario.

    Parameters
    ----------
    scenario : Scenario
    units : Units
        Of any of its trials.
    words : bool
        Whether the push times of each word are kept.
    symbols : Symbols or None
        What comes back to a remote master; None where the host's own clock reads.

    Returns
    -------
    ndarray of LAW, shape (1,)
    """
    host, frame, law = scenario.host, scenario.frame, np.zeros(1, dtype=LAW)
    law["loops"] = scenario.trigger.pattern == "after_read"
    law["timeout"] = NEVER if host.timeout is None else host.timeout.constant_value
    law["depth"], law["when_full"] = scenario.fifo.depth, WhenFull.of(scenario.fifo.when_full)
    law["watermark"], law["drain"] = host.watermark, host.drain
    law["by_edge"] = host.interrupt == "edge"
    law["certain"] = (
        host.watermark == 1 and host.interrupt == "level" and scenario.fifo.when_full != "drop_old"
    )
    law["read_time"] = units.host_falling[-1]
    law["bits"], law["lanes"] = scenario.bits_per_lane, frame.lanes
    law["words"], law["word_bits"] = frame.words_per_lane, frame.word_bits
    law["keeps_words"] = words
    law["upset_parts"] = upset_parts(scenario.barrier.upset)
    if symbols is None:
        law["returns"] = scenario.link.scheme == "returned_clock"
        law["by_rise"] = host.capture.half_periods == 1
        law["crosses"] = hits_trigger(scenario)
    else:
        _tell_of_line(law, scenario, symbols)
    return law


def _tell_of_line(law: Any, scenario: Scenario, symbols: Symbols) -> None:
    """Fill in what a law says of the way back to a remote master."""
    back = scenario.barrier.return_
    law["symbols"], law["packets"] = len(symbols.takes), symbols.packets
    law["release_symbol"], law["fixed"] = symbols.release, symbols.fixed
    law["earliest"] = earliest(scenario)
    law["data_bits"] = scenario.data_bits_per_lane
    law["upset_back"] = may_upset(scenario, "return")
    law["leaves"], law["refreshes"] = leaves(scenario), scenario.fifo.credit_refresh
    law["strobes"] = law["upset_back"] and back.has_strobe
    # What moves up takes the place of a bit that would have come before it.
    law["may_underrun"] = symbols.may_underrun | law["strobes"]
    law["gap"], law["release_bits"] = realign_gap(scenario) or 0, scenario.fifo.release_bits
    law["header"], law["overhead"] = back.header_bits, scenario.packet_overhead
    law["judges"], law["random"] = is_plain(scenario), scenario.frame.content == "random"
    law["line_parts"] = upset_parts(scenario.barrier.upset * SHARE_INVERTED)
    every = len(symbols.takes) == scenario.bits_per_lane
    law["all_drawn"] = every or symbols.packets
    least, most = reach(scenario.barrier.direction("return").jitter)
    if not math.isinf(most - least):
        law["low"], law["high"] = math.floor(least), math.ceil(most)


def lasts_of(law: Any, scenario: Scenario, units: Units, symbols: Symbols) -> tuple[Times, Times]:
    """Return how long frames of a remote master last, in each trial; zeros without bounds.

    Parameters
    ----------
    law : ndarray of LAW, shape (1,)
        As `law_of` gives it.

    Returns
    -------
    spans : ndarray of int64, shape (T,), fs
        As `remote_master.walk` takes them.
    longest : ndarray of int64, shape (2, T), fs
        As `settled.walk_settled` takes it.
    """
    count = len(units.trials)
    spans, longest = np.zeros(count, dtype=np.int64), np.zeros((2, count), dtype=np.int64)
    if any(map(math.isinf, reach(scenario.barrier.direction("return").jitter))):
        # No bit stands alone then, all are drawn, and every strobe is judged.
        return spans, longest
    slowest = np.maximum(units.lanes.max(axis=1) + law["high"], 0)
    on_line = symbols.line_times.sum()
    longest[:] = units.captured[:, -1] + slowest + on_line, slowest + on_line
    if not law["all_drawn"]:
        spans = units.captured[:, -1] + slowest
    if law["strobes"]:
        slower = units.strobe + np.maximum(units.strobe_distortion, 0) + law["high"]
        strobes = units.strobe_edges[:, -1] + np.maximum(slower, 0)
        spans = np.maximum(spans, strobes)
        np.maximum(longest[0], strobes, out=longest[0])
    return spans, longest
