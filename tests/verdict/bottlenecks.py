"""Bottlenecks made by hand: a comfortable link of each scheme, and one thing pushed to its limit.

Each pair has the limit worked out beside it, and stands just inside and just outside of it. Where
a row of the limits lies is said by the key of that row, and whose fault it is by the keys that an
engineer would name; where he would accept either of two, both are there.
"""

from __future__ import annotations

import copy
from dataclasses import dataclass, field
from typing import Any

from tests.budget.budget_cases import made

#: Triggers every 2000 ns (T). The trigger arrives after 10 ns, the conversion is over at 510, the
#: clock starts at 530, bit i (of 16) is captured at 530 + 20 i + 10 and pushed 10 ns later: the
#: frame takes its slot at 550 and is released at 850. A service takes 300 ns and a read 400.
REMOTE = {
    "seed": 7,
    "trials": 2,
    "conversions": 200,
    "link": {"scheme": "remote_master"},
    "trigger": {"rate": "500 kHz"},
    "frame": {"word_bits": 16},
    "converter": {
        "conversion_time": "500 ns",
        "acquisition_time": "200 ns",
        "data_valid": "4 ns",
        "data_hold": "1 ns",
    },
    "remote_clock": {"frequency": "50 MHz", "start_delay": "20 ns", "setup": "2 ns",
                     "hold": "1 ns"},
    "barrier": {"forward": {"delay": "10 ns"}, "return": {"delay": "10 ns"}},
    "fifo": {"depth": 4},
    "host": {"clock": "40 MHz", "service_latency": "300 ns"},
}  # fmt: skip

#: Triggers every 4000 ns. The conversion is over at 510 ns, busy has fallen at the host at 522,
#: the host's clock starts at 822 and its last edge (16 periods of 100 ns) arrives at 2432. A
#: falling edge launches, half a period of 50 ns ahead of the capture: 10 + 8 + 12 + 3 ns of it are
#: taken by the way there, data_valid, the way back and the setup.
FORWARDED = {
    "seed": 7,
    "trials": 2,
    "conversions": 200,
    "link": {"scheme": "forwarded_clock"},
    "trigger": {"rate": "250 kHz"},
    "frame": {"word_bits": 16},
    "converter": {
        "conversion_time": "500 ns",
        "acquisition_time": "200 ns",
        "data_valid": "8 ns",
        "data_hold": "3 ns",
    },
    "remote_clock": {"frequency": "50 MHz"},
    "barrier": {"forward": {"delay": "10 ns"}, "return": {"delay": "12 ns"}},
    "host": {"clock": "10 MHz", "service_latency": "300 ns", "setup": "3 ns", "hold": "1 ns"},
}

#: The same, but captured by the returned clock: 8 + 3 ns of 50 are taken.
RETURNED = copy.deepcopy(FORWARDED) | {"link": {"scheme": "returned_clock"}}

BASES = {"remote_master": REMOTE, "forwarded_clock": FORWARDED, "returned_clock": RETURNED}
HOST_CLOCKED = ("forwarded_clock", "returned_clock")


@dataclass(frozen=True)
class Case:
    """One link, on one side of one limit.

    Attributes
    ----------
    name : str
        What is pushed, in which scheme, and to which side.
    scheme : str
        Whose base.
    changes : dict of str to object
        Dotted keys and what they become.
    row : str
        The key of the limit.
    inside : bool
        Whether it holds.
    causes : set of str
        The keys at fault, any of which may be named.
    figure : str or None
        What a run counts outside; None where a short run loses nothing.
    also : set of str
        Other limits that are broken by the same fault.
    """

    name: str
    scheme: str
    changes: dict[str, Any]
    row: str
    inside: bool
    causes: frozenset[str] = frozenset()
    figure: str | None = None
    also: frozenset[str] = field(default=frozenset())

    def scenario(self) -> Any:
        """Return the scenario."""
        return made(self.changes, BASES[self.scheme])


