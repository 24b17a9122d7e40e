"""Logs read in columns: many entries at once, the same as the readers of ``formats`` give one by one."""
