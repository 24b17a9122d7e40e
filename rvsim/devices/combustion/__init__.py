"""What devices with a burner have in common."""
