"""The loops of the search that are compiled, and how they are compiled once and kept.

They take plain arrays and may import nothing but numba, NumPy and each other.
"""
