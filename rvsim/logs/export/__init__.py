"""Writes what is in a log as tables (readings, messages, frames, flags, devices), to files of four forms."""
