"""Outputs, inputs, wires and devices of a rig from and to a spreadsheet, as a file of comma-separated values."""
