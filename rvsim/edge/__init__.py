"""Buses and other processes: the only code that opens a bus or sends on one."""
