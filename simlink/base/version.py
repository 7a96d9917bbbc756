"""The version, in the one place that the packaging reads."""

__version__ = "0.1.0"