def _pair(
    name: str,
    scheme: str,
    row: str,
    key: str,
    inside: Any,
    outside: Any,
    figure: str | None,
    *,
    causes: tuple[str, ...] = (),
    also: tuple[str, ...] = (),
    **others: Any,
) -> list[Case]:
    """Return both sides of a limit that one key pushes; ``others`` are keys with __ for dots.

    A side of None is left out. The key itself may be named as the cause unless causes are given.
    """
    more = {one.replace("__", "."): value for one, value in others.items()}
    found = []
    if inside is not None:
        changes = more | {key: inside}
        found.append(Case(f"{scheme}, {name}, inside", scheme, changes, row, True, figure=figure))
    if outside is not None:
        changes, blamed = more | {key: outside}, frozenset(causes or (key,))
        named = f"{scheme}, {name}, outside"
        found.append(Case(named, scheme, changes, row, False, blamed, figure, frozenset(also)))
    return found


def _uniform(low: float, high: float, unit: str = "ns") -> dict[str, str]:
    return {"shape": "uniform", "low": f"{low} {unit}", "high": f"{high} {unit}"}


def _stalls(normal: str, stalled: str, spacing: int) -> dict[str, Any]:
    """Return a latency that is long once after every so many services."""
    return {"shape": "two_state", "normal": normal, "stalled": stalled, "spacing": spacing}


CONVERSION, LATENCY = "converter.conversion_time", "host.service_latency"
ACQUISITION, SYNC = "converter.acquisition_time", "fifo.sync_delay"
WRONG = "corrupted_silent"


def _remote_cycle() -> list[Case]:
    return [
        # The conversion is over 500 ns after a trigger arrives, the next arrives 2000 ns after
        # it: 1500 ns to acquire.
        *_pair("acquisition", "remote_master", "acquisition", ACQUISITION, "1499 ns", "1501 ns",
               "short_acquisition"),
        # Each of two triggers is up to 20 ns off: 1460 ns at the least. Below 1475 ns, with the
        # two 25 ns or more apart, are 15^2 / (2 x 40^2) x 2 / 2 = 7 % of them.
        *_pair("acquisition with jitter", "remote_master", "acquisition", ACQUISITION, "1459 ns",
               "1475 ns", "short_acquisition", causes=("trigger.jitter", ACQUISITION),
               trigger__jitter=_uniform(-20, 20)),
        # 20 ns of start delay and 16 x 20 ns of readout leave 1660 ns of 2000 to convert.
        *_pair("conversion", "remote_master", "period", CONVERSION, "1659 ns", "1661 ns",
               "missed_trigger"),
        # 500 + 20 ns leave 1480 ns for 16 periods: 10.81 MHz. 10.9 MHz needs 1467.9, 10.7 MHz
        # 1495.3. A read of 400 ns still begins after the release.
        *_pair("readout", "remote_master", "period", "remote_clock.frequency", "10.9 MHz",
               "10.7 MHz", "missed_trigger"),
        # On average 1550 ns fit, but 1660 is the most that does: 40 of 300 ns are too long.
        *_pair("spread of the conversion", "remote_master", "period", CONVERSION,
               _uniform(1400, 1659), _uniform(1400, 1700), "missed_trigger"),
        # 500 + 320 ns leave 1180 of start delay. The first bit is only more comfortable.
        *_pair("start delay", "remote_master", "period", "remote_clock.start_delay", "1179 ns",
               "1181 ns", "missed_trigger"),
        # 840 ns have to lie between two triggers, and no gap between Poisson triggers is surely
        # that long: at 500 kHz 1 - exp(-0.42) = 34 % of them are shorter.
        *_pair("Poisson triggers into a converter", "remote_master", "period", "trigger.pattern",
               None, "poisson", "missed_trigger",
               causes=("trigger.pattern", "trigger.rate"), also=("acquisition",)),
    ]  # fmt: skip


