"""Which device sends from which address, and which devices are present."""
