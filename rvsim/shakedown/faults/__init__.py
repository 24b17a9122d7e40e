"""Planned faults: how they are written, and what each of them does to a bench."""