def _remote_captures() -> list[Case]:
    return [
        # A period of 20 ns, 10 high and 10 low.
        *_pair("shortest period", "remote_master", "clock_period", "converter.min_clock_period",
               "19.9 ns", "20.1 ns", None,
               causes=("converter.min_clock_period", "remote_clock.frequency")),
        *_pair("shortest high time", "remote_master", "clock_high", "converter.min_clock_high",
               "9.9 ns", "10.1 ns", None,
               causes=("converter.min_clock_high", "remote_clock.frequency")),
        *_pair("shortest low time", "remote_master", "clock_low", "converter.min_clock_low",
               "9.9 ns", "10.1 ns", None,
               causes=("converter.min_clock_low", "remote_clock.frequency")),
        # A clock of 100 MHz into a part that takes 12 ns: 83.3 MHz. 83 MHz has 12.05 ns, 84 MHz
        # 11.90; half of it is 6.02 or 5.95 ns, of which 3 + 2 are taken.
        *_pair("a clock too fast for the part", "remote_master", "clock_period",
               "remote_clock.frequency", "83 MHz", "84 MHz", None,
               causes=("converter.min_clock_period", "remote_clock.frequency"),
               converter__data_valid="3 ns", converter__min_clock_period="12 ns"),
        # 10 ns from launch to capture, less 2 of setup.
        *_pair("setup", "remote_master", "setup", "converter.data_valid", "7.9 ns", "8.1 ns", WRONG,
               causes=("converter.data_valid", "remote_clock.frequency")),
        # 20 ns less 2 if it is captured a whole period after; 1 ns of hold is just kept.
        *_pair("setup of a whole period", "remote_master", "setup", "converter.data_valid",
               "17.9 ns", "18.1 ns", WRONG,
               causes=("converter.data_valid", "remote_clock.frequency"),
               remote_clock__capture="whole"),
        # 4 + 2 ns in half a period: 83.3 MHz. 83 MHz has 6.02 ns, 84 MHz 5.95.
        *_pair("clock against setup", "remote_master", "setup", "remote_clock.frequency", "83 MHz",
               "84 MHz", WRONG, causes=("converter.data_valid", "remote_clock.frequency")),
        # A bit is gone 10 ns (half a period) and 1 (data_hold) after its capture. Of 8 boards half
        # ask for more than 11 ns.
        *_pair("hold", "remote_master", "hold", "remote_clock.hold", _uniform(9, 10.9),
               _uniform(10, 12), WRONG, causes=("remote_clock.hold", "converter.data_hold"),
               trials=8),
        # The first capture comes 20 + 10 ns after busy has fallen, 2 of them setup.
        *_pair("first bit", "remote_master", "first_bit", "converter.msb_valid", "27.9 ns",
               "28.1 ns", WRONG, causes=("converter.msb_valid", "remote_clock.start_delay")),
        # 12 ns of msb_valid and 2 of setup, of which half a period gives 10: 4 ns of start delay.
        *_pair("start of the clock", "remote_master", "first_bit", "remote_clock.start_delay",
               "4.1 ns", "3.9 ns", WRONG,
               causes=("converter.msb_valid", "remote_clock.start_delay"),
               converter__msb_valid="12 ns"),
    ]  # fmt: skip


