"""The event engine: the block diagram as SimPy processes, one file for each side."""

from simlink.engines.event.wiring import EventEngine

__all__ = ["EventEngine"]
