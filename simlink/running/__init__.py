"""Running a scenario: work spread over processes, what is kept of it, the results folder."""