def _remote_return() -> list[Case]:
    return [
        # The strobe rises in the middle of a bit, 10 ns after its begin and ahead of its end.
        # Lanes have the skews given, the strobe beside them none.
        *_pair("strobe ahead of a lane", "remote_master", "strobe_setup",
               "barrier.return.channel_skew",
               ["0 ns", "9.9 ns"], ["0 ns", "10.1 ns"], WRONG, frame__lanes=2),
        *_pair("strobe behind a lane", "remote_master", "strobe_hold",
               "barrier.return.channel_skew",
               ["0 ns", "-9.9 ns"], ["0 ns", "-10.1 ns"], WRONG, frame__lanes=2,
               barrier__return__delay="20 ns"),
        # A lane of its own clock has nothing to fear from its skew.
        *_pair("skew without a strobe", "remote_master", "setup", "barrier.return.channel_skew",
               ["0 ns", "15 ns"], None, WRONG, frame__lanes=2, barrier__return__strobe=False),
        # The data's slower edge comes 4 ns late, each edge up to 2.9 ns off: 4 + 2 x 2.9 of 10 ns
        # are taken. Outside, 4 + 2 x 4.5 = 13 ns may be, and of the strobe's low pulse too.
        *_pair("strobe with jitter", "remote_master", "strobe_setup", "barrier.return.jitter",
               _uniform(-2.9, 2.9), _uniform(-4.5, 4.5), WRONG, also=("pulse",),
               causes=("barrier.return.jitter", "barrier.return.pulse_width_distortion"),
               barrier__return__pulse_width_distortion="4 ns"),
        # A high pulse of 10 + 2 ns, a low one of 10 - 2.
        *_pair("strobe's pulse", "remote_master", "pulse", "barrier.return.min_pulse", "7.9 ns",
               "8.1 ns", WRONG,
               causes=("barrier.return.min_pulse", "barrier.return.pulse_width_distortion",
                       "remote_clock.frequency"),
               barrier__return__pulse_width_distortion="2 ns"),
        # A strobe of 50 MHz has 100 million edges a second.
        *_pair("strobe's line rate", "remote_master", "line_rate", "barrier.return.line_rate",
               "101 Mbit/s", "99 Mbit/s", None,
               causes=("barrier.return.line_rate", "remote_clock.frequency")),
        # 16 bits and 8 of overhead every 2000 ns: 12 Mbit/s. At 12.1 a frame takes 1983 ns, at
        # 11.9 2017: 17 ns more wait with each, and no depth helps.
        *_pair("packets", "remote_master", "packet_rate", "barrier.return.line_rate",
               "12.1 Mbit/s", "11.9 Mbit/s", None,
               causes=("barrier.return.line_rate", "barrier.return.overhead_bits"),
               barrier__return__style="packets", barrier__return__packet_bits=16,
               barrier__return__overhead_bits=8),
        # Packets at 133 % of their rate: (16 + 4 x 4) bits every 2000 ns are 16 Mbit/s of 12.
        *_pair("packets' overhead", "remote_master", "packet_rate",
               "barrier.return.overhead_bits", 1, 4, None,
               causes=("barrier.return.line_rate", "barrier.return.overhead_bits",
                       "barrier.return.packet_bits"),
               barrier__return__style="packets", barrier__return__packet_bits=4,
               barrier__return__line_rate="12 Mbit/s"),
    ]  # fmt: skip


