"""One simulated device each: frames and timers in, frames out; no clock, no bus, no thread."""
