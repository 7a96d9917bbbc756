"""The engines: the same records of the same scenario; only their order of work differs."""