def _remote_fifo() -> list[Case]:
    fast = {"trigger__rate": "1 MHz"}
    slowly = fast | {
        "host__clock": "11.43 MHz",
        "trigger__pattern": "burst",
        "trigger__gap": "20 us",
        "trigger__burst_length": 12,
        "host__service_latency": "0 ns",
    }
    eighteen = {"frame__word_bits": 18, "trigger__rate": "1 MHz", "host__drain": True}
    return [
        # A service of 1600 ns and a read of 400 fill 2000. Outside, 10 ns more wait with each
        # frame: the 4 slots are full after 400 or so, and 200 are run.
        *_pair("service", "remote_master", "host_rate", LATENCY, "1590 ns", "1610 ns", None,
               also=("fifo_depth",)),
        # 1700 ns for 16 periods: 9.41 MHz; 9.5 needs 1684, 9.3 1720.
        *_pair("host's clock", "remote_master", "host_rate", "host.clock", "9.5 MHz", "9.3 MHz",
               None, also=("fifo_depth",)),
        # 10 % over: each frame adds 200 ns, so that a slot is taken up by every tenth.
        *_pair("host at 110 %", "remote_master", "host_rate", LATENCY, "1200 ns", "1800 ns",
               "overrun", also=("fifo_depth",)),
        # With one latency for all that wait, 400 ns of 2000 are all that has to fit on average.
        # 4 more slots are taken within 7000 ns.
        *_pair("one latency for all", "remote_master", "host_rate", LATENCY, "7000 ns", None,
               "overrun", host__drain=True, fifo__depth=6),
        # The first read ends 850 + L + 400 after its trigger, the next frame arrives at 2550.
        *_pair("a FIFO of one", "remote_master", "fifo_depth", LATENCY, "1299 ns", "1301 ns",
               "overrun", causes=("fifo.depth", LATENCY), fifo__depth=1),
        *_pair("a FIFO of one, now and then", "remote_master", "fifo_depth", LATENCY,
               _uniform(100, 1299), _uniform(100, 1500), "overrun", causes=("fifo.depth", LATENCY),
               fifo__depth=1),
        # A service of 5000 ns ends at 6250, after two more frames have come (2550 and 4550), and
        # before the third (6550). 300 + 400 ns for each of those catch up with 2000.
        *_pair("depth by one", "remote_master", "fifo_depth", "fifo.depth", 3, 2, "overrun",
               causes=("fifo.depth", LATENCY),
               host__service_latency=_stalls("300 ns", "5000 ns", 10)),
        # 18 bits at 20 MHz are read in 900 ns. A frame is released 890 ns after its trigger, its
        # read ends 8900 ns after that; frame k takes its slot 550 + 1000 k after. Frames 0 to 9
        # have come by 9550, the slot of frame 0 is free at 9790.
        *_pair("depth by one for all that wait", "remote_master", "fifo_depth", "fifo.depth", 10,
               9, "overrun", causes=("fifo.depth", LATENCY), host__clock="20 MHz",
               host__service_latency="8 us", **eighteen),
        # Bursts of 12, 1000 ns apart; each read takes 1400 ns and no latency. Frame k takes its
        # slot at 550 + 1000 k, its own is free at 850 + 1400 (k + 1): as frame 10 comes (10550),
        # 6 of 10 are (by 9250, not 10650), and 5 are taken. A burst is read out by 17650 and the
        # next one comes at 31550.
        *_pair("burst", "remote_master", "fifo_depth", "fifo.depth", 5, 4, "overrun",
               causes=("trigger.pattern", "trigger.burst_length", "trigger.gap", "trigger.rate",
                       "fifo.depth", "host.clock"), **slowly),
        # The converter takes no trigger within 840 ns of another; 1400 ns a read at an average of
        # 500 kHz less what is missed leave the host 1 / (2000 + 840) ns, half its time, and
        # three within 1400 ns of one another fill two slots.
        *_pair("Poisson triggers", "remote_master", "fifo_depth", "host.clock", None, "11.43 MHz",
               "overrun", also=("period", "acquisition"),
               causes=("trigger.pattern", "trigger.rate", "fifo.depth", "host.clock"),
               trigger__pattern="poisson", fifo__depth=2, host__service_latency="0 ns"),
        # A synchroniser of 1250 ns, a service of 50 and a read of 400 are all there is to do
        # between 850 and 2550.
        *_pair("synchroniser", "remote_master", "fifo_depth", SYNC, "1249 ns", "1251 ns",
               "overrun", causes=(SYNC, "fifo.depth"), fifo__depth=1,
               host__service_latency="50 ns"),
        # Four wait at 850 + 6000, the first is read 400 ns after its service, and the fifth frame
        # comes at 550 + 8000.
        *_pair("watermark", "remote_master", "fifo_depth", LATENCY, "1299 ns", "1301 ns",
               "overrun", causes=("host.watermark", "fifo.depth", LATENCY), host__watermark=4),
        # One slot, and a credit 10 ns after it is freed. From the start of the clock it takes
        # 310 + 10 ns to the release, L + 400 to the end of the read, 10 for the credit: with L of
        # 1270 the master starts every 2000 ns. With 1290 it starts 20 ns later each time, and
        # 1160 are left until a trigger is missed. The host itself needs 1690 of 2000.
        *_pair("stall of a FIFO of one", "remote_master", "fifo_depth", LATENCY, "1269 ns",
               "1290 ns", "missed_trigger", also=("period",),
               causes=("fifo.depth", "fifo.when_full", LATENCY), fifo__depth=1,
               fifo__when_full="stall"),
        # A service of 5000 ns ends at 6250: of two credits none is left for the frame whose clock
        # would start at 4530. It starts at 6260, and a trigger arrives at 6010.
        *_pair("stall", "remote_master", "fifo_depth", "fifo.depth", 3, 2, "missed_trigger",
               also=("period",), causes=("fifo.depth", "fifo.when_full", LATENCY),
               host__service_latency=_stalls("300 ns", "5000 ns", 10), fifo__when_full="stall"),
    ]  # fmt: skip


