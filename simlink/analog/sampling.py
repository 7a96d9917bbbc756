"""When each sample is taken, with one cause of jitter after the other taken in."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING

import numpy as np

from simlink.analog.record import HELD
from simlink.base.draws import Column
from simlink.base.instants import Times
from simlink.figures.adding import SUMS
from simlink.figures.associating import Association
from simlink.figures.tally import SHORT
from simlink.link import unit
from simlink.link.trigger import actual_frequency
from simlink.records import Fate, FrameBlock
from simlink.scenario.schema import Scenario

if TYPE_CHECKING:
    import numpy.typing as npt

#: Causes of jitter, in the order in which they come in.
CAUSES = ("aperture", "timer", "barrier")
_KEPT = ("due", "trigger", "aperture", "read_end", "check_failed")


@dataclass(frozen=True)
class Sampling:
    """The instants of one board, int64 fs, shape (n,) each.

    Attributes
    ----------
    ideal : ndarray
        Of an ideal trigger and an ideal aperture: as due, later by the unit's own fixed delay.
    aperture : ndarray
        With the jitter of the converter's aperture.
    timer : ndarray
        With that of the trigger's timer as well.
    barrier : ndarray
        With that of the barrier as well: what the engine has for each sample that was taken, and
        for a missed trigger the instant at which its sample would have been.
    fates : ndarray of int8
        What became of each conversion.
    believed : ndarray
        The conversion that the host takes each word for, as `records` has it.
    failed : ndarray of bool
        Whether a check of its frame failed, as the host read it, or it ended short.
    ages : ndarray
        From each sample to the end of its read; of no meaning where it was not read.
    rate : Fraction
        Samples a second, of this unit.
    unrequested : ndarray of UNREQUESTED, shape (m,), or None
        The frames that no trigger asked for, if there are any.
    answers : ndarray, shape (m,)
        The conversion that the host takes each of their words for; -1 for none.
    """

    ideal: Times
    aperture: Times
    timer: Times
    barrier: Times
    fates: npt.NDArray[np.int8]
    believed: Times
    failed: npt.NDArray[np.bool_]
    ages: Times
    rate: Fraction
    unrequested: npt.NDArray[np.void] | None
    answers: Times

    @property
    def harmed(self) -> bool:
        """Whether any word that was read may have wrong bits, or be dropped for what it says."""
        return bool(np.isin(self.fates, (Fate.CORRUPTED, Fate.UNDERRUN, Fate.DROPPED)).any())


def sampling(scenario: Scenario, trial: int, blocks: Iterable[FrameBlock]) -> Sampling:
    """Return the instants of one board with periodic triggers, from its records in order."""
    pieces: dict[str, list[Times]] = {name: [] for name in (*_KEPT, "fate")}
    association = Association(scenario, keeps=True)
    sums = np.zeros(1, dtype=SUMS)
    short = scenario.conversions < SHORT
    for block in blocks:
        association.add(block, sums, short)
        for name, found in pieces.items():
            found.append(np.array(getattr(block, name)[0]))
    columns = {name: np.concatenate(found) for name, found in pieces.items()}
    (outcomes,), (answers,) = association.outcomes.values(), association.beliefs.values()
    if len(answers) and block.unrequested is not None:
        more = block.unrequested
        there = np.isin(more["fate"], HELD) & ~more["check_failed"]
        answers = np.where(there, answers, -1)
    due, left, fates = columns["due"], columns["trigger"], columns["fate"]
    count = len(due)
    units = unit.build(scenario, range(trial, trial + 1))

    def drawn(law: object, source: str) -> Times:
        return Column(law, scenario.seed, trial, source).take(count)  # type: ignore[arg-type]

    fixed = int(units.forward[0])
    ideal = due + fixed
    aperture_jitter = drawn(scenario.converter.aperture_jitter, "converter.aperture_jitter")
    crossing = np.zeros(count, dtype=np.int64)
    if scenario.trigger.source == "host":
        crossing = drawn(scenario.barrier.direction("forward").jitter, "barrier.forward.jitter")
    barrier = left + fixed + crossing + aperture_jitter
    taken = (fates != Fate.MISSED_TRIGGER) & (columns["aperture"] >= 0)
    barrier[taken] = columns["aperture"][taken]
    rate = scenario.trigger.rate
    assert rate is not None
    return Sampling(
        ideal,
        ideal + aperture_jitter,
        left + fixed + aperture_jitter,
        barrier,
        fates.astype(np.int8),
        outcomes["believed"][0],
        columns["check_failed"].astype(np.bool_),
        columns["read_end"] - columns["aperture"],
        actual_frequency(rate.value, int(units.trigger_tolerance[0])),
        block.unrequested,
        answers,
    )
