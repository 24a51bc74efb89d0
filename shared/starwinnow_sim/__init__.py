"""Renders star fields with known truth, for the demo, the tests and the benchmarks."""
