"""Benchmarks: each verifies, then times, and prints ratios against a named plain alternative."""
