"""Detectors: each finds one kind of problem in what a watch observes.

Knows: which observations are a problem, and when it ends. Does not know flags: ``rules`` makes them from the problems.
"""
