"""The batch engine: the rules of `simlink.link` compiled, one loop for each kind of read."""

from simlink.engines.batch.engine import BatchEngine

__all__ = ["BatchEngine"]
