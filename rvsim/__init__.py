"""RV-C-style CAN message simulator and decoder for bench testing."""
