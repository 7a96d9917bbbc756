"""Which bits or packets of a frame have to be drawn, and where they stand on the line.

Where no bit can catch up with the one ahead of it and no read can come too early, only the bits
that decide something matter, unless the strobe has to judge every one: the first, the release bit,
the last where a frame may be discarded, and those that begin and end words where a ledger is kept.
Draws are indexed, so leaving out the others moves none.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from simlink.base.instants import FAR, Times
from simlink.engines.batch.draws import Source, edge_columns
from simlink.engines.batch.strobe import certain, strobe_columns
from simlink.link.transport import packets_of
from simlink.link.unit import Units
from simlink.scenario.distributions import Distribution, reach
from simlink.scenario.schema import Scenario

#: What the strobe of a unit does.
SURE, JUDGES, SPOILS = range(3)


@dataclass(frozen=True)
class Symbols:
    """What a lane's frame is made of on its way, in order; arrays of int64.

    Attributes
    ----------
    last_bits : ndarray, shape (symbols,)
        The last bit that each carries: once it has been captured the symbol is sent.
    line_times, takes : ndarray, shape (symbols,), fs
        As in `pushes.push`.
    release : int
        The symbol that carries the release bit.
    word_firsts, word_lasts : ndarray, shape (words,)
        The symbols that carry the first and last bit of each word; of no use without a ledger.
    packets, fixed, may_underrun : bool
        Whether they are packets; whether frames differ in nothing but their start; whether a read
        may come too early.
    columns : list of Source
        The jitter of each symbol of each lane; behind it, where some unit is doubtful, that of
        the strobe.
    wrong : ndarray of bool, shape (T,)
        Units of which the strobe spoils every frame.
    strobes : ndarray of int64, shape (T,)
        `SURE` of units of which it spoils none, `SPOILS` of those, else `JUDGES`: it has to judge
        each of their frames.
    """

    last_bits: Times
    line_times: Times
    takes: Times
    release: int
    word_firsts: Times
    word_lasts: Times
    packets: bool
    fixed: bool
    may_underrun: bool
    columns: list[Source]
    wrong: npt.NDArray[np.bool_]
    strobes: Times


def symbols(scenario: Scenario, units: Units, words: bool) -> Symbols:
    """Return what the frames of some units are made of.

    Parameters
    ----------
    scenario : Scenario
        What is simulated.
    units : Units
        The units.
    words : bool
        Whether a ledger is kept.
    """
    bits, law = scenario.bits_per_lane, scenario.barrier.direction("return").jitter
    packets = packets_of(scenario)
    may_underrun = True
    wrong = doubtful = np.zeros(len(units.trials), dtype=np.bool_)
    if scenario.barrier.return_.has_strobe:
        right, wrong = certain(scenario, units)
        doubtful = ~(right | wrong)
    judged = bool(doubtful.any())
    if packets is None:
        firsts = lasts = list(range(bits))
        lines = [0] * bits
        if _alone(scenario, units, law):
            may_underrun = _may_underrun(scenario, units, law)
            if not may_underrun and not judged:
                firsts = lasts = _deciding(scenario, words)
                lines = [0] * len(firsts)
        stride, offsets = bits, firsts
    else:
        firsts, lasts = [one.first for one in packets], [one.last for one in packets]
        lines = [one.line_time for one in packets]
        stride, offsets = len(packets), list(range(len(packets)))

    def carrier(bit: int) -> int:
        return int(np.searchsorted(lasts, bit))

    width = scenario.frame.word_bits
    whole = range(0, scenario.data_bits_per_lane, width) if words else range(0)
    columns = [
        edge_columns(law, f"barrier.return.jitter lane {lane}", stride)[offset]
        for lane in range(scenario.frame.lanes)
        for offset in offsets
    ]
    if judged:
        columns += strobe_columns(scenario)
    return Symbols(
        last_bits=np.array(lasts, dtype=np.int64),
        line_times=np.array(lines, dtype=np.int64),
        takes=units.host_rising[firsts],
        release=carrier(scenario.fifo.release_bits - 1),
        word_firsts=np.array([carrier(bit) for bit in whole], dtype=np.int64),
        word_lasts=np.array([carrier(bit + width - 1) for bit in whole], dtype=np.int64),
        packets=packets is not None,
        fixed=packets is None and law.is_constant and not words and not judged,
        may_underrun=may_underrun,
        columns=columns,
        wrong=wrong,
        strobes=np.where(doubtful, JUDGES, np.where(wrong, SPOILS, SURE)),
    )


def _alone(scenario: Scenario, units: Units, law: Distribution) -> bool:
    """Tell whether no bit can catch up with the one ahead of it in its lane."""
    low, high = reach(law)
    captured = units.captured
    within = int(np.diff(captured, axis=1).min()) if captured.shape[1] > 1 else FAR
    soonest = reach(scenario.remote_clock.start_delay)[0]
    between = captured[:, 0] + units.readout - captured[:, -1] + soonest
    return bool(high - low < min(within, int(between.min())))


def _may_underrun(scenario: Scenario, units: Units, law: Distribution) -> bool:
    """Tell whether a read may find a bit missing, whatever is drawn; bits stand alone."""
    low, high = reach(law)
    host = scenario.host
    captured = units.captured[:, np.newaxis, :] + units.lanes[:, :, np.newaxis]
    latest = (captured + high - units.host_rising).max(axis=(1, 2))
    soonest = (captured[:, :, scenario.fifo.release_bits - 1] + low).max(axis=1)
    soonest = soonest + reach(scenario.fifo.sync_delay)[0]
    # A frame read behind another in one go waits for no latency of its own.
    if not host.drain and host.watermark == 1:
        soonest = soonest + reach(host.service_latency)[0]
    # Crossing times are cut off at zero; then the plain bound does not hold.
    causal = bool((units.lanes + low >= 0).all())
    return not (causal and bool((soonest >= latest).all()))


def _deciding(scenario: Scenario, words: bool) -> list[int]:
    """Return the bits of a lane that decide something though none can be read too early."""
    bits, width = scenario.bits_per_lane, scenario.frame.word_bits
    found = {0, scenario.fifo.release_bits - 1}
    if scenario.fifo.when_full == "drop_old":
        found.add(bits - 1)
    if words:
        firsts = range(0, scenario.data_bits_per_lane, width)
        found |= {bit for first in firsts for bit in (first, first + width - 1)}
    return sorted(found)
