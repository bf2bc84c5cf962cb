"""Benchmarks: each figure of README and DEVELOPERS comes from one of these."""
