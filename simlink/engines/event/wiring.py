"""The event engine: parts wired as the block diagram, with SimPy's events, trial by trial."""

from __future__ import annotations

from collections.abc import Callable, Iterator

import numpy as np

from simlink.base.instants import NEVER
from simlink.engines.event.apart import Apart
from simlink.engines.event.channel import Channel, UpsetChannel, lost, made
from simlink.engines.event.clockwork import ARRIVE, CREDIT, PUSH
from simlink.engines.event.converter import Converter, SamplingConverter
from simlink.engines.event.counts import HostCounts
from simlink.engines.event.false_edges import Carried, Ending, FalseSource
from simlink.engines.event.fifo import Fifo
from simlink.engines.event.frame import Made, Met, Trial
from simlink.engines.event.host import Reader
from simlink.engines.event.host_clocked import HostClockedConverter, HostClockedReader
from simlink.engines.event.master import RemoteMaster, ReturnLanes
from simlink.engines.event.requests import Requests
from simlink.engines.event.strobe import Strobe
from simlink.engines.event.trigger import TriggerTimer
from simlink.engines.event.upset_lanes import UpsetLanes
from simlink.engines.event.upset_packets import UpsetPackets
from simlink.engines.event.upsets import hits_of
from simlink.engines.event.words import Code, Words
from simlink.link import unit
from simlink.link.fate import IN_FLIGHT, NOT_RECEIVED, NOT_SENT
from simlink.link.fifo import WhenFull
from simlink.link.repeat import repeats
from simlink.link.transient import Way
from simlink.records import UNREQUESTED, FrameBlock
from simlink.scenario.schema import Scenario

#: What a frame that no trigger asked for has a record of, but for its fate.
APART = ("aperture", "ready", "release", "read_start", "read_end", "check_failed")

#: Conversions of one trial whose records are kept in memory; an hour of simulation and more.
MOST_CONVERSIONS = 20_000_000


class Chain:
    """The parts of one trial, wired, with its records, blank."""

    def __init__(self, scenario: Scenario, number: int, block: FrameBlock) -> None:
        units = unit.build(scenario, range(number, number + 1))
        self.block = block
        self.trial = Trial(scenario, units, number, block)
        self.env, self.signals = self.trial.env, self.trial.signals
        self.counts = HostCounts(scenario.trigger.source == "host", scenario.host.realign == "idle")
        self.strobe: Strobe | None = None
        self.ending = Ending(self.trial)
        self.remote_master = scenario.link.scheme == "remote_master"
        self.timer = self.wire_remote_master() if self.remote_master else self.wire_host_clocked()

    def wire_remote_master(self) -> TriggerTimer:
        """Connect trigger, converter, remote master, lanes, FIFO and reader."""
        trial, counts = self.trial, self.counts
        fifo = Fifo(trial)
        kind: type[ReturnLanes] = ReturnLanes
        if "return" in trial.upset_ways:
            bits = trial.scenario.barrier.return_.style == "bits"
            kind = UpsetLanes if bits else UpsetPackets
        lanes = kind(trial, fifo)
        self.strobe = lanes.strobe
        master = RemoteMaster(trial, lanes)
        master.converter = converter = Converter(trial, master)
        reader = Reader(trial, fifo, counts)
        channel = self.trigger_channel(converter)
        timer = TriggerTimer(trial, channel, counts)
        if timer.from_host:
            timer.busy = trial.signals.make("host.busy")
        if trial.when_full is WhenFull.STALL:
            hits = hits_of(trial, "forward", "credit", 1)
            credit = trial.unit.credit, master.credited
            fifo.credit = made(hits, lost, trial.env, CREDIT, *credit)
        if repeats(trial.scenario):
            reader.requests = Requests(trial, master.repeat, reader.done)
        fifo.listener = reader
        reader.timer = self.ending.sender = timer
        self.make_false("forward", "trigger", channel, converter.false_trigger)
        if isinstance(lanes, UpsetLanes) and lanes.edges is not None:
            FalseSource(self.ending, lanes.edges, PUSH, lanes.false_strobe)
        return timer

    def wire_host_clocked(self) -> TriggerTimer:
        """Connect trigger, converter and the reader whose clock crosses."""
        trial, counts = self.trial, self.counts
        converter = HostClockedConverter(trial)
        reader = HostClockedReader(trial, converter, counts)
        channel = self.trigger_channel(converter)
        converter.reader = reader
        reader.timer = self.ending.sender = TriggerTimer(trial, channel, counts)
        self.make_false("forward", "trigger", channel, converter.false_trigger)
        self.make_false("return", "busy", reader.busy_channel, reader.false_busy)
        clock, returned = reader.clock_channel, reader.returned_channel
        self.make_false("forward", "clock", clock, converter.false_clock, alone=True)
        if isinstance(returned, UpsetChannel) and reader.path.returned is not None:
            returned.false = trial.false_edges("return", "returned")
        return reader.timer

    def make_false(
        self,
        way: Way,
        name: str,
        channel: Channel,
        act: Callable[[], bool],
        *,
        alone: bool = False,
    ) -> None:
        """Have transients make edges on a channel that carries nothing, if any do.

        ``act`` is what an edge that comes by itself does, and returns whether it does anything;
        ``alone`` says that the channel carries whole clocks, and makes the edges among theirs
        itself.
        """
        if not isinstance(channel, UpsetChannel):
            return
        edges = self.trial.false_edges(way, name)
        if edges is None:
            return
        channel.carried = carried = Carried()
        env, trial = self.env, self.trial

        def happens(*_: object) -> None:
            trial.note_false(way, name, env.now, act())

        def made() -> None:
            if not carried.at(env.now):
                happens()

        if alone:
            channel.false, channel.alone = edges, happens
        FalseSource(self.ending, edges, channel.rank, made)

    def trigger_channel(self, converter: SamplingConverter) -> Channel:
        """Return the channel of the triggers; a remote timer's cross no barrier, and no upset."""
        trial, hits = self.trial, None
        if trial.scenario.trigger.source == "host":
            hits = hits_of(trial, "forward", "trigger", 1)
        arrive = converter.arrive
        return made(hits, converter.lose, self.env, ARRIVE, trial.unit.forward, arrive)

    def run(self) -> None:
        """Run until all that the last trigger set going has settled."""
        self.env.run()
        self.settle()

    def settle(self) -> None:
        """Give what never arrived, or still waits, its fate."""
        record = self.trial.record
        waits = (record.trigger != NEVER) & (record.fate == NOT_SENT)
        came = record.occupancy_at_arrival >= 0 if self.remote_master else waits
        record.fate[waits & came] = IN_FLIGHT
        record.fate[waits & ~came] = NOT_RECEIVED
        found = self.trial.apart = sorted(self.trial.apart, key=Apart.order)
        self.block.unrequested = rows = np.zeros(len(found), dtype=UNREQUESTED)
        for row, one in zip(rows, found, strict=True):
            fate = one.record.fate[0]
            if fate == NOT_SENT:
                fate = IN_FLIGHT if one.record.occupancy_at_arrival[0] >= 0 else NOT_RECEIVED
            row["trial"], row["after"], row["fate"] = self.trial.number, one.after, fate
            row["counter"] = one.counter
            row["served"] = one.served()
            for name in APART:
                row[name] = getattr(one.record, name)[0]


