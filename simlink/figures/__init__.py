"""Figures: what the records of a run say, each estimate with its interval."""
