"""Runs: a bench, a log, a bus, a scenario to its verdict. Prints nothing: sinks and progress are arguments."""
