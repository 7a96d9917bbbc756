"""Questions that take many runs: sizing, variations, pass maps."""
