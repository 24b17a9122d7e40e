"""User-defined devices: described in the rig and not in Python."""
