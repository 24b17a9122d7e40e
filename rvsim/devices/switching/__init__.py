"""Outputs and inputs of modules and keypads: what each does, and the messages that report it."""
