"""Long messages: 9 to 1785 bytes in several frames (SAE J1939-21), without a bus or a clock."""
