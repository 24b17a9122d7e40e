"""Scenarios: a rig with weather, a script of faults and events."""
