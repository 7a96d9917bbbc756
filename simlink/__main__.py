"""Where the program begins: an interrupt is told of in one line from here on."""

from __future__ import annotations

import gc
import os
import sys

from simlink.base import interrupts

#: New objects after which Python looks for those that are in circles and no longer reached. A
#: short command makes fewer: to go through all that was imported takes it a tenth of a second.
_MANY_OBJECTS = 1_000_000


def main() -> None:
    """Run the command line, which takes a moment to be read in."""
    interrupts.heed()
    gc.set_threshold(_MANY_OBJECTS, 10, 10)
    # Linear algebra is a small matter here, and its threads begin by waiting busily.
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    try:
        from simlink.cli import main as command_line

        command_line()
    except KeyboardInterrupt:
        print("simlink: interrupted", file=sys.stderr)
        raise SystemExit(interrupts.status()) from None


if __name__ == "__main__":
    main()
