"""The event engine: SimPy processes wired as the block diagram, one trial at a time."""

from __future__ import annotations

from collections.abc import Iterator
from typing import TYPE_CHECKING

from simlink.base.instants import NEVER
from simlink.engines.event import fifo, host, remote
from simlink.engines.event.clockwork import Clockwork
from simlink.engines.event.frame import Trial
from simlink.link import unit
from simlink.records import Fate, FrameBlock

if TYPE_CHECKING:
    from simlink.scenario.schema import Scenario

#: Conversions of one trial whose records are kept in memory; an hour of simulation and more.
MOST_CONVERSIONS = 20_000_000


class Chain:
    """The parts of one trial, wired: trigger, converter, remote master, FIFO, reader."""

    timer_part = host.TriggerTimer
    converter_part = remote.Converter
    master_part = remote.RemoteMaster
    channels_part = remote.ReturnChannels
    fifo_part = fifo.Fifo
    reader_part = host.Reader

    def __init__(self, trial: Trial, record: FrameBlock) -> None:
        self.trial = trial
        self.record = record
        self.env = self.clock()
        self.wire()

    def wire(self) -> None:
        """Make the parts and connect them."""
        env, trial, record = self.env, self.trial, self.record
        self.fifo = self.fifo_part(env, trial, record)
        self.channels = self.channels_part(env, trial, self.fifo.store)
        self.master = self.master_part(env, trial, self.channels)
        self.converter = self.converter_part(env, trial, record, self.master)
        self.reader = self.reader_part(env, trial, record, self.fifo)
        self.timer = self.timer_part(env, trial, record, self.converter)
        self.reader.timer = self.timer
        self.fifo.listener = self.reader
        self.fifo.master = self.master

    def clock(self) -> Clockwork:
        """Return SimPy's environment, early enough for a first trigger that jitter pulls ahead."""
        law = self.trial.scenario.trigger.jitter
        early = min(law.support[0], 0.0)
        return Clockwork(initial_time=int(max(early, -1e18)))

    def run(self) -> None:
        """Run until all that the last trigger set going has settled."""
        self.env.run()
        self.settle()

    def settle(self) -> None:
        """Give what never arrived, or still waits, its fate."""
        waits = (self.record.trigger[0] != NEVER) & (self.record.fate[0] == Fate.NOT_SENT)
        self.record.fate[0, waits & (self.record.found[0] >= 0)] = Fate.IN_FLIGHT
        self.record.fate[0, waits & (self.record.found[0] < 0)] = Fate.NOT_RECEIVED


class EventEngine:
    """Cycle level, the reference: every clock edge, crossing, push and take is an event."""

    name = "event"

    def refuses(self, scenario: Scenario) -> str | None:
        """Return why the scenario asks for too much, or None: whatever loads can be simulated."""
        if scenario.conversions > MOST_CONVERSIONS:
            return (
                f"the event engine keeps a whole trial in memory: at most {MOST_CONVERSIONS} "
                f"conversions, not {scenario.conversions}"
            )
        return None

    def run(self, scenario: Scenario, trials: range, *, words: bool) -> Iterator[FrameBlock]:
        """Simulate some trials; one block of records for each.

        Parameters
        ----------
        scenario : Scenario
            What to simulate.
        trials : range
            Which trials.
        words : bool
            Whether the push times of each word are kept.

        Yields
        ------
        FrameBlock
            All conversions of one trial, shape (1, conversions).
        """
        shape = (scenario.frame.lanes, scenario.frame.words_per_lane) if words else None
        for number in trials:
            units = unit.build(scenario, range(number, number + 1))
            record = FrameBlock.blank(units.trials, 0, scenario.conversions, shape)
            chain_of(scenario)(Trial(scenario, units, number), record).run()
            yield record


def chain_of(scenario: Scenario) -> type[Chain]:
    """Return the chain that a scenario's clocking scheme asks for."""
    if scenario.link.scheme == "remote_master":
        return Chain
    from simlink.engines.event.host_clocked import SerialChain

    return SerialChain
