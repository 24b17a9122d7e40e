"""The command line: options, commands, exit codes."""
