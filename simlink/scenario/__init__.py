"""The scenario file: quantities, distributions, keys, checks and what is said about faults."""
