"""Whether a link may be built: every limit with its margin, the cause of a loss, its cure."""
