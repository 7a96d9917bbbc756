"""What is wrong with a frame as it is read, and what the host is told of it."""

from __future__ import annotations

from collections.abc import Callable

from simlink.engines.event.frame import Frame, Trial
from simlink.link import check
from simlink.link.damage import Finding, bits_left, damage, judged
from simlink.link.fate import UNDERRUN, fate_of_failed


def judge(trial: Trial, frame: Frame, fate: int) -> None:
    """Record what is wrong with a frame that has been read.

    Parameters
    ----------
    frame : Frame
        One of a conversion. Of one that is repeated, what is wrong with that goes for it, and what
        hit it at first only if its check fails again.
    fate : int
        What it comes to but for its check.
    """
    record, index = trial.record, frame.index
    record.fate[index] = fate
    hit_before = 0
    if frame.repeats is not None:
        hit_before = record.hit.item(index)
        record.hit[index] = record.wrong_bits[index] = record.counter_error[index] = 0
        record.check_failed[index] = False
    if frame.harm is not None or frame.mistaken:
        _judge(trial, frame)
        if record.check_failed[index]:
            record.hit[index] |= hit_before


def _judge(trial: Trial, frame: Frame) -> None:
    """Record what damage a frame has."""
    harm = frame.harm
    hurt = set() if harm is None else damage(harm, frame.index, trial.lanes, trial.sent)
    found = judged(trial.layout, hurt ^ set(frame.mistaken))
    wrong = sum(bit < frame.data for _, bit in hurt)
    failed = harm is not None and (harm.closed or harm.packet_failed)
    note(trial, frame.index, wrong, found, 0 if harm is None else harm.hit, failed)


def note(trial: Trial, index: int, wrong: int, found: Finding, hit: int, failed: bool) -> None:
    """Record what was found of the frame of a conversion.

    Parameters
    ----------
    wrong : int
        Bits of its words that transients made wrong.
    found : Finding
        What all its damage comes to.
    hit : int
        What transients hit of it.
    failed : bool
        Whether something else than its damage says that it is not as it was sent.
    """
    record = trial.record
    record.wrong_bits[index] = wrong
    record.hit[index] |= hit
    if record.fate[index] == UNDERRUN:
        return
    record.counter_error[index] = found.counter_error
    if failed or found.failed:
        record.check_failed[index] = True
        if trial.layout.drops:
            record.fate[index] = fate_of_failed(record.fate.item(index))


def judge_apart(
    trial: Trial, frame: Frame, fate: int, received: Callable[[int], list[int]]
) -> None:
    """Record what the host finds of a frame that has been read and that no trigger asked for.

    Nothing was sent to compare it with: its check says what the bits that it holds say.

    Parameters
    ----------
    fate : int
        What it comes to but for its check.
    received : callable
        Returns the bits of a lane as the host has them.
    """
    apart, layout, law = frame.apart, trial.layout, trial.scenario.check
    assert apart is not None
    apart.fate = fate
    if fate == UNDERRUN:
        return
    harm, shown = frame.harm, {0}
    failed = harm is not None and (harm.closed or harm.packet_failed)
    if law.tells:
        lanes = [received(lane) for lane in range(trial.lanes)]
        counters = slice(layout.data, layout.data + layout.sequence)
        shown = {check.as_number(bits[counters]) for bits in lanes}
        failed = failed or len(shown) > 1
        failed = failed or (not law.of_packet and any(check.fails(law, bits) for bits in lanes))
    if failed:
        apart.check_failed = True
        if layout.drops:
            apart.fate = fate_of_failed(fate)
    elif layout.sequence:
        (apart.counter,) = shown


def bits_read(trial: Trial, frame: Frame, lane: int) -> list[int]:
    """Return the bits of a lane as the host reads them from the FIFO.

    One that the strobe took wrong is the other one; one that has not come is read as 0.
    """
    harm = frame.harm
    bits = (
        trial.sent(frame.index, lane)
        if harm is None
        else bits_left(harm, frame.index, lane, trial.sent)
    )
    late = frame.late or ()
    for place, bit in enumerate(bits):
        if (lane, place) in late:
            bits[place] = 0
        elif (lane, place) in frame.mistaken:
            bits[place] = 1 - bit
    return bits
