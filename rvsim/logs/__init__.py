"""Captured logs: recording."""
