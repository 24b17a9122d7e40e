"""Outputs of a module: what each does on a command, a trip or an override, and the messages that report it."""
