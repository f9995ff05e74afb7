"""Random loudspeakers, rigs and recordings with their truth, for benchmarks/coverage.py."""
