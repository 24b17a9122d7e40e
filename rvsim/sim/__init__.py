"""Time and the simulated bench: clock, kernel, bench."""
