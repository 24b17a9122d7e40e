"""The simulated CAN pair: one frame at a time, arbitration, acknowledgement, errors, bus-off."""
