"""The engines: each gives the same records of the same scenario; only their order of work differs."""
