"""Frames and their meaning: bytes in, values out; no clock, no bus, no files except the message definitions."""
