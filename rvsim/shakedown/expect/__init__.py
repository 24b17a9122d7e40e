"""Expectations: how they are written, and how each of them is judged."""
