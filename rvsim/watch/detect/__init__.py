"""Detectors: each finds one sort of problem in what a watch observes."""
