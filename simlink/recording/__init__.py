"""Recording what a scenario can replay: the wake-up latency of a machine."""
