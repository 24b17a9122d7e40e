"""What is printed: sentences, JSON lines, surveys, spelled frames."""
