"""Service latencies as a CSV file that a scenario replays."""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from simlink.base.cautions import CAUTIONS
from simlink.base.errors import printable
from simlink.base.safe_write import write_whole

COLUMN, UNIT = "latency_ns", "ns"


def write_latencies(path: Path | str, head: Iterable[str], latencies: Iterable[int | str]) -> None:
    """Write latencies in ns in their order, the file whole or not at all.

    The head says where they come from, in comments to which the cautions are added. A file that is
    there is replaced in one step.

    Raises
    ------
    OutputError
        If the file cannot be written; an older one is left as it was.
    """
    lines = [f"# {printable(line)}\n" for line in (*head, f"caution: {CAUTIONS}")]
    lines.append(f"index,{COLUMN}\n")
    lines += [f"{index},{late}\n" for index, late in enumerate(latencies)]
    write_whole(Path(path), "".join(lines).encode())
