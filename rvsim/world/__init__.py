"""The physics that the simulated devices share: weather, cabin, coolant, hot water, battery, tanks."""
