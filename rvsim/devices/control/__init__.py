"""What a panel decides: heat, cooling and air of zones, the time of day, loads at low voltage, a generator."""
