"""A device of one's own that is described in the rig and not in Python."""
