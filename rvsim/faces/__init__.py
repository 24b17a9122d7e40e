"""The command line and its output: thin, and the only place that puts the other layers together."""
