"""What is happening on a bus: decoding, roll call, transitions and flags, driven by the times that it is given."""
