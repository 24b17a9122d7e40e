"""What devices that charge a battery have in common: stages, what the battery asks for, and the charger messages."""
