"""What every converter does with a trigger that arrives, whoever reads it."""

from __future__ import annotations

from typing import TYPE_CHECKING

from simlink.engines.event.clockwork import Clockwork, Instant
from simlink.engines.event.frame import Frame, Trial
from simlink.link import converter
from simlink.records import Fate

if TYPE_CHECKING:
    from simlink.records import FrameBlock


class SamplingConverter:
    """Takes or misses each arriving trigger, and starts the conversion of one that it takes."""

    def __init__(self, env: Clockwork, trial: Trial, record: FrameBlock) -> None:
        self.env = env
        self.trial = trial
        self.record = record
        law = trial.scenario.converter
        self.aperture_jitter = trial.each(law.aperture_jitter, "converter.aperture_jitter")
        self.busy_delay = trial.each(law.busy_delay, "converter.busy_delay")
        self.conversion_time = trial.each(law.conversion_time, "converter.conversion_time")
        self.ready_before: int | None = None
        #: Triggers arrive in the order of their index, so counting names them.
        self.arrived = 0

    def arrive(self, event: Instant) -> None:
        """Judge a trigger at the instant it arrives."""
        index, self.arrived = self.arrived, self.arrived + 1
        if self.occupied():
            self.miss(index)
        else:
            self.accept(index)

    def occupied(self) -> bool:
        """Tell whether the converter is converting or being read."""
        raise NotImplementedError

    def accept(self, index: int) -> None:
        """Take a trigger."""
        raise NotImplementedError

    def miss(self, index: int) -> None:
        """Let a trigger go by."""
        self.record.fate[0, index] = Fate.MISSED_TRIGGER

    def sample(self, index: int) -> Frame:
        """Take the sample now; return its frame, which knows when busy will fall."""
        trial, record, now = self.trial, self.record, self.env.now
        before = self.ready_before
        if before is not None and converter.short_acquisition(now, before, trial.acquisition_time):
            record.short_acquisition[0, index] = True
        record.aperture[0, index] = converter.samples_at(now, self.aperture_jitter(index))
        frame = Frame(index, trial.lanes, trial.bits)
        frame.ready = converter.ready_at(now, self.conversion_time(index))
        self.ready_before = record.ready[0, index] = frame.ready
        return frame
