"""Waveform dumps (IEEE Std 1364 VCD): written from a simulation, read back, measured, compared."""