def _remote_host() -> list[Case]:
    edge = {"host__interrupt": "edge"}
    quick = {"host__clock": "80 MHz", "host__service_latency": "0 ns"}
    return [
        # Busy falls 850 ns after the trigger and the synchroniser, and the next trigger is sent
        # at 1000: after that no fall is seen. Nothing is read and the FIFO fills.
        *_pair("edge and synchroniser", "remote_master", "interrupt", SYNC, "149 ns", "151 ns",
               "overrun", causes=(SYNC, "host.interrupt"), also=("fifo_depth",),
               trigger__rate="1 MHz", **edge),
        # A service of 3700 ns and its read end 4100 ns after a release: the two falls at 2000 and
        # 4000 are noted as one, and a frame stays behind for good. 3500 + 400 see one only.
        *_pair("edge and a long service", "remote_master", "interrupt", LATENCY,
               _stalls("300 ns", "3500 ns", 10), _stalls("300 ns", "3700 ns", 10), "overrun",
               causes=("host.interrupt", LATENCY), also=("fifo_depth",), fifo__depth=8, **edge),
        # Bit 15 is pushed 300 ns after bit 0. The release comes with bit r - 1, 20 (r - 1) after
        # it; bit 15 is taken 15.5 x 12.5 = 193.75 ns later: r >= 6.31.
        *_pair("early read", "remote_master", "early_read", "fifo.release_bits", 7, 6, "underrun",
               causes=("fifo.release_bits", "host.clock"), **quick),
        # With 6 bits, at least 300 - 193.75 - 100 = 6.25 ns of latency are needed: 31 % of the
        # services are too quick.
        *_pair("early read by a quick service", "remote_master", "early_read", LATENCY,
               _uniform(6.5, 20), _uniform(0, 20), "underrun",
               causes=("fifo.release_bits", LATENCY, "host.clock"), host__clock="80 MHz",
               fifo__release_bits=6),
        # A host that reads all that wait may begin with a frame as it is released. 18 bits: bit
        # 17 comes 340 ns after bit 0 and is taken 17.5 x 12.5 = 218.75 after the release: 8 bits.
        # With 2, it must not begin within 340 - 218.75 - 20 = 101.25 ns of a release; the latency
        # moves the end of the read ahead over all of 1000 ns.
        *_pair("early read in the wake of another", "remote_master", "early_read",
               "fifo.release_bits", 8, 2, "underrun",
               causes=("fifo.release_bits", "host.drain", "host.clock"),
               frame__word_bits=18, trigger__rate="1 MHz", host__clock="80 MHz",
               host__drain=True, host__service_latency=_uniform(200, 1600)),
        # Released 850 ns after the trigger.
        *_pair("timeout", "remote_master", "timeout", "host.timeout", "851 ns", "849 ns",
               "timed_out", causes=("host.timeout", CONVERSION)),
        # 151 ns of a synchroniser make 1001.
        *_pair("timeout and synchroniser", "remote_master", "timeout", SYNC, "149 ns", "151 ns",
               "timed_out", causes=(SYNC, "host.timeout", CONVERSION), host__timeout="1 us"),
    ]  # fmt: skip


