"""What a frame is and means: bytes in, values out; no clock, no bus, no files but the message definitions."""
