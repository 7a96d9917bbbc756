"""The batch engine: recursion over conversions, vectorised over trials, in two ways.

``straight`` serves the plain case quickly; ``queue`` serves every other.
"""

from simlink.engines.batch.engine import BatchEngine

__all__ = ["BatchEngine"]
