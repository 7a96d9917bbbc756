"""The event engine: the block diagram in SimPy's events, one file for each part."""

from simlink.engines.event.wiring import EventEngine

__all__ = ["EventEngine"]
