"""The pictures of a run as the files of its results folder."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from simlink.pictures import plot, style

if TYPE_CHECKING:
    from simlink.running.run import Run


def files(run: Run, names: Sequence[str]) -> Iterator[tuple[str, bytes]]:
    """Draw pictures of a run, as SVG and PNG: give the name of each file, and all that it holds.

    ``names`` are the functions of ``simlink.pictures.plot`` that draw them.
    """
    with style.look():
        for name in names:
            if name == "occupancy" and run.scenario.link.scheme != "remote_master":
                continue  # the other schemes have no FIFO
            figure = getattr(plot, name)(run).get_figure(root=True)
            for kind in style.KINDS:
                yield f"{name}.{kind}", style.encode(figure, kind)
