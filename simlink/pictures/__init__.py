"""Pictures and text that show a run."""
