"""What is happening on a bus: decoding, roll call, transitions and flags, driven by time it is told."""
