"""Filters as processors take them: biquads, single sections, crossovers.

May import `roommodes.errors` and `roommodes.arrays` only.
"""