def _host_clocked(scheme: str) -> list[Case]:
    """Return what is alike for the forwarded and the returned clock."""
    # Where the way of the data has less than the 33 ns that it takes at 20 MHz, both capture a
    # whole period after; for 16 periods of 50 ns then 800 ns go by.
    quick = {"host__clock": "20 MHz", "host__capture": "whole"}
    return [
        # 4000 ns less 500.
        *_pair("acquisition", scheme, "acquisition", ACQUISITION, "3499 ns", "3501 ns",
               "short_acquisition"),
        # From a trigger's arrival: 500 + 12 + L + 1600 + 10 ns to the last edge of the clock,
        # which the next trigger at 4000 must not come before.
        *_pair("service", scheme, "period", LATENCY, "1877 ns", "1879 ns", "missed_trigger"),
        # The first edge of the clock comes 500 + 12 + L + 50 + 10 ns after: of 3600 ns the frame
        # is gone by then.
        *_pair("a service as long as the period", scheme, "period", LATENCY, None, "3600 ns",
               "overrun", also=("host_rate",)),
        # 500 + 12 + 300 + 10 ns leave 3178 for 16 periods: 5.035 MHz. 5.05 needs 3168.3, 5.02
        # 3187.3.
        *_pair("host's clock", scheme, "period", "host.clock", "5.05 MHz", "5.02 MHz",
               "missed_trigger"),
        # 12 + 300 + 1600 + 10 ns leave 2078.
        *_pair("conversion", scheme, "period", CONVERSION, "2077 ns", "2079 ns", "missed_trigger"),
        # 500 + 12 + 300 + 800 + 10 ns leave 2378 for the synchroniser.
        *_pair("synchroniser", scheme, "period", SYNC, "2377 ns", "2379 ns", "missed_trigger",
               **quick),
        # 1878 ns are the most, and 12 % of the services take longer.
        *_pair("service, now and then", scheme, "period", LATENCY, _uniform(100, 1877),
               _uniform(100, 2120), "missed_trigger"),
        # 100 ns; a high time of 50 + 5 ns and a low one of 50 - 5, if falls come 5 ns late.
        *_pair("shortest period", scheme, "clock_period", "converter.min_clock_period", "99.9 ns",
               "100.1 ns", None, causes=("converter.min_clock_period", "host.clock")),
        *_pair("shortest low time", scheme, "clock_low", "converter.min_clock_low", "44.9 ns",
               "45.1 ns", None,
               causes=("converter.min_clock_low", "host.clock",
                       "barrier.forward.pulse_width_distortion"),
               barrier__forward__pulse_width_distortion="5 ns"),
        *_pair("shortest high time", scheme, "clock_high", "converter.min_clock_high", "44.9 ns",
               "45.1 ns", None,
               causes=("converter.min_clock_high", "host.clock",
                       "barrier.forward.pulse_width_distortion"),
               barrier__forward__pulse_width_distortion="-5 ns"),
        # The low pulse of 50 - 5 ns has to pass the forward channel.
        *_pair("clock's pulse", scheme, "pulse", "barrier.forward.min_pulse", "44.9 ns", "45.1 ns",
               WRONG,
               causes=("barrier.forward.min_pulse", "barrier.forward.pulse_width_distortion",
                       "host.clock"),
               barrier__forward__pulse_width_distortion="5 ns"),
        # Busy has fallen at the host 10 + 500 + 12 ns after the trigger left.
        *_pair("timeout", scheme, "timeout", "host.timeout", "523 ns", "521 ns", "timed_out",
               causes=("host.timeout", CONVERSION)),
    ]  # fmt: skip


def _forwarded() -> list[Case]:
    scheme = "forwarded_clock"
    causes = ("host.clock", "converter.data_valid", "barrier.forward.delay",
              "barrier.return.delay")  # fmt: skip
    return [
        # 10 + 12 + 3 ns of 50 leave 25.
        *_pair("setup", scheme, "setup", "converter.data_valid", "24.9 ns", "25.1 ns", WRONG,
               causes=causes),
        # 8 + 12 + 3 ns of 50 leave 27 for the way there.
        *_pair("way there", scheme, "setup", "barrier.forward.delay", "26.9 ns", "27.1 ns", WRONG,
               causes=causes),
        # 33 ns in half a period: 15.15 MHz. 15.1 has 33.1 ns, 15.2 32.9.
        *_pair("clock against setup", scheme, "setup", "host.clock", "15.1 MHz", "15.2 MHz", WRONG,
               causes=causes),
        # Each unit's way there is up to 5 ns longer: 20 ns are left for data_valid. With 24 ns,
        # 40 % of the units are too late.
        *_pair("spread of the way there", scheme, "setup", "converter.data_valid", "19.9 ns",
               "24 ns", WRONG, causes=(*causes, "barrier.forward.part_to_part_skew"), trials=10,
               barrier__forward__part_to_part_skew=_uniform(-5, 5)),
        # Each bit is up to 4 ns late: 21 ns are left. With 24 ns, a bit that is more than 1 ns
        # late is wrong.
        *_pair("jitter of the way back", scheme, "setup", "converter.data_valid", "20.9 ns",
               "24 ns", WRONG, causes=(*causes, "barrier.return.jitter"),
               barrier__return__jitter=_uniform(-4, 4)),
        # Captured a whole period after its launch, a bit is taken away 10 + 3 + 12 ns later.
        *_pair("hold", scheme, "hold", "host.hold", "24.9 ns", "25.1 ns", WRONG,
               causes=("host.hold", "converter.data_hold"), host__capture="whole"),
        # Bit 0 comes with busy and is captured 300 + 50 ns later, 3 of them setup.
        *_pair("first bit", scheme, "first_bit", "converter.msb_valid", "346.9 ns", "347.1 ns",
               WRONG, causes=("converter.msb_valid", LATENCY)),
    ]  # fmt: skip


