"""Proven bounds of variation: lower ones that no weights, settings or layouts get below.

May import `solvers.search` and `roommodes`.
"""
