"""The formats of captured logs, each read by a file of its own."""