def _returned() -> list[Case]:
    scheme = "returned_clock"
    causes = ("host.clock", "converter.data_valid")
    return [
        # 3 ns of 50 leave 47.
        *_pair("setup", scheme, "setup", "converter.data_valid", "46.9 ns", "47.1 ns", WRONG,
               causes=causes),
        # 8 + 3 ns leave 39 by which a lane may come behind the clock.
        *_pair("lane behind the clock", scheme, "setup", "barrier.return.channel_skew", ["38.9 ns"],
               ["39.1 ns"], WRONG, causes=("barrier.return.channel_skew", *causes)),
        # 11 ns in half a period: 45.45 MHz. 45 has 11.1 ns, 46 10.9.
        *_pair("clock against setup", scheme, "setup", "host.clock", "45 MHz", "46 MHz", WRONG,
               causes=causes),
        # Captured at the fall of the clock, which launches the next bit: data_hold is all of it.
        *_pair("hold", scheme, "hold", "host.hold", "2.9 ns", "3.1 ns", WRONG,
               causes=("host.hold", "converter.data_hold"), host__capture="whole"),
        # Bit 0 comes with busy; the clock that captures it leaves 300 + 50 ns later and takes 10 +
        # 12 more, and 3 ns are setup.
        *_pair("first bit", scheme, "first_bit", "converter.msb_valid", "368.9 ns", "369.1 ns",
               WRONG, causes=("converter.msb_valid", LATENCY)),
        # A low pulse of 50 - 5 - 5 ns comes back.
        *_pair("returned clock's pulse", scheme, "pulse", "barrier.return.min_pulse", "39.9 ns",
               "40.1 ns", WRONG,
               causes=("barrier.return.min_pulse", "barrier.return.pulse_width_distortion",
                       "barrier.forward.pulse_width_distortion", "host.clock"),
               barrier__pulse_width_distortion="5 ns"),
    ]  # fmt: skip


CASES = [
    *_remote_cycle(),
    *_remote_captures(),
    *_remote_return(),
    *_remote_fifo(),
    *_remote_host(),
    *_host_clocked("forwarded_clock"),
    *_host_clocked("returned_clock"),
    *_forwarded(),
    *_returned(),
]

#: Line rates that are refused as the file is loaded: the key, the least that is not, and more.
REFUSED = [
    # Data asks for a bit a period, a clock for two: 50 MHz beside the converter, 10 at the host.
    ("remote_master", "barrier.return.line_rate", "50 Mbit/s", "49.9 Mbit/s",
     {"barrier.return.strobe": False}),
    ("forwarded_clock", "barrier.forward.line_rate", "20 Mbit/s", "19.9 Mbit/s", {}),
    ("forwarded_clock", "barrier.return.line_rate", "10 Mbit/s", "9.9 Mbit/s", {}),
    ("returned_clock", "barrier.forward.line_rate", "20 Mbit/s", "19.9 Mbit/s", {}),
    ("returned_clock", "barrier.return.line_rate", "20 Mbit/s", "19.9 Mbit/s", {}),
]  # fmt: skip
