"""Traces of every signal, and the intervals measured on them."""
