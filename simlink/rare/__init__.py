"""Losses too rare to be seen in a run."""
