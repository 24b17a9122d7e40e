"""The check of an installation before power is on: from currents and conductors to the bus and a night."""
