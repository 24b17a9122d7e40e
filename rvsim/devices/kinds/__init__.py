"""The kinds of simulated device that come with rvsim, one a file."""
