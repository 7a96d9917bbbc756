"""How many conversions a second are dumped, beside bare SimPy timeouts in the same run.

``python tests/benchmarks/dump.py`` dumps the bench supply to a temporary folder, from whole frames
as it is done, and with every edge an event.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from unittest.mock import patch

from event_engine import a_second, wait

from simlink.scenario.loading import load
from simlink.waveform import dumping

BENCH = Path(__file__).parents[2] / "scenarios/bench-supply.toml"
CONVERSIONS = 4000
#: Dumped a second, on a quiet machine.
BAR = 10_000


def main() -> None:
    """Print the best rates of interleaved repetitions."""
    scenario = load(BENCH).with_(conversions=CONVERSIONS)
    frames, events, bare = 0.0, 0.0, 0.0
    with tempfile.TemporaryDirectory() as folder:
        place = Path(folder) / "a.vcd"

        def dump() -> None:
            dumping.dump(scenario, place)

        for _ in range(5):
            bare = max(bare, a_second(200_000, lambda: wait(200_000)))
            frames = max(frames, a_second(CONVERSIONS, dump))
            with patch.object(dumping, "suits", lambda *_: False):
                events = max(events, a_second(CONVERSIONS, dump))
    print(f"bare timeouts         {bare:12,.0f} a second")
    for name, rate in (("from whole frames", frames), ("every edge an event", events)):
        print(f"{name:22}{rate:12,.0f} conversions a second, one for {bare / rate:.0f} timeouts")
    print(f"{'meets' if frames >= BAR else 'MISSES'} the bar of {BAR:,}")


if __name__ == "__main__":
    main()
