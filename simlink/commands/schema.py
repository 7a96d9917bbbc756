"""``simlink schema``: print the scenario format as a JSON Schema."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from simlink.commands import options as opt


def schema(
    out: Annotated[Path | None, opt.value("Write to this file instead.", "FILE")] = None,
) -> None:
    """Print the scenario format as a JSON Schema, for editors to complete and explain."""
    import json

    from simlink.base.safe_write import write_whole
    from simlink.scenario.export import json_schema

    text = json.dumps(json_schema(), indent=2, ensure_ascii=False) + "\n"
    if out is None:
        print(text, end="")
    else:
        write_whole(out, text.encode())