class EventEngine:
    """Cycle level, the reference: every clock edge, crossing, push and capture is an event.

    Where nobody observes, those on which nothing depends are left out.
    """

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
        """Simulate some trials; yield the records of each, shape (1, conversions).

        ``words`` says whether the push times of each word are kept.
        """
        for number in trials:
            block = blank(scenario, number, words)
            Chain(scenario, number, block).run()
            yield block

    passing = run


def watched(
    scenario: Scenario, number: int, made: list[Made] | None = None
) -> tuple[FrameBlock, list[Met]]:
    """Run one trial; return its records and each symbol that an upset window met.

    The edges that windows made where there was none are added to ``made``.
    """
    block = blank(scenario, number, words=False)
    chain = Chain(scenario, number, block)
    seen: list[Met] = []
    chain.trial.met, chain.trial.made = seen, made
    chain.run()
    return block, seen


def with_words(
    scenario: Scenario, number: int, code: Code, lane: int
) -> tuple[FrameBlock, dict[int, list[int]], list[list[int] | None]]:
    """Run one trial whose words are given as codes, whatever the scenario says of content.

    Returns
    -------
    block : FrameBlock
        Its records.
    read : dict of int to list of int
        Of each conversion that was read and has bits that may be wrong, the words of the lane as
        the host read them.
    unrequested : list of list of int or None
        Those of each frame that no trigger asked for, as the block has them; None if not read.
    """
    block = blank(scenario, number, words=False)
    chain = Chain(scenario, number, block)
    chain.trial.words = words = Words(scenario, code, lane)
    chain.run()
    return block, words.read, [one.words for one in chain.trial.apart]


def blank(scenario: Scenario, number: int, words: bool) -> FrameBlock:
    """Return blank records of all conversions of one trial."""
    shape = (scenario.frame.lanes, scenario.frame.words_per_lane) if words else None
    return FrameBlock.blank(range(number, number + 1), 0, scenario.conversions, shape)
