"""A plant with known truth, for tests and benchmarks of investigations."""
