"""Where the program begins: an interrupt is told of in one line from here on."""

from __future__ import annotations

import sys

from simlink.base import interrupts


def main() -> None:
    """Run the command line, which takes a moment to be read in."""
    interrupts.heed()
    try:
        from simlink.cli import main as command_line

        command_line()
    except KeyboardInterrupt:
        print("simlink: interrupted", file=sys.stderr)
        raise SystemExit(interrupts.status()) from None


if __name__ == "__main__":
    main()
