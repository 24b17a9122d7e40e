"""A rig learnt from a captured log."""
